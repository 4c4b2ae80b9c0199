// How soon the wiggle test tells: from the moment a frame was due (or an error frame came) to the event at a listener, through the real worker.
// `npm run bench -- wiggle [--trials 60]`: the goal is 50 ms. Frames are fed in real time, every 5 ms, as readers hand them over.
import { FrameBatch, frameFlag } from '../../dist/server/bus/frame-batch.js';
import { parseVehicle } from '../../dist/server/definitions/load-vehicle.js';
import { LiveChecks } from '../../dist/server/live/live-checks.js';

const goalMs = 50;
const tickMs = 5;
const periodsMs = [10, 20, 50, 100, 150];
const trials = Number(process.argv[process.argv.indexOf('--trials') + 1] || 60) || 60;

const devices = periodsMs.map((ms) => ({
  path: `devices/d${ms}.yaml`,
  text: `device: d${ms}\ntitle: Every ${ms} ms\nframes:\n  - name: f${ms}\n    id: ${0x100 + ms}\n    length: 2\n    period: ${ms} ms\n    counter: c${ms}\n    signals: [{ name: c${ms}, bytes: 0 }]\n`,
}));
const names = periodsMs.map((ms) => `d${ms}`);
const { vehicle } = parseVehicle([
  { path: 'vehicle.yaml', text: `vehicle: Bench\nbuses: { main: { bit_rate: 500 kbit/s, devices: [${names.join(', ')}] } }\n` },
  ...devices,
]);

const began = performance.now();
const nowUs = () => Math.round((performance.now() - began) * 1000);
const live = new LiveChecks({ vehicle, timeUs: nowUs, wallMs: () => Date.now() });
const heard = [];
live.listen((view) => {
  const atUs = nowUs();
  for (const event of view.events) heard.push({ ...event, atUs });
});
live.startWatch([]);

/** Frames are due on their grids; one device is silent, or loses one number of its counter, for a while in each trial. */
const state = periodsMs.map((ms) => ({ ms, nextUs: 1000 * ms, count: 0, silentUntilUs: 0 }));
const causes = [];
let nextTrialUs = 1_500_000;
let trial = 0;

function tick(untilUs) {
  const batch = new FrameBatch(256);
  const pushed = [];
  for (const one of state) {
    for (; one.nextUs <= untilUs; one.nextUs += 1000 * one.ms) {
      one.count++;
      if (one.nextUs >= one.silentUntilUs) pushed.push([one.nextUs, 0x100 + one.ms, 0, [one.count & 255, 0]]);
    }
  }
  if (untilUs >= nextTrialUs && trial < trials) pushed.push(...cause(untilUs));
  pushed.sort((a, b) => a[0] - b[0]);
  for (const [timeUs, id, flags, bytes] of pushed) batch.push(timeUs, 0, id, flags, Uint8Array.from(bytes), 0, bytes.length);
  if (batch.count > 0) live.take({ kind: 'frames', batch });
  live.take({ kind: 'mark', timeUs: untilUs });
}

function cause(untilUs) {
  const what = ['gap', 'error', 'counter'][trial % 3];
  const one = state[Math.floor(trial / 3) % state.length];
  trial++;
  nextTrialUs = untilUs + 700_000;
  if (what === 'error') {
    causes.push({ what, dueUs: untilUs });
    return [[untilUs, 0x08, frameFlag.error, [0, 0, 4, 0x0a, 0, 0, 0, 1]]];
  }
  if (what === 'counter') {
    one.count++;
    causes.push({ what, dueUs: one.nextUs, device: `d${one.ms}` });
  } else {
    causes.push({ what, dueUs: one.nextUs, device: `d${one.ms}` });
    one.silentUntilUs = one.nextUs + 300_000;
  }
  return [];
}

const timer = setInterval(() => {
  tick(nowUs());
  if (trial < trials || nowUs() < nextTrialUs + 300_000) return;
  clearInterval(timer);
  report();
  void live.close();
}, tickMs);

function report() {
  console.log('| what | told / caused | ms after it was due, median | worst | goal |');
  console.log('| --- | --- | --- | --- | --- |');
  for (const what of ['gap', 'error', 'counter']) {
    const own = causes.filter((one) => one.what === what);
    const delays = own.flatMap(({ dueUs, device }) => {
      const event = heard.find(
        (one) => one.kind === what && one.atUs >= dueUs && one.atUs < dueUs + 500_000 && (device === undefined || one.device === device),
      );
      return event ? [(event.atUs - dueUs) / 1000] : [];
    });
    delays.sort((a, b) => a - b);
    console.log(
      `| ${what} | ${delays.length} / ${own.length} | ${delays[delays.length >> 1]?.toFixed(1)} | ${delays.at(-1)?.toFixed(1)} | ${goalMs} |`,
    );
  }
  console.log(`\nperiods ${periodsMs.join(', ')} ms, frames handed over every ${tickMs} ms`);
}
