// `evenburn pulls FILE|SESSION`: full-load sweeps and steady holds found in a recording.
import type { Command } from 'commander';
import type { SeriesSet } from '../channels/series.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Pull } from '../dyno/pulls.ts';
import { EvenburnError } from '../errors.ts';

export function addPullsCommand(program: Command): void {
  program
    .command('pulls')
    .description('find full-load sweeps and steady holds in a recording')
    .argument('<source>', 'a recorded file, or the number of a session')
    .option('--vehicle <dir>', 'vehicle folder; a session has its own')
    .option('--json', 'print the result as JSON')
    .option('--data <dir>', 'folder of the sessions')
    .action(runPulls);
}

async function runPulls(source: string, options: { vehicle?: string; json?: boolean; data?: string }): Promise<void> {
  const { collectSeries } = await import('../collect-series.ts');
  const { findPulls } = await import('../dyno/pulls.ts');
  const { recordedFrames } = await import('./recorded-input.ts');
  const { dataFolder } = await import('../settings.ts');
  const vehicle = await vehicleOf(source, options);
  const series = await collectSeries(recordedFrames(source, vehicle, dataFolder(options.data)), vehicle);
  const { pulls: found, notJudged } = findPulls(series, vehicle);
  const pulls = await asWrittenDown(source, found, series, vehicle, dataFolder(options.data));
  for (const { what, line } of notJudged) process.stderr.write(`evenburn: ${what} are not judged. They would be with: ${line}\n`);
  process.stdout.write(options.json ? `${JSON.stringify(pulls)}\n` : pulls.map(toLine).join(''));
}

/** The folder that was named, or else what a session was read by. */
async function vehicleOf(source: string, { vehicle, data }: { vehicle?: string; data?: string }): Promise<Vehicle> {
  const { dataFolder } = await import('../settings.ts');
  if (vehicle === undefined && /^\d+$/.test(source)) {
    const { readSessionVehicle } = await import('../recording/session-frames.ts');
    return readSessionVehicle(dataFolder(data), Number(source));
  }
  if (vehicle === undefined)
    throw new EvenburnError('USAGE_WRONG', { what: `'${source}' is a file: say its vehicle folder with --vehicle` });
  const { getVehicle } = await import('../definitions/load-vehicle.ts');
  return getVehicle(vehicle);
}

/** Numbered and named; a session's as people corrected them in its pages, a file's as they were found. */
async function asWrittenDown(source: string, found: Pull[], series: SeriesSet, vehicle: Vehicle, data: string): Promise<Pull[]> {
  const { correctPulls } = await import('../dyno/pull-corrections.ts');
  const { speedReader } = await import('../dyno/pulls.ts');
  const corrections = /^\d+$/.test(source) ? await correctionsOf(Number(source), vehicle, data) : [];
  // Where nothing is to be numbered there may be no engine speed to read either.
  if (found.length === 0 && corrections.length === 0) return [];
  return correctPulls(found, corrections, series.startUs, speedReader(series, vehicle)).map(({ byHand: _, ...pull }) => pull);
}

async function correctionsOf(session: number, vehicle: Vehicle, data: string) {
  const { LogBook } = await import('../recording/log-book.ts');
  const { readDynoNotes } = await import('../recording/dyno-notes.ts');
  return readDynoNotes(await new LogBook(data).list(vehicle.name), session, vehicle).corrections;
}

function toLine(pull: Pull): string {
  const kind = pull.kind === 'sweep' && !pull.complete ? 'sweep, lifted' : pull.kind;
  return `${pull.from.toFixed(2)} to ${pull.to.toFixed(2)} s  ${kind}  ${pull.speedFrom} to ${pull.speedTo} rpm\n`;
}
