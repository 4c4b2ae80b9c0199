// `evenburn validate DIR`: every fault of a vehicle folder with its place and what to do.
import type { Command } from 'commander';
import type { Problem, Vehicle } from '../definitions/vehicle.ts';
import { AnswerIsNo } from './answer.ts';

export function addValidateCommand(program: Command): void {
  program
    .command('validate')
    .argument('<dir>', 'vehicle folder')
    .description('check a vehicle folder: every fault with file:line:column; exit 1 when there are errors')
    .option('--recording <file>', 'a recorded file: also warns of signals that would run smoother in the other byte order')
    .action(validate);
}

async function validate(dir: string, { recording }: { recording?: string }): Promise<void> {
  const { loadVehicle } = await import('../definitions/load-vehicle.ts');
  const { toCaretLines, toProblemLine } = await import('../definitions/problem.ts');
  const { problems, files, vehicle } = await loadVehicle(dir);
  if (vehicle && recording !== undefined) problems.push(...(await findByteOrderDoubts(vehicle, recording)));
  const { writeSchemasBeside } = await import('../definitions/json-schemas.ts');
  if (files.length > 0) await writeSchemasBeside(dir);
  const texts = new Map(files.map((file) => [file.path, file.text]));
  for (const problem of problems) {
    const carets = process.stderr.isTTY ? `\n${toCaretLines(problem, texts.get(problem.file) ?? '')}` : '';
    process.stderr.write(`${toProblemLine(problem, dir)}${carets}\n`);
  }
  const errors = problems.filter((problem) => problem.severity === 'error').length;
  process.stdout.write(`${dir}: ${counted(errors, 'error')}, ${counted(problems.length - errors, 'warning')}\n`);
  if (errors > 0) throw new AnswerIsNo();
}

async function findByteOrderDoubts(vehicle: Vehicle, recording: string): Promise<Problem[]> {
  const { ByteOrderDoubts } = await import('../definitions/byte-order-doubts.ts');
  const { openRecordedFile } = await import('../exchange/recorded-file.ts');
  const doubts = new ByteOrderDoubts(vehicle);
  for await (const batch of openRecordedFile(recording, { buses: vehicle.buses })) doubts.take(batch);
  return doubts.findings();
}

function counted(count: number, what: string): string {
  return `${count === 0 ? 'no' : count} ${what}${count === 1 ? '' : 's'}`;
}
