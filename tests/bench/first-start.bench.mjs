// How well the checks from key-on to a running engine find what is wrong: every fault of the simulator's, and healthy engines, over seeds.
// `npm run bench -- first-start [--seeds 51-75] [--only TEXT]`: thresholds were set on seeds 1 to 50 (one fault of the probe check was found on 21 to 50), others are reported.
import { availableParallelism } from 'node:os';
import { isMainThread, parentPort, Worker, workerData } from 'node:worker_threads';
import { FrameBatch } from '../../dist/server/bus/frame-batch.js';
import { judgeRecording } from '../../dist/server/checks/judge-recording.js';
import { getVehicle } from '../../dist/server/definitions/load-vehicle.js';
import { parseScenario } from '../../dist/server/simulator/scenario-file.js';
import { Simulation } from '../../dist/server/simulator/simulator.js';

const folder = new URL('../../bus-definitions/garganey', import.meta.url).pathname;

const keyOn = [
  '{ stage: key_on, for: 5 s, pump: false }',
  ...['pump', 'fan', 'ignition', 'lights'].flatMap((load) => [`{ stage: switch, load: ${load} }`, '{ stage: rest, for: 3 s }']),
  '{ stage: throttle_sweep, for: 6 s }',
  '{ stage: rest, for: 2 s }',
  '{ stage: prime, for: 8 s }',
  '{ stage: rest, for: 3 s }',
];
const warmed = (what, seconds, rest) =>
  [1, 2, 3, 4, 5, 6].flatMap((n) => [`{ stage: ${what}, cylinder: ${n}, for: ${seconds} s }`, `{ stage: rest, for: ${rest} s }`]);
const probes = ['{ stage: key_on, for: 4 s, pump: false }', ...warmed('warm_probe', 14, 6), ...warmed('warm_connector', 10, 5)];
const start = [
  '{ stage: key_on, for: 4 s }',
  '{ stage: oil_crank, for: 7 s }',
  '{ stage: stop, for: 3 s }',
  '{ stage: start, for: 6 s }',
  '{ stage: idle, for: 12 s }',
  '{ stage: stop, for: 3 s }',
];
const loaded = start.map((stage) => (stage.includes('idle') ? '{ stage: hold, speed: 5000 rpm, load: 80 %, for: 12 s }' : stage));
const breakIn = start.map((stage) => (stage.includes('idle') ? '{ stage: hold, speed: 2000 rpm, load: 0 %, for: 12 s }' : stage));

const odd = (seed) => 1 + (seed % 6);
const row = (check, name, fault, named, more = {}) => ({ check, name, fault, named, from: 'cold', stages: stagesOf(check), ...more });
const stagesOf = (check) => ({ 'key-on': keyOn, probes, 'first-start': start })[check];
const is =
  (code, more = {}) =>
  (verdict) =>
    verdict.code === code && Object.entries(more).every(([key, value]) => verdict[key] === value);
const cylinder = (code) => (seed) => is(code, { cylinder: odd(seed) });

/** Faults: what is put in for a seed, and which verdict names it rightly. */
const cases = [
  row('key-on', 'open probe', (s) => `open_probe, cylinder: ${odd(s)}`, cylinder('probe-open')),
  row('key-on', 'reversed probe, warm engine', (s) => `reversed_probe, cylinder: ${odd(s)}`, cylinder('probe-reversed'), { from: 'warm' }),
  row('key-on', 'shorted probe, warm engine', (s) => `shorted_probe, cylinder: ${odd(s)}`, cylinder('probe-shorted'), { from: 'warm' }),
  row('key-on', 'probe 15 K off', (s) => `sensor_offset, channel: exhaust_temp_${odd(s)}, by: 15 K`, cylinder('probe-disagrees')),
  row(
    'key-on',
    'oil sensor 40 kPa off',
    () => 'sensor_offset, channel: oil_pressure, by: 40 kPa',
    () => is('zero-offset', { channel: 'oil_pressure' }),
  ),
  row(
    'key-on',
    'manifold sensor 4 kPa off',
    () => 'sensor_offset, channel: manifold_pressure, by: 4 kPa',
    () => is('zero-offset', { channel: 'manifold_pressure' }),
  ),
  row(
    'key-on',
    'rail sensor 60 kPa off',
    () => 'sensor_offset, channel: rail_pressure, by: 60 kPa',
    () => is('zero-offset', { channel: 'rail_pressure' }),
  ),
  row(
    'key-on',
    'throttle dead spot',
    () => 'throttle_dead_spot',
    () => is('throttle-range'),
  ),
  row(
    'key-on',
    '5 V supply shifts',
    () => 'supply_shift, group: sensor-5v',
    () => is('supply-shift', { group: 'sensor-5v' }),
  ),
  row(
    'key-on',
    'sensor ground shifts',
    () => 'supply_shift, group: sensor-ground',
    () => is('supply-shift', { group: 'sensor-ground' }),
  ),
  row(
    'key-on',
    'ground loop of the probes',
    () => 'ground_loop',
    () => is('supply-shift', { group: 'thermocouples' }),
  ),
  row(
    'key-on',
    'return blocked',
    () => 'return_blocked, set: port',
    () => is('prime', { set: 'port' }),
  ),
  row(
    'key-on',
    'no fuel',
    () => 'no_fuel',
    () => is('prime'),
  ),
  row(
    'probes',
    'swapped pair',
    (s) => `swapped_probes, cylinders: [${odd(s)}, ${odd(s + 2)}]`,
    (s) => is('probe-swapped', { cylinder: odd(s), found: odd(s + 2) }),
  ),
  row('probes', 'open probe', (s) => `open_probe, cylinder: ${odd(s)}`, cylinder('probe-dead')),
  row('probes', 'shorted probe', (s) => `shorted_probe, cylinder: ${odd(s)}`, cylinder('probe-dead')),
  row('probes', 'reversed probe', (s) => `reversed_probe, cylinder: ${odd(s)}`, cylinder('probe-reversed')),
  row('probes', 'extension crossed', (s) => `extension_crossed, cylinder: ${odd(s)}`, cylinder('extension-crossed')),
  row('probes', 'copper extension', (s) => `copper_extension, cylinder: ${odd(s)}`, cylinder('extension-crossed')),
  row('first-start', 'dead injector, cold', (s) => `dead_injector, cylinder: ${odd(s)}`, cylinder('cylinder-cold')),
  row('first-start', 'dead port injector, cold', (s) => `dead_injector, cylinder: ${odd(s)}, set: port`, cylinder('cylinder-cold')),
  row('first-start', 'misfire, cold', (s) => `misfire, cylinder: ${odd(s)}`, cylinder('cylinder-cold')),
  row('first-start', 'dead injector, hot restart', (s) => `dead_injector, cylinder: ${odd(s)}`, cylinder('cylinder-cold'), { from: 'hot' }),
  row('first-start', 'dead injector, break-in', (s) => `dead_injector, cylinder: ${odd(s)}`, cylinder('cylinder-cold'), {
    stages: breakIn,
  }),
  row('first-start', 'lazy injector', (s) => `lazy_injector, cylinder: ${odd(s)}`, cylinder('cylinder-lazy')),
  row(
    'first-start',
    'low oil pressure',
    () => 'low_oil_pressure',
    () => is('oil-pressure', { phase: 'running' }),
  ),
  row(
    'first-start',
    'pump fading, under load',
    () => 'pump_fading, capacity: 15 %',
    () => is('fuel-delta'),
    { stages: loaded },
  ),
  row(
    'first-start',
    'return blocked',
    () => 'return_blocked',
    () => is('fuel-delta'),
  ),
  row(
    'first-start',
    'no fuel',
    () => 'no_fuel',
    () => is('failed-crank', { reason: 'fuel pressure' }),
  ),
  row(
    'first-start',
    'no spark',
    () => 'no_spark',
    () => is('failed-crank', { reason: 'no fire' }),
  ),
  row(
    'first-start',
    'no sync',
    () => 'no_sync',
    () => is('failed-crank', { reason: 'sync' }),
  ),
  row(
    'first-start',
    'sync losses',
    () => 'sync_losses',
    () => is('sync-loss'),
  ),
  row(
    'first-start',
    'alternator off',
    () => 'alternator_off',
    () => is('charging'),
  ),
  row(
    'first-start',
    'weak battery',
    () => 'weak_battery',
    () => is('cranking-voltage'),
  ),
  row(
    'first-start',
    'brown-out of a device',
    () => 'brown_out, device: pressure-node, below: 11 V',
    () => is('bus-dropout', { device: 'pressure-node' }),
  ),
];
const healthy = [
  ...['cold', 'warm', 'hot'].map((from) => row('key-on', `healthy, ${from}`, undefined, undefined, { from })),
  ...['cold', 'warm'].map((from) => row('probes', `healthy, ${from}`, undefined, undefined, { from })),
  ...['cold', 'warm', 'hot'].map((from) => row('first-start', `healthy, ${from}`, undefined, undefined, { from })),
  row('first-start', 'healthy, break-in', undefined, undefined, { stages: breakIn }),
];
const rows = [...cases, ...healthy];

function* framesOf(simulation) {
  const batch = new FrameBatch(4096);
  for (let us = 1e6; us < simulation.lengthUs + 1e6; us += 1e6) {
    batch.clear();
    simulation.advance(Math.min(us, simulation.lengthUs), batch);
    yield batch;
  }
}

async function judge(vehicle, { check, fault, from, stages, named }, seed) {
  const faults = fault ? `faults:\n  - { fault: ${fault(seed)} }\n` : '';
  const text = `scenario: t\nseed: ${seed}\nstart: ${from}\nstages:\n${stages.map((stage) => `  - ${stage}\n`).join('')}${faults}`;
  const { scenario, problems } = parseScenario(text, 'bench.yaml', vehicle);
  if (!scenario || problems.length > 0) throw new Error(problems.map(({ say }) => say).join('; '));
  const result = await judgeRecording(check, framesOf(new Simulation(vehicle, scenario)), vehicle, {});
  const bad = result.verdicts.filter(({ ok }) => !ok);
  const found = named ? bad.find(named(seed)) : undefined;
  const firedAt = result.verdicts.find(({ code, ok }) => code === 'failed-crank' && ok)?.at;
  return {
    found: found !== undefined,
    afterS: found?.at === undefined || firedAt === undefined ? undefined : found.at - firedAt,
    others: bad
      .filter((verdict) => verdict !== found)
      .map((v) => `${v.code} ${v.cylinder ?? v.set ?? v.group ?? v.channel ?? v.device ?? ''}`.trim()),
  };
}

if (isMainThread) await main();
else {
  const vehicle = await getVehicle(folder);
  parentPort.on('message', async ({ index, seed }) =>
    parentPort.postMessage({ index, seed, ...(await judge(vehicle, rows[index], seed)) }),
  );
  parentPort.postMessage({ ready: workerData });
}

async function main() {
  const options = Object.fromEntries(
    process.argv.slice(2).flatMap((key, i, all) => (key.startsWith('--') ? [[key.slice(2), all[i + 1]]] : [])),
  );
  const [first, last] = (options.seeds ?? '51-56').split('-').map(Number);
  const chosen = rows.flatMap((entry, index) => (!options.only || `${entry.check} ${entry.name}`.includes(options.only) ? [index] : []));
  const jobs = chosen.flatMap((index) => Array.from({ length: last - first + 1 }, (_, i) => ({ index, seed: first + i })));
  const answers = new Map(chosen.map((index) => [index, []]));
  const began = performance.now();
  const workers = Math.min(availableParallelism(), 4);
  await Promise.all(
    Array.from({ length: workers }, (_, i) => {
      const worker = new Worker(new URL(import.meta.url), { workerData: i });
      return new Promise((resolve, reject) => {
        worker.on('error', reject);
        worker.on('message', (message) => {
          if (message.index !== undefined) answers.get(message.index).push(message);
          const job = jobs.shift();
          if (job) worker.postMessage(job);
          else resolve(worker.terminate());
        });
      });
    }),
  );
  print(answers, options.detail !== undefined);
  console.log(`\nseeds ${first} to ${last}, ${((performance.now() - began) / 1000).toFixed(0)} s; seconds count from when the engine runs`);
}

function print(answers, detailed) {
  console.log('| check | fault | found and rightly named / tried | seconds, median | worst | beside it |');
  console.log('| --- | --- | --- | --- | --- | --- |');
  let falseCalls = 0;
  let healthyRuns = 0;
  for (const [index, list] of answers) {
    const { check, name, named } = rows[index];
    const others = tally(list.flatMap((answer) => answer.others));
    const after = list.flatMap(({ afterS }) => afterS ?? []).sort((a, b) => a - b);
    const time = (value) => (value === undefined ? '' : value.toFixed(1));
    if (!named) {
      healthyRuns += list.length;
      falseCalls += list.filter((answer) => answer.others.length > 0).length;
    }
    const found = named ? `${list.filter((answer) => answer.found).length} / ${list.length}` : `none in ${list.length}`;
    console.log(`| ${check} | ${name} | ${found} | ${time(after[after.length >> 1])} | ${time(after.at(-1))} | ${others} |`);
    if (detailed)
      for (const { seed, found: hit, afterS, others: beside } of list)
        console.log(`    seed ${seed}: ${hit} ${time(afterS)} ${beside.join(', ')}`);
  }
  console.log(`\nfalse calls / healthy: ${falseCalls} / ${healthyRuns}`);
}

function tally(names) {
  const counts = new Map();
  for (const name of names) counts.set(name, (counts.get(name) ?? 0) + 1);
  return [...counts].map(([name, count]) => `${name} x${count}`).join(', ');
}
