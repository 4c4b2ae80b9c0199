// `evenburn check NAME FILE|SESSION`: a check judged on a recording.
import { Argument, type Command } from 'commander';
import type { JudgedCheck } from '../checks/verdict.ts';
import { EvenburnError } from '../errors.ts';
import { AnswerIsNo } from './answer.ts';

interface CheckOptions {
  vehicle: string;
  json?: boolean;
  data?: string;
  order?: number[];
}

export function addCheckCommand(program: Command): void {
  program
    .command('check')
    .description('judge a recording: exit 1 when a verdict fails')
    .addArgument(new Argument('<name>', 'which check').choices(['bus', 'key-on', 'probes', 'first-start']))
    .argument('<source>', 'a recorded file, or the number of a session')
    .requiredOption('--vehicle <dir>', 'vehicle folder')
    .option('--json', 'print the result as JSON')
    .option('--data <dir>', 'folder of the sessions')
    .option('--order <cylinders>', 'probes: the order in which they were warmed, e.g. 3,1,2', toOrder)
    .action(runCheck);
}

function toOrder(text: string): number[] {
  return text.split(',').map((part) => Number(part.trim()));
}

/** A slip of the pen must not judge fewer probes in silence. */
function checkOrder(order: readonly number[], cylinders: number): void {
  const isCylinder = (n: number) => Number.isInteger(n) && n >= 1 && n <= cylinders;
  if (order.every((n, i) => isCylinder(n) && order.indexOf(n) === i)) return;
  throw new EvenburnError('USAGE_WRONG', { what: `--order names cylinders of this engine, 1 to ${cylinders}, each once, like 3,1,2` });
}

async function runCheck(name: JudgedCheck, source: string, options: CheckOptions): Promise<void> {
  const { getVehicle } = await import('../definitions/load-vehicle.ts');
  const { judgeRecording } = await import('../checks/judge-recording.ts');
  const { toCheckText } = await import('../checks/check-text.ts');
  const { recordedFrames } = await import('./recorded-input.ts');
  const { dataFolder } = await import('../settings.ts');
  const vehicle = await getVehicle(options.vehicle);
  if (options.order) checkOrder(options.order, vehicle.engine?.cylinders ?? 0);
  const frames = recordedFrames(source, vehicle, dataFolder(options.data));
  const result = await judgeRecording(name, frames, vehicle, options.order ? { order: options.order } : {});
  process.stdout.write(options.json ? `${JSON.stringify(result)}\n` : toCheckText(result));
  if (result.verdicts.some((verdict) => !verdict.ok)) throw new AnswerIsNo();
}
