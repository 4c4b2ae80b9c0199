// `evenburn report SESSION -o PATH`: a session as one HTML page to print or hand on.
import { type FileHandle, open, rm } from 'node:fs/promises';
import { resolve } from 'node:path';
import type { Command } from 'commander';
import { readingNumber, sessionNumber } from './session-number.ts';

interface ReportOptions {
  output: string;
  reading?: string;
  data?: string;
}

export function addReportCommand(program: Command): void {
  program
    .command('report')
    .description('write what was run, checks, pulls, plots, alarms and loss of a session as one HTML page that prints')
    .argument('<session>', 'number of the session')
    .requiredOption('-o, --output <path>', 'file to write; - for standard output')
    .option('--reading <n>', 'another reading than the one in use')
    .option('--data <dir>', 'folder of the recorded sessions')
    .action(report);
}

async function report(text: string, { output, reading, data }: ReportOptions): Promise<void> {
  const [{ dataFolder }, { finishLeftOpen }, { gatherReport }, { toReportPage }, { machineClock }, { sessionPath }] = await Promise.all([
    import('../settings.ts'),
    import('../recording/recovery.ts'),
    import('../recording/gather-report.ts'),
    import('../report/report-page.ts'),
    import('../clock.ts'),
    import('../recording/data-folder.ts'),
  ]);
  const [session, folder] = [sessionNumber(text), dataFolder(data)];
  await finishLeftOpen(folder, session);
  const page = toReportPage(
    await gatherReport(folder, session, reading === undefined ? undefined : readingNumber(reading)),
    machineClock.wallMs(),
  );
  if (output === '-') process.stdout.write(page);
  else await save(output, page, sessionPath(folder, session));
  process.stderr.write(`evenburn: session ${text}: report in ${output === '-' ? 'standard output' : output}\n`);
}

/** Leaves no half a file behind, and never writes over the session itself. */
async function save(path: string, page: string, sessionFile: string): Promise<void> {
  const { EvenburnError } = await import('../errors.ts');
  if (resolve(path) === resolve(sessionFile)) throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path, why: 'it is the session itself' });
  let file: FileHandle | undefined;
  try {
    file = await open(path, 'w');
    await file.writeFile(page);
  } catch (error) {
    if (file) await rm(path, { force: true });
    throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path, why: (error as Error).message }, error);
  } finally {
    await file?.close();
  }
}
