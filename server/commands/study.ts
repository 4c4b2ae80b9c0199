// `evenburn study SESSION...`: which cylinder differs, what could be the cause, which test decides, and what to try next.
import type { Command } from 'commander';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Hold } from '../dyno/holds.ts';
import type { Study } from '../dyno/study.ts';
import { EvenburnError } from '../errors.ts';
import { sessionNumber } from './session-number.ts';

export function addStudyCommand(program: Command): void {
  program
    .command('study')
    .description('distribution study over the steady holds of sessions, each read by the definitions of its day')
    .argument('<session...>', 'numbers of sessions, or recorded files, in the order in which they were run')
    .option('--vehicle <dir>', 'vehicle folder of recorded files; a session has its own')
    .option('--json', 'print the result as JSON')
    .option('--data <dir>', 'folder of the sessions')
    .action(runStudy);
}

async function runStudy(texts: string[], options: { json?: boolean; data?: string; vehicle?: string }): Promise<void> {
  const { dataFolder } = await import('../settings.ts');
  const { collectSeries } = await import('../collect-series.ts');
  const { findPulls } = await import('../dyno/pulls.ts');
  const { readHolds } = await import('../dyno/holds.ts');
  const { studyDistribution } = await import('../dyno/study.ts');
  const { recordedFrames } = await import('./recorded-input.ts');
  const data = dataFolder(options.data);
  const holds: Hold[] = [];
  for (const [i, text] of texts.entries()) {
    const isFile = !/^\d+$/.test(text);
    const vehicle = isFile ? await vehicleOfFile(text, options.vehicle) : await vehicleOfSession(data, sessionNumber(text));
    const series = await collectSeries(recordedFrames(text, vehicle, data), vehicle);
    // A file has no number: its place in the list stands for it.
    holds.push(...readHolds(isFile ? i + 1 : Number(text), series, vehicle, findPulls(series, vehicle).pulls));
  }
  const study = studyDistribution(holds);
  for (const { what, line } of study.notJudged) process.stderr.write(`evenburn: ${what} can not be judged. It could be with: ${line}\n`);
  process.stdout.write(options.json ? `${JSON.stringify(study)}\n` : toText(study));
}

async function vehicleOfSession(data: string, session: number): Promise<Vehicle> {
  const { readSessionVehicle } = await import('../recording/session-frames.ts');
  return readSessionVehicle(data, session);
}

async function vehicleOfFile(file: string, folder: string | undefined): Promise<Vehicle> {
  if (folder === undefined) throw new EvenburnError('USAGE_WRONG', { what: `'${file}' is a file: say its vehicle folder with --vehicle` });
  const { getVehicle } = await import('../definitions/load-vehicle.ts');
  return getVehicle(folder);
}

function toText(study: Study): string {
  const isOfSweeps = study.holds.some(({ kind }) => kind === 'sweep');
  const lines = [isOfSweeps ? `${study.holds.length} whole sweeps, no steady hold` : `${study.holds.length} steady holds`, 'Cylinders:'];
  for (const { cylinder, differs, kelvin, candidates, test } of study.cylinders) {
    const level = kelvin === null ? 'no reading' : `${kelvin > 0 ? '+' : ''}${kelvin} K`;
    lines.push(`  ${cylinder}  ${level}  ${differs ? `differs. Could be: ${candidates.slice(0, 5).join('; ')}.` : 'like the others'}`);
    if (test) lines.push(`     test: ${test}`);
  }
  lines.push('Effects (90 % interval):');
  for (const { kind, subject, kelvin, low, high, separable, verdict } of study.effects)
    if (separable) lines.push(`  ${kind} ${subject}: ${kelvin} K (${low} to ${high}), ${verdict}`);
  const open = study.effects.filter(({ separable }) => !separable);
  for (const kind of new Set(open.map((effect) => effect.kind))) {
    const subjects = open.flatMap((effect) => (effect.kind === kind ? [effect.subject] : []));
    lines.push(`  ${kind}: not separated by these sessions: ${subjects.join(', ')}`);
  }
  lines.push('Trials, the most telling first:');
  for (const trial of study.trials.slice(0, 8)) {
    lines.push(
      `  ${trial.kind}: ${trial.change}. Teaches ${(100 * trial.teaches).toFixed(0)} %, spread then ${trial.predictedSpread} K, moves ${trial.moves}`,
    );
  }
  return `${lines.join('\n')}\n`;
}
