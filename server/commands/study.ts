// `evenburn study SESSION...`: which cylinder differs, what could be the cause, which test decides, and what to try next.
import type { Command } from 'commander';
import type { Hold } from '../dyno/holds.ts';
import type { Study } from '../dyno/study.ts';
import { sessionNumber } from './session-number.ts';

export function addStudyCommand(program: Command): void {
  program
    .command('study')
    .description('distribution study over the steady holds of sessions, each read by the definitions of its day')
    .argument('<session...>', 'numbers of sessions, in the order in which they were run')
    .option('--json', 'print the result as JSON')
    .option('--data <dir>', 'folder of the sessions')
    .action(runStudy);
}

async function runStudy(texts: string[], options: { json?: boolean; data?: string }): Promise<void> {
  const { dataFolder } = await import('../settings.ts');
  const { collectSeries } = await import('../collect-series.ts');
  const { findPulls } = await import('../dyno/pulls.ts');
  const { readHolds } = await import('../dyno/holds.ts');
  const { studyDistribution } = await import('../dyno/study.ts');
  const { readSessionFrames, readSessionVehicle } = await import('../recording/session-frames.ts');
  const data = dataFolder(options.data);
  const holds: Hold[] = [];
  for (const session of texts.map(sessionNumber)) {
    const vehicle = readSessionVehicle(data, session);
    const series = await collectSeries(readSessionFrames(data, session, vehicle), vehicle);
    holds.push(...readHolds(session, series, vehicle, findPulls(series, vehicle).pulls));
  }
  const study = studyDistribution(holds);
  for (const { what, line } of study.notJudged) process.stderr.write(`evenburn: ${what} can not be judged. It could be with: ${line}\n`);
  process.stdout.write(options.json ? `${JSON.stringify(study)}\n` : toText(study));
}

function toText(study: Study): string {
  const lines = [`${study.holds.length} steady holds`, 'Cylinders:'];
  for (const { cylinder, differs, kelvin, candidates, test } of study.cylinders) {
    const level = kelvin === null ? 'no reading' : `${kelvin > 0 ? '+' : ''}${kelvin} K`;
    lines.push(`  ${cylinder}  ${level}  ${differs ? `differs. Could be: ${candidates.slice(0, 5).join('; ')}.` : 'like the others'}`);
    if (test) lines.push(`     test: ${test}`);
  }
  lines.push('Effects (90 % interval):');
  for (const { kind, subject, kelvin, low, high, separable } of study.effects) {
    lines.push(`  ${kind} ${subject}: ${separable ? `${kelvin} K (${low} to ${high})` : 'these sessions can not separate it'}`);
  }
  lines.push('Trials, the most telling first:');
  for (const trial of study.trials.slice(0, 8)) {
    lines.push(
      `  ${trial.kind}: ${trial.change}. Teaches ${(100 * trial.teaches).toFixed(0)} %, spread then ${trial.predictedSpread} K, moves ${trial.moves}`,
    );
  }
  return `${lines.join('\n')}\n`;
}
