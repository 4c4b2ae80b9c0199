// `evenburn import FILE --vehicle DIR`: a recorded file, or a session that was handed over, becomes a session; prints its number.
import type { Command } from 'commander';
import type { RecordedFileCounts } from '../exchange/intake.ts';

interface ImportOptions {
  vehicle?: string;
  data?: string;
  bus?: string;
  columns?: string;
}

export function addImportCommand(program: Command): void {
  program
    .command('import')
    .description(
      'make a session of a recorded file (text log, pcap, pcapng, CSV, any as gzip) or take in a session file; prints its number',
    )
    .argument('<file>', 'recorded file, - for standard input, or a file of `export --format session`')
    .option('--vehicle <dir>', 'vehicle folder; a session file brings its own')
    .option('--bus <name>', 'every frame of the file belongs to this bus')
    .option('--columns <mapping>', 'for CSV: field=header, ... (docs/recorded-files.md)')
    .option('--data <dir>', 'folder of the recorded sessions')
    .action(importFile);
}

async function importFile(path: string, options: ImportOptions): Promise<void> {
  const { dataFolder } = await import('../settings.ts');
  const { importSessionFile, looksLikeSession } = await import('../recording/import-session.ts');
  const data = dataFolder(options.data);
  const session = looksLikeSession(path) ? importSessionFile(data, path) : await importRecording(data, path, options);
  process.stdout.write(`${session}\n`);
}

async function importRecording(data: string, path: string, options: ImportOptions): Promise<number> {
  const [{ EvenburnError }, { getVehicle }, { openRecordedFile }, { parseCsvColumns }, { importFrames }, { machineClock }, { basename }] =
    await Promise.all([
      import('../errors.ts'),
      import('../definitions/load-vehicle.ts'),
      import('../exchange/recorded-file.ts'),
      import('../exchange/csv-frames.ts'),
      import('../recording/import-session.ts'),
      import('../clock.ts'),
      import('node:path'),
    ]);
  if (options.vehicle === undefined) throw new EvenburnError('USAGE_WRONG', { what: 'import of a recorded file needs --vehicle DIR' });
  const vehicle = await getVehicle(options.vehicle);
  const file = openRecordedFile(path, {
    buses: vehicle.buses,
    ...(options.bus === undefined ? {} : { bus: options.bus }),
    ...(options.columns === undefined ? {} : { columns: parseCsvColumns(options.columns) }),
  });
  const remarks = (): string[] => remarksOn(file.counts);
  const origin = path === '-' ? 'standard input' : basename(path);
  const session = await importFrames(data, vehicle, { frames: file, origin, remarks }, machineClock.wallMs());
  process.stderr.write(`evenburn: ${path}: ${file.counts.frames} frames as session ${session}\n`);
  for (const remark of remarks()) process.stderr.write(`evenburn: ${path}: ${remark}\n`);
  return session;
}

/** What the session does not hold as the file has it. */
function remarksOn(counts: RecordedFileCounts): string[] {
  const remarks: string[] = [];
  const { malformed, malformedNamed, roundedTimes, backwards, unmatched } = counts;
  const first = malformedNamed[0];
  if (first) remarks.push(`${malformed} parts are no frame and were left out, the first at ${first.unit} ${first.at}: ${first.why}`);
  if (roundedTimes > 0) remarks.push(`${roundedTimes} times were finer than a microsecond and were rounded`);
  if (backwards > 0) remarks.push(`${backwards} frames are older than the one before; the order of the file was kept`);
  for (const [name, frames] of unmatched) {
    remarks.push(`${frames} frames of interface ${name} were left out, no bus of the vehicle has it as \`interface\``);
  }
  return remarks;
}
