// How surely pulls and holds are found: simulated sessions of many engines with throttle stabs, stalls, limiter, abandoned pulls, ramps at part
// throttle, coasting, idle, warm-up and break-in between the true ones.
// `npm run bench -- pulls [--sessions 100] [--first 1]`: all true ones, no false ones, and by how much their times are off.
import { availableParallelism } from 'node:os';
import { isMainThread, parentPort, Worker, workerData } from 'node:worker_threads';
import { FrameBatch } from '../../dist/server/bus/frame-batch.js';
import { collectSeries } from '../../dist/server/collect-series.js';
import { findPulls } from '../../dist/server/dyno/pulls.js';
import { parseScenario } from '../../dist/server/simulator/scenario-file.js';
import { Simulation } from '../../dist/server/simulator/simulator.js';
import { firstState, vehicleOf } from './dyno-engines.mjs';

/** How far a found end may lie from the driven one, s. */
const offMaxS = 1;

/** Seeded uniform numbers (mulberry32, public domain). */
function uniform(seed) {
  let state = (seed * 2654435761) >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

/** An engine and what is driven with it. */
function drive(seed) {
  const random = uniform(seed);
  const between = (low, high, step = 1) => low + step * Math.floor((random() * (high - low + step)) / step);
  const pick = (list) => list[Math.floor(random() * list.length)];
  const throttle = pick(['%', 'V', 'deg']);
  const manifold = pick([250, 250, 110, 0]);
  const limit = between(6000, 9000, 250);
  const state = firstState(pick([4, 6, 8, 12]));
  const cut = random() < 0.7;
  const vehicle = vehicleOf(state, { throttle, manifold, cut });
  const boost = manifold === 250 ? between(150, 220, 10) : undefined;
  const top = limit - between(200, 600, 50);
  const rate = between(150, 900, 50);
  const bottom = between(2000, 3200, 100);
  const rest = () =>
    pick([
      `cool_down, for: ${between(6, 15)} s`,
      `idle, for: ${between(5, 10)} s`,
      `cool_down, for: 8 s, speed: ${between(1500, 2800, 100)} rpm`,
    ]);
  const pull = `pull, from: ${bottom} rpm, to: ${top} rpm, rate: ${rate} rpm/s`;
  const filler = () =>
    pick([
      `stab, for: ${between(2, 5)} s`,
      `stab, for: 4 s, load: ${between(30, 90, 10)} %`,
      `ramp, for: ${between(5, 12)} s, from: 2000 rpm, to: ${between(4000, top - 200, 100)} rpm, load: ${between(20, 80, 5)} %`,
      `coast, for: ${between(3, 8)} s, from: ${between(3500, top, 100)} rpm, to: 1800 rpm`,
      `limiter, for: ${between(2, 5)} s`,
      `break_in, for: ${between(8, 25)} s, speed: ${between(1800, 3000, 100)} rpm`,
      `warm_up, for: ${between(8, 20)} s, speed: ${between(1500, 3500, 100)} rpm`,
      'idle, for: 12 s',
      'stall, for: 4 s',
    ]);
  const stages = ['key_on, for: 3 s', 'start, for: 6 s'];
  const add = (stage) => {
    stages.push(stage);
    if (stage.startsWith('stall')) stages.push('start, for: 6 s');
    stages.push(rest());
  };
  const truePulls = between(2, 4);
  for (let i = 0; i < truePulls; i++) {
    add(filler());
    if (random() < 0.6) add(`hold, for: ${between(7, 12)} s, speed: ${between(2600, top - 300, 100)} rpm, load: ${between(40, 90, 5)} %`);
    if (random() < 0.3)
      for (const share of [0.5, 0.65, 0.8]) stages.push(`hold, for: 7 s, speed: ${Math.round(limit * share)} rpm, load: 100 %`);
    add(filler());
    add(pull);
    if (random() < 0.4)
      add(
        `abandon, from: ${bottom} rpm, to: ${top} rpm, rate: ${rate} rpm/s, lift: ${Math.round(bottom + (top - bottom) * (0.45 + 0.3 * random()))} rpm`,
      );
  }
  const text = `scenario: evening\nseed: ${seed}\nstart: ${pick(['warm', 'hot'])}\nengine: { limit: ${limit} rpm, boost: ${boost === undefined ? 'none' : `${boost} kPa`} }\nstages:\n${stages.map((stage) => `  - { stage: ${stage} }\n`).join('')}`;
  const about = `${vehicle.engine.cylinders} cylinders, throttle in ${throttle}, manifold sensor ${manifold || 'none'}${cut ? '' : ', cut not said'}`;
  // The simulator writes per cent: what it is in volts or degrees is a matter of who reads the same bits.
  return { vehicle, simulated: vehicleOf(state, { manifold }), text, about };
}

/** What was driven, in seconds from the first frame. */
function drivenIn(scenario, firstS) {
  return scenario.stages.flatMap((stage) => {
    const { kind, fromS, toS, startRpm, endRpm, liftRpm, rateRpmPerS } = stage;
    if (kind === 'hold') return [{ kind: 'hold', from: fromS - firstS, to: toS - firstS, complete: true }];
    if (kind !== 'pull' && kind !== 'abandon') return [];
    const from = fromS + 2 - firstS;
    const top = kind === 'pull' ? endRpm : liftRpm;
    return [{ kind: 'sweep', from, to: from + (top - startRpm) / rateRpmPerS, complete: kind === 'pull' }];
  });
}

async function judge(seed) {
  const { vehicle, simulated, text, about } = drive(seed);
  const { scenario, problems } = parseScenario(text, 'bench.yaml', simulated);
  if (!scenario || problems.length > 0) throw new Error(problems.map(({ say }) => say).join('; '));
  const simulation = new Simulation(simulated, scenario);
  const frames = function* () {
    const batch = new FrameBatch(4096);
    for (let us = 1e6; us < simulation.lengthUs + 1e6; us += 1e6) {
      batch.clear();
      simulation.advance(Math.min(us, simulation.lengthUs), batch);
      yield batch;
    }
  };
  const series = await collectSeries(frames(), vehicle);
  const driven = drivenIn(scenario, series.startUs / 1e6);
  const found = findPulls(series, vehicle).pulls;
  const left = new Set(found);
  const missed = [];
  const offs = [];
  for (const truth of driven) {
    const match = [...left].find((pull) => pull.kind === truth.kind && isThe(pull, truth));
    if (!match) missed.push(truth);
    else {
      left.delete(match);
      if (truth.kind === 'sweep') offs.push(Math.abs(match.from - truth.from), Math.abs(match.to - truth.to));
      if (match.complete !== truth.complete) missed.push({ ...truth, said: `complete ${match.complete}` });
    }
  }
  const wrong = [...left].map((pull) => ({
    ...pull,
    in: scenario.stages.find(({ toS }) => toS - series.startUs / 1e6 > (pull.from + pull.to) / 2)?.kind,
  }));
  return { seed, about, driven: driven.length, missed, wrong, offs };
}

/** A sweep by both ends; a hold by lying inside of the driven one and covering most of it. */
function isThe(pull, truth) {
  if (truth.kind === 'sweep') return Math.abs(pull.from - truth.from) <= offMaxS && Math.abs(pull.to - truth.to) <= offMaxS;
  return pull.from >= truth.from - 0.5 && pull.to <= truth.to + 0.5 && pull.to - pull.from >= 0.55 * (truth.to - truth.from);
}

async function main() {
  const args = process.argv.slice(2);
  const options = Object.fromEntries(args.flatMap((name, i) => (name.startsWith('--') ? [[name.slice(2), Number(args[i + 1])]] : [])));
  const first = options.first ?? 1;
  const jobs = Array.from({ length: options.sessions ?? 100 }, (_, i) => first + i);
  const count = jobs.length;
  const began = performance.now();
  const results = await share(jobs);
  for (const { seed, about, missed, wrong } of results.sort((a, b) => a.seed - b.seed)) {
    for (const pull of missed) console.log(`session ${seed} (${about}): missed ${JSON.stringify(pull)}`);
    for (const pull of wrong) console.log(`session ${seed} (${about}): false ${JSON.stringify(pull)}`);
  }
  const total = (of) => results.reduce((sum, result) => sum + of(result), 0);
  const offs = results.flatMap((result) => result.offs).sort((a, b) => a - b);
  console.log(
    `${count} sessions, ${total(({ driven }) => driven)} pulls and holds driven: missed ${total(({ missed }) => missed.length)}, false ${total(({ wrong }) => wrong.length)}`,
  );
  console.log(
    `ends of sweeps are off by ${offs[offs.length >> 1]?.toFixed(2)} s (median), ${offs.at(-1)?.toFixed(2)} s (worst); ${((performance.now() - began) / 1000).toFixed(0)} s`,
  );
}

function share(jobs) {
  const results = [];
  return Promise.all(
    Array.from({ length: Math.min(availableParallelism(), 4) }, (_, i) => {
      const worker = new Worker(new URL(import.meta.url), { workerData: i });
      return new Promise((resolve, reject) => {
        worker.on('error', reject);
        worker.on('message', (message) => {
          if (message.seed !== undefined) results.push(message);
          const seed = jobs.shift();
          if (seed !== undefined) worker.postMessage(seed);
          else resolve(worker.terminate());
        });
      });
    }),
  ).then(() => results);
}

if (isMainThread) await main();
else {
  parentPort.on('message', async (seed) => parentPort.postMessage(await judge(seed)));
  parentPort.postMessage({ ready: workerData });
}
