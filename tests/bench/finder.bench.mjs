// A recording of 100,000 frames with 60 ids searched for one signal: `npm run bench -- finder`. Goal: under 5 s of CPU on one core.
import { FrameBatch } from '../../dist/server/bus/frame-batch.js';
import { FrameColumns } from '../../dist/server/finder/frame-columns.js';
import { findSignal } from '../../dist/server/finder/signal-finder.js';
import { stimulusDuring, stimulusLike } from '../../dist/server/finder/stimulus.js';

const frames = 100_000;
const ids = 60;
const rounds = 5;
const goalS = 5;
const wantedId = 0x117;

let state = 1;
function random() {
  state = (Math.imul(state, 1103515245) + 12345) >>> 0;
  return state / 2 ** 32;
}

/** Walks, counters, noise, and in one id, bytes 2 and 3 big-endian, the signal that is looked for. */
function record() {
  const batch = new FrameBatch(frames, frames * 8);
  const walks = Array.from({ length: ids }, () => [random() * 60000, random() * 60000, random() * 60000]);
  const bytes = new Uint8Array(8);
  for (let n = 0; n < frames; n++) {
    const k = n % ids;
    const walk = walks[k];
    for (let w = 0; w < 3; w++) {
      walk[w] = Math.min(65535, Math.max(0, walk[w] + (random() - 0.5) * 200));
      bytes[w * 2] = walk[w] >> 8;
      bytes[w * 2 + 1] = walk[w] & 255;
    }
    bytes[6] = (n / ids) & 255;
    bytes[7] = random() * 256;
    const timeUs = n * 600;
    if (0x100 + k === wantedId) {
      const raw = Math.round(20000 + 15000 * follows(timeUs));
      bytes[2] = raw >> 8;
      bytes[3] = raw & 255;
    }
    batch.push(timeUs, 0, 0x100 + k, 0, bytes, 0, 8);
  }
  return batch;
}

function follows(timeUs) {
  return 0.7 * Math.sin(timeUs / 3.1e6) + 0.3 * Math.sin(timeUs / 0.7e6);
}

function known() {
  const count = 3000;
  const timeUs = Float64Array.from({ length: count }, (_, i) => 7000 + i * 20_000);
  return { channel: 'known', unit: '', timeUs, value: timeUs.map(follows), quality: new Uint8Array(count) };
}

const columns = new FrameColumns();
columns.take(record());
const stimuli = {
  'like a channel': stimulusLike(known()),
  'during stretches': stimulusDuring([
    { fromUs: 10e6, toUs: 20e6 },
    { fromUs: 35e6, toUs: 45e6 },
  ]),
};
let worst = 0;
for (const [name, stimulus] of Object.entries(stimuli)) {
  const seconds = [];
  let search;
  for (let round = 0; round < rounds; round++) {
    const before = process.cpuUsage();
    search = findSignal(columns, stimulus);
    const { user, system } = process.cpuUsage(before);
    seconds.push((user + system) / 1e6);
  }
  seconds.sort((a, b) => a - b);
  const median = seconds[rounds >> 1];
  worst = Math.max(worst, median);
  const perSecond = (search.frames * (search.candidates / search.ids)) / median;
  const [first] = search.findings;
  const found =
    name === 'like a channel'
      ? `, found ${first?.id === wantedId && first.startBit === 23 && first.bitLength === 16 ? 'the right one' : 'WRONG'}`
      : '';
  process.stdout.write(
    `${name}: ${search.frames} frames × ${search.candidates / search.ids} candidates an id, CPU median ${median.toFixed(2)} s, worst ${seconds.at(-1).toFixed(2)} s (goal ${goalS} s), ${(perSecond / 1e6).toFixed(0)} million frames × candidates per second${found}\n`,
  );
  if (found.includes('WRONG')) process.exitCode = 1;
}
if (worst > goalS) process.exitCode = 1;
