// `evenburn export SESSION --format FORMAT -o PATH`: a session's frames, samples, or all of it, as a file.
import { type Command, InvalidArgumentError, Option } from 'commander';
import type { ExportFormat } from '../recording/export-session.ts';
import { sessionNumber } from './session-number.ts';

interface ExportOptions {
  format: ExportFormat;
  output: string;
  reading?: number;
  channels?: string[];
  every?: number;
  data?: string;
}

export function addExportCommand(program: Command): void {
  program
    .command('export')
    .description("write a session's frames (log, pcapng), samples (csv, parquet) or the whole session (session) to a file")
    .argument('<session>', 'number of the session')
    .addOption(
      new Option('--format <format>', 'what to write').choices(['log', 'pcapng', 'csv', 'parquet', 'session']).makeOptionMandatory(),
    )
    .requiredOption('-o, --output <path>', 'file to write; - for standard output')
    .option('--channels <names>', 'of csv and parquet: these channels only, comma-separated', (text: string) => text.split(','))
    .option('--every <time>', 'of csv: a table with a line every 10ms, 0.5s ... and a column a channel', parseEvery)
    .option('--reading <n>', 'of csv and parquet: another reading than the one in use', parseReading)
    .option('--data <dir>', 'folder of the recorded sessions')
    .action(run);
}

/** Microseconds of `10ms`, `0.5s`, `250us`. */
function parseEvery(text: string): number {
  const match = /^(\d+(?:\.\d+)?)\s*(us|ms|s)$/.exec(text);
  const us = match ? Number(match[1]) * { us: 1, ms: 1e3, s: 1e6 }[match[2] as 'us' | 'ms' | 's'] : 0;
  if (!Number.isSafeInteger(us) || us < 1) throw new InvalidArgumentError('a time is needed, such as 10ms or 0.5s.');
  return us;
}

function parseReading(text: string): number {
  if (!/^[1-9]\d*$/.test(text)) throw new InvalidArgumentError("a reading's number is needed.");
  return Number(text);
}

async function run(text: string, options: ExportOptions): Promise<void> {
  const [{ dataFolder }, { finishLeftOpen }, { exportSession }, { EvenburnError }] = await Promise.all([
    import('../settings.ts'),
    import('../recording/recovery.ts'),
    import('../recording/export-session.ts'),
    import('../errors.ts'),
  ]);
  const { format, output: path, channels, every, reading } = options;
  const isOfSamples = format === 'csv' || format === 'parquet';
  if (!isOfSamples && (channels || reading))
    throw new EvenburnError('USAGE_WRONG', { what: `--channels and --reading are for samples, not for ${format}` });
  if (every !== undefined && format !== 'csv') throw new EvenburnError('USAGE_WRONG', { what: '--every is for csv' });
  const [data, session] = [dataFolder(options.data), sessionNumber(text)];
  await finishLeftOpen(data, session);
  const { count, what } = await exportSession(data, session, {
    format,
    path,
    ...(channels ? { channels } : {}),
    ...(every === undefined ? {} : { everyUs: every }),
    ...(reading === undefined ? {} : { reading }),
  });
  process.stderr.write(`evenburn: session ${text}: ${count} ${what} in ${path}\n`);
}
