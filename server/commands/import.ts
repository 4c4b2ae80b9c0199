// `evenburn import FILE --vehicle DIR`: a recorded file, or a session that was handed over, becomes a session; prints its number.
import type { Command } from 'commander';

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
  const session = looksLikeSession(path) ? await importSessionFile(data, path) : await importRecording(data, path, options);
  if (session !== undefined) process.stdout.write(`${session}\n`);
}

/** @returns The session's number; undefined when it was stopped by hand, and then nothing is kept. */
async function importRecording(data: string, path: string, options: ImportOptions): Promise<number | undefined> {
  const [
    { EvenburnError },
    { getVehicle },
    { openRecordedFile },
    { parseCsvColumns },
    { toRemarks },
    { importFrames },
    clock,
    paths,
    line,
  ] = await Promise.all([
    import('../errors.ts'),
    import('../definitions/load-vehicle.ts'),
    import('../exchange/recorded-file.ts'),
    import('../exchange/csv-frames.ts'),
    import('../exchange/intake.ts'),
    import('../recording/import-session.ts'),
    import('../clock.ts'),
    import('node:path'),
    import('./progress-line.ts'),
  ]);
  if (options.vehicle === undefined) throw new EvenburnError('USAGE_WRONG', { what: 'import of a recorded file needs --vehicle DIR' });
  const vehicle = await getVehicle(options.vehicle);
  const signal = line.stoppedByHand();
  const file = openRecordedFile(path, {
    buses: vehicle.buses,
    signal,
    ...(options.bus === undefined ? {} : { bus: options.bus }),
    ...(options.columns === undefined ? {} : { columns: parseCsvColumns(options.columns) }),
  });
  const remarks = (): string[] => toRemarks(file.counts);
  const origin = path === '-' ? 'standard input' : paths.basename(path);
  const progressOver = line.showProgress(file, path);
  try {
    const session = await importFrames(data, vehicle, { frames: file, origin, remarks }, clock.machineClock.wallMs());
    progressOver();
    process.stderr.write(`evenburn: ${path}: ${file.counts.frames} frames as session ${session}\n`);
    for (const remark of remarks()) process.stderr.write(`evenburn: ${path}: ${remark}\n`);
    return session;
  } catch (error) {
    progressOver();
    if (!signal.aborted) throw error;
    process.stderr.write(`evenburn: ${path}: stopped after ${file.counts.frames} frames; no session was made\n`);
    process.exitCode = 130;
    return undefined;
  }
}
