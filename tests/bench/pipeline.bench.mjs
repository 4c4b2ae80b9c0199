// `npm run bench -- pipeline`: the whole pipeline at 8,500 frames a second of session time, beside the same C decoder alone.
import { Pipeline } from '../../dist/server/pipeline.js';
import { buildReference } from './decode-in-c.mjs';
import { benchFrames, benchVehicle } from './decode-layouts.mjs';
import { compareInterleaved } from './interleaved.mjs';

/** Ten seconds of session time: short passes are less often disturbed by what else the machine does, as the reference's are. */
const frames = 85_000;
const framesPerSecond = 8500;
/** As recorded files and old sessions give them, and as readers flush a live bus each 5 ms. */
const framesOfFile = 4096;
const framesOfReader = 43;
const framesPerCall = 4096;
const derivedChannels = 60;
const alarmCount = 40;
const passes = 8;

const at = { file: 'bench', line: 1, column: 1 };

/** Formulas as people write them: differences, ratios, limits by table, means, and some with a state. */
function formulaOf(i, signal) {
  const [a, b, c] = [signal(i), signal(i + 7), signal(i + 13)];
  return [
    `${a} - ${b}`,
    `${a} * 0.5 + ${b}`,
    `${a} - interpolate(floor, ${b})`,
    `max(${a}, ${b}, ${c})`,
    `if(${a} > ${b}, ${a} - ${b}, 0)`,
    `smooth(${a}, 0.2 s)`,
    `rate(${a}, 0.1 s)`,
    `(${a} + ${b} + ${c}) / 3`,
    `${a} / ${b}`,
    `abs(${a} - ${b}) + ${c}`,
  ][i % 10];
}

function alarmOf(i, signal) {
  const [a, b] = [signal(i * 3), signal(i * 5 + 1)];
  const timing = { armAfterUs: i % 4 === 0 ? 3_000_000 : 0, forUs: i % 2 === 0 ? 300_000 : 0 };
  const gate = i % 3 === 0 ? { while: `${b} > 10` } : {};
  const clear = i % 5 === 0 ? { clear: `${a} < 5000` } : {};
  const when = i % 4 === 3 ? `d${i} > 6000 and ${a} > 1000` : `${a} > 6000`;
  return { name: `alarm ${i}`, when, ...gate, ...clear, ...timing, severity: 'caution', latch: false, advice: '', at };
}

function pipelineVehicle() {
  const bench = benchVehicle(40);
  const names = bench.buses[0].frames.flatMap((frame) => frame.signals.map((signal) => signal.name));
  const signal = (i) => names[(i * 11) % names.length];
  return {
    ...bench,
    hash: 'bench',
    files: [],
    injectorSets: [],
    limits: { at },
    derived: Array.from({ length: derivedChannels }, (_, i) => ({ name: `d${i}`, formula: formulaOf(i, signal), unit: '', at })),
    tables: new Map([
      [
        'floor',
        [
          [0, 70],
          [3000, 200],
          [7000, 400],
        ],
      ],
    ]),
    alarms: Array.from({ length: alarmCount }, (_, i) => alarmOf(i, signal)),
  };
}

const vehicle = pipelineVehicle();
const batch = benchFrames(vehicle, frames);
for (let i = 0; i < frames; i++) batch.timeUs[i] = Math.floor((i * 1e6) / framesPerSecond);

/** Cuts the frames as they would come, outside of the measured time. */
function cut(framesPerBatch) {
  const batches = [];
  for (let from = 0; from < frames; from += framesPerBatch) {
    const one = new batch.constructor(framesPerBatch);
    for (let i = from; i < Math.min(frames, from + framesPerBatch); i++) one.pushFrom(batch, i);
    batches.push(one);
  }
  return batches;
}

/** One pipeline that runs for long, as in a server or over a session: each pass is its next ten seconds. */
function ourSide(framesPerBatch) {
  const batches = cut(framesPerBatch);
  const seen = { samples: 0, alarms: 0 };
  const pipeline = new Pipeline(vehicle, { samples: (out) => (seen.samples += out.count), alarm: () => seen.alarms++ });
  const pass = () => {
    const begun = process.hrtime.bigint();
    for (const one of batches) pipeline.take({ kind: 'frames', batch: one });
    const seconds = Number(process.hrtime.bigint() - begun) / 1e9;
    for (const one of batches) for (let i = 0; i < one.count; i++) one.timeUs[i] += (frames / framesPerSecond) * 1e6;
    return seconds;
  };
  const best = () => {
    let seconds = Number.POSITIVE_INFINITY;
    for (let i = 0; i < passes; i++) seconds = Math.min(seconds, pass());
    return frames / seconds;
  };
  return { pass, best, seen };
}

const reference = buildReference(vehicle, batch, framesPerCall);
const decoded = reference.run();
const seconds = frames / framesPerSecond;
for (const [framesPerBatch, whose, floor, goal] of [
  [framesOfFile, 'recorded', 0.1, 0.25],
  [framesOfReader, 'live', undefined, 0.25],
]) {
  const { pass, best, seen } = ourSide(framesPerBatch);
  pass();
  if (seen.samples <= decoded.samples) throw new Error('the pipeline gave fewer samples than the decoder alone');
  process.stdout.write(
    `${seen.samples} samples (${decoded.samples} of signals) and ${seen.alarms} alarm events in ${seconds} s of session time\n`,
  );
  const what = `${derivedChannels} derived channels, ${alarmCount} alarms, ${whose} frames in batches of ${framesPerBatch}`;
  compareInterleaved(`pipeline: ${what}, beside C decoding the same frames (gcc -O2)`, {
    ours: best,
    reference: () => frames / reference.run().seconds,
    floor,
    goal,
    unit: 'frames/s in C',
  });
  process.stdout.write(`  pipeline ${(best() / framesPerSecond).toFixed(0)} times real time\n`);
}
reference.remove();
