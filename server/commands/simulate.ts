// `evenburn simulate SCENARIO --vehicle DIR -o FILE`: runs the simulator into a recorded file, as fast as it can.
import type { Writable } from 'node:stream';
import { type Command, InvalidArgumentError } from 'commander';

interface SimulateOptions {
  vehicle: string;
  output: string;
  seed?: number;
  seconds?: number;
}

/** Time of the scenario's start in the file, microseconds since 1970: fixed, so that the same scenario gives the same bytes. */
const fileStartUs = 1_700_000_000_000_000;
/** Simulated time between two writes. */
const turnUs = 2_000_000;

export function addSimulateCommand(program: Command): void {
  program
    .command('simulate')
    .description('run the simulator into a recorded file (text log; gzip when FILE ends in .gz)')
    .argument('<scenario>', 'scenario file, or the name of one that comes with the program, such as demo')
    .requiredOption('--vehicle <dir>', 'vehicle folder')
    .requiredOption('-o, --output <file>', 'file to write, - for standard output')
    .option('--seed <n>', "another seed than the scenario's", toNumber)
    .option('--seconds <n>', 'stop after so many simulated seconds; needed for a scenario that repeats for ever', toNumber)
    .action(simulate);
}

function toNumber(text: string): number {
  const number = Number(text);
  if (text.trim() === '' || !(number >= 0)) throw new InvalidArgumentError('a number of 0 or more is needed.');
  return number;
}

async function simulate(name: string, options: SimulateOptions): Promise<void> {
  const { EvenburnError } = await import('../errors.ts');
  const { getVehicle } = await import('../definitions/load-vehicle.ts');
  const { getScenario } = await import('../simulator/scenario-library.ts');
  const { Simulation } = await import('../simulator/simulator.ts');
  const vehicle = await getVehicle(options.vehicle);
  const found = await getScenario(name, vehicle);
  // One round of a scenario that repeats for ever is what a file holds, unless more is asked for.
  const rounds = options.seconds === undefined && found.rounds === Number.POSITIVE_INFINITY ? 1 : found.rounds;
  const scenario = { ...found, rounds, seed: options.seed ?? found.seed };
  const simulation = new Simulation(vehicle, scenario);
  const endUs = Math.min(simulation.lengthUs, (options.seconds ?? Number.POSITIVE_INFINITY) * 1e6);
  const refuse = (error: NodeJS.ErrnoException) => {
    throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path: options.output, why: error.code ?? error.message }, error);
  };
  const out = await openOutput(options.output).catch(refuse);
  const frames = await writeFrames(
    simulation,
    endUs,
    vehicle.buses.map((bus) => bus.interface ?? bus.name),
    out,
  ).catch(refuse);
  process.stderr.write(`${frames} frames of ${(endUs / 1e6).toFixed(1)} s in ${options.output}\n`);
}

async function writeFrames(
  simulation: import('../simulator/simulator.ts').Simulation,
  endUs: number,
  interfaces: string[],
  out: { stream: Writable; closed: Promise<void> },
): Promise<number> {
  const { FrameBatch } = await import('../bus/frame-batch.ts');
  const { toTextLog } = await import('../exchange/text-log-writer.ts');
  const batch = new FrameBatch(4096);
  let frames = 0;
  for (let toUs = 0; toUs < endUs; ) {
    toUs = Math.min(endUs, toUs + turnUs);
    batch.clear();
    simulation.advance(toUs, batch);
    for (let i = 0; i < batch.count; i++) batch.timeUs[i] = (batch.timeUs[i] as number) + fileStartUs;
    frames += batch.count;
    if (!out.stream.write(toTextLog(batch, interfaces)))
      await Promise.race([new Promise((resolve) => out.stream.once('drain', resolve)), out.closed]);
  }
  out.stream.end();
  await out.closed;
  return frames;
}

/** Opens the file and tells when all of it has been written. */
async function openOutput(path: string): Promise<{ stream: Writable; closed: Promise<void> }> {
  const { finished } = await import('node:stream/promises');
  if (path === '-') {
    const { PassThrough } = await import('node:stream');
    const stream = new PassThrough();
    stream.pipe(process.stdout, { end: false });
    return { stream, closed: finished(stream) };
  }
  const { open } = await import('node:fs/promises');
  const file = (await open(path, 'w')).createWriteStream();
  const closed = finished(file);
  if (!path.endsWith('.gz')) return { stream: file, closed };
  const { createGzip } = await import('node:zlib');
  const gzip = createGzip();
  gzip.pipe(file);
  return { stream: gzip, closed };
}
