// Command-line entry: one command runs, and an error becomes a line on stderr and an exit code.
import { fstatSync, writeFileSync } from 'node:fs';
import { Command, CommanderError } from 'commander';
import { AnswerIsNo } from './commands/answer.ts';
import { addBackupCommand } from './commands/backup.ts';
import { addCheckCommand } from './commands/check.ts';
import { addDecodeCommand } from './commands/decode.ts';
import { addDoctorCommand } from './commands/doctor.ts';
import { addExportCommand } from './commands/export.ts';
import { addFindCommand } from './commands/find.ts';
import { addImportCommand } from './commands/import.ts';
import { addImportHarnessCommand } from './commands/import-harness.ts';
import { addImportTableCommand } from './commands/import-table.ts';
import { addPullsCommand } from './commands/pulls.ts';
import { addRepairCommand } from './commands/repair.ts';
import { addReportCommand } from './commands/report.ts';
import { addRereadCommand } from './commands/reread.ts';
import { addServeCommand } from './commands/serve.ts';
import { addSimulateCommand } from './commands/simulate.ts';
import { addStudyCommand } from './commands/study.ts';
import { addValidateCommand } from './commands/validate.ts';
import { EvenburnError } from './errors.ts';

/** Adds a command to the program. Its action imports what it needs when it runs, so that every other command starts quickly. */
type AddCommand = (program: Command) => void;

const commands: AddCommand[] = [
  addCheckCommand,
  addPullsCommand,
  addDecodeCommand,
  addServeCommand,
  addBackupCommand,
  addExportCommand,
  addFindCommand,
  addImportCommand,
  addImportTableCommand,
  addImportHarnessCommand,
  addRepairCommand,
  addReportCommand,
  addRereadCommand,
  addStudyCommand,
  addValidateCommand,
  addSimulateCommand,
  addDoctorCommand,
];

/**
 * Runs one command line (without `node` and script) and sets the exit code:
 * 0 done, 1 the answer is no, 2 usage, 3 input can't be read, 4 the machine refuses, 130 interrupted.
 */
export async function main(args: string[]): Promise<void> {
  process.stdout.on('error', (error: NodeJS.ErrnoException) => {
    // A reader that has seen enough (`| head`) is no error; a full disk is.
    if (error.code === 'EPIPE') process.exit(0);
    process.exit(
      exitCodeOf(new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path: 'standard output', why: error.code ?? error.message }, error)),
    );
  });
  writeWholeFile();
  const program = new Command('evenburn');
  program.description('Listens to a competition engine on its CAN bus, decodes, checks, records and shows.');
  program.exitOverride();
  for (const add of commands) add(program);
  try {
    await program.parseAsync(args, { from: 'user' });
  } catch (error) {
    process.exitCode = exitCodeOf(error);
  }
}

/**
 * Node writes standard output to a file with one call and takes a short write for a whole one: on a disk that fills up, the end of
 * the output would be missing and nothing said. Writing until all is there, or the disk refuses, makes it an error like any other.
 */
function writeWholeFile(): void {
  if (!fstatSync(process.stdout.fd).isFile()) return;
  process.stdout._write = (chunk, _encoding, done) => {
    try {
      writeFileSync(process.stdout.fd, chunk);
      done();
    } catch (error) {
      done(error as Error);
    }
  };
}

function exitCodeOf(error: unknown): number {
  if (error instanceof CommanderError) return error.exitCode === 0 ? 0 : 2;
  if (error instanceof AnswerIsNo) return 1;
  if (error instanceof EvenburnError) {
    // A vehicle folder's faults come first, each on a line of its own.
    if (error.details.problems) process.stderr.write(`${error.details.problems}\n`);
    process.stderr.write(`evenburn: ${error.message}. ${error.cure}\n`);
    return error.exitCode;
  }
  process.stderr.write(`evenburn: ${error instanceof Error ? (error.stack ?? error.message) : String(error)}\n`);
  return 4;
}
