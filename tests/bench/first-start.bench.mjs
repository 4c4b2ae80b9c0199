// How well the checks from key-on to a running engine find what is wrong: every fault of the simulator's, and healthy engines, over seeds.
// `npm run bench -- first-start [--full] [--seeds 51-75] [--only TEXT]`: thresholds were set on seeds 1 to 50, others are reported. `--full` takes 30
// seeds of each fault and 100 of each healthy start.
import { availableParallelism } from 'node:os';
import { isMainThread, parentPort, Worker, workerData } from 'node:worker_threads';
import { FrameBatch } from '../../dist/server/bus/frame-batch.js';
import { GatheredCheck } from '../../dist/server/checks/gathered-check.js';
import { getVehicle } from '../../dist/server/definitions/load-vehicle.js';
import { parseScenario } from '../../dist/server/simulator/scenario-file.js';
import { Simulation } from '../../dist/server/simulator/simulator.js';
import { startEngine } from './start-engines.mjs';

const folder = new URL('../../bus-definitions/garganey', import.meta.url).pathname;

const keyOn = [
  '{ stage: key_on, for: 5 s, pump: false }',
  ...['pump', 'fan', 'ignition', 'lights'].flatMap((load) => [`{ stage: switch, load: ${load} }`, '{ stage: rest, for: 3 s }']),
  '{ stage: throttle_sweep, for: 6 s }',
  '{ stage: rest, for: 2 s }',
  '{ stage: prime, for: 8 s }',
  '{ stage: rest, for: 3 s }',
];
const warmed = (what, seconds, rest, cylinders) =>
  cylinders.flatMap((n) => [`{ stage: ${what}, cylinder: ${n}, for: ${seconds} s }`, `{ stage: rest, for: ${rest} s }`]);
const probesOf = (cylinders) => [
  '{ stage: key_on, for: 4 s, pump: false }',
  ...warmed('warm_probe', 14, 6, cylinders),
  ...warmed('warm_connector', 10, 5, cylinders),
];
const probes = probesOf([1, 2, 3, 4, 5, 6]);
const start = [
  '{ stage: key_on, for: 4 s }',
  '{ stage: oil_crank, for: 7 s }',
  '{ stage: stop, for: 3 s }',
  '{ stage: start, for: 6 s }',
  '{ stage: idle, for: 12 s }',
  '{ stage: stop, for: 3 s }',
];
const loaded = start.map((stage) => (stage.includes('idle') ? '{ stage: hold, speed: 5000 rpm, load: 80 %, for: 12 s }' : stage));
const shut = start.flatMap((stage) =>
  stage.includes('idle') ? ['{ stage: idle, for: 4 s }', '{ stage: hold, speed: 2000 rpm, load: 0 %, for: 6 s }', stage] : [stage],
);
const breakIn = start.map((stage) => (stage.includes('idle') ? '{ stage: break_in, speed: 2000 rpm, for: 12 s }' : stage));

const odd = (seed) => 1 + (seed % 6);

/** 1 to 16 cylinders by seed; a cylinder of it that has a probe. */
const range = (count) => Array.from({ length: count }, (_, i) => i + 1);
const cylindersOf = (seed, least = 1) => least + (seed % (17 - least));
const anyOf = (seed, least = 2) => 1 + ((seed * 7) % cylindersOf(seed, least));
const engineOf =
  (least = 1) =>
  (seed) => ({ cylinders: cylindersOf(seed, least) });
/** Two of its probes are missing. */
const missingOf = (seed) => {
  const cylinders = cylindersOf(seed, 5);
  return { cylinders, withoutProbe: [1 + (seed % cylinders), 1 + ((seed + 2) % cylinders)] };
};
const probedOf = (seed) => {
  const { cylinders, withoutProbe } = missingOf(seed);
  const left = range(cylinders).filter((n) => !withoutProbe.includes(n));
  return left[(seed * 3) % left.length];
};
const lithium = () => ({ cylinders: 6, electrical: '{ nominal: 12 V, charging: true, chemistry: lithium }' });
const sharedManifold = 'engine: { shared_manifold: 40 % }\n';
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
  row(
    'probes',
    'swapped pair, 2 to 16 cylinders',
    (s) => `swapped_probes, cylinders: [${anyOf(s)}, ${1 + (anyOf(s) % cylindersOf(s, 2))}]`,
    (s) => is('probe-swapped', { cylinder: anyOf(s), found: 1 + (anyOf(s) % cylindersOf(s, 2)) }),
    { engine: engineOf(2), stages: (s) => probesOf(range(cylindersOf(s, 2))) },
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
  row(
    'first-start',
    'dead injector, 2 to 16 cylinders',
    (s) => `dead_injector, cylinder: ${anyOf(s)}`,
    (s) => is('cylinder-cold', { cylinder: anyOf(s) }),
    {
      engine: engineOf(2),
    },
  ),
  row(
    'first-start',
    'dead injector, 2 to 16 cylinders, hot restart',
    (s) => `dead_injector, cylinder: ${anyOf(s)}`,
    (s) => is('cylinder-cold', { cylinder: anyOf(s) }),
    { engine: engineOf(2), from: 'hot' },
  ),
  row(
    'first-start',
    'dead injector, probes missing',
    (s) => `dead_injector, cylinder: ${probedOf(s)}`,
    (s) => is('cylinder-cold', { cylinder: probedOf(s) }),
    { engine: missingOf },
  ),
  row('first-start', 'dead injector, shared manifold', (s) => `dead_injector, cylinder: ${odd(s)}`, cylinder('cylinder-cold'), {
    more: sharedManifold,
  }),
  row('first-start', 'lazy injector', (s) => `lazy_injector, cylinder: ${odd(s)}`, cylinder('cylinder-lazy')),
  row('first-start', 'reversed probe', (s) => `reversed_probe, cylinder: ${odd(s)}`, cylinder('probe-reversed')),
  row(
    'first-start',
    'reversed probe, hot restart, 2 to 16 cylinders',
    (s) => `reversed_probe, cylinder: ${anyOf(s)}`,
    (s) => is('probe-reversed', { cylinder: anyOf(s) }),
    { engine: engineOf(2), from: 'hot' },
  ),
  row(
    'first-start',
    'reference hose off, under load',
    () => 'reference_hose_off',
    () => is('fuel-delta'),
    { stages: loaded },
  ),
  row(
    'first-start',
    'low oil pressure',
    () => 'low_oil_pressure',
    () => is('oil-pressure', { phase: 'running' }),
    { deadlineS: 3 },
  ),
  row(
    'first-start',
    'low oil pressure, 1 to 16 cylinders',
    () => 'low_oil_pressure',
    () => is('oil-pressure', { phase: 'running' }),
    { deadlineS: 3, engine: engineOf() },
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
  row('first-start', 'healthy, 1 to 16 cylinders, throttle shut with the fuel cut', undefined, undefined, {
    engine: engineOf(),
    stages: shut,
  }),
  row('first-start', 'healthy, shared manifold', undefined, undefined, { more: sharedManifold }),
  row('first-start', 'healthy, shared manifold, hot', undefined, undefined, { more: sharedManifold, from: 'hot' }),
  row('key-on', 'healthy, lithium battery', undefined, undefined, { engine: lithium }),
  row('first-start', 'healthy, lithium battery', undefined, undefined, { engine: lithium }),
  ...['cold', 'hot'].map((from) =>
    row('first-start', `healthy, 1 to 16 cylinders, ${from}`, undefined, undefined, { engine: engineOf(), from }),
  ),
  row('first-start', 'healthy, 1 to 16 cylinders, break-in', undefined, undefined, { engine: engineOf(), stages: breakIn }),
  row('first-start', 'healthy, probes missing', undefined, undefined, { engine: missingOf }),
  row('probes', 'healthy, 1 to 16 cylinders', undefined, undefined, { engine: engineOf(), stages: (s) => probesOf(range(cylindersOf(s))) }),
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

/** Seconds between two looks at a growing recording, where the moment of a call is measured. */
const lookS = 0.05;

async function judge(demo, { check, fault, from, stages, named, engine, more = '', deadlineS }, seed) {
  const vehicle = engine ? startEngine(engine(seed)) : demo;
  const faults = fault ? `faults:\n  - { fault: ${fault(seed)} }\n` : '';
  const list = typeof stages === 'function' ? stages(seed) : stages;
  const text = `scenario: t\nseed: ${seed}\nstart: ${from}\n${more}stages:\n${list.map((stage) => `  - ${stage}\n`).join('')}${faults}`;
  const { scenario, problems } = parseScenario(text, 'bench.yaml', vehicle);
  if (!scenario || problems.length > 0) throw new Error(problems.map(({ say }) => say).join('; '));
  const play = () => new Simulation(vehicle, scenario);
  const gathered = new GatheredCheck(check, vehicle);
  let startUs;
  for (const batch of framesOf(play())) {
    startUs ??= batch.timeUs[0];
    gathered.take(batch);
  }
  gathered.finish();
  const result = gathered.judge();
  const bad = result.verdicts.filter(({ ok }) => !ok);
  const found = named ? bad.find(named(seed)) : undefined;
  const firedAt = result.verdicts.find(({ code, ok }) => code === 'failed-crank' && ok)?.at;
  const fromS = firedAt === undefined ? undefined : firedAt + (deadlineS ?? 0);
  const saidAt =
    found && fromS !== undefined && check === 'first-start'
      ? firstSaid(play(), new GatheredCheck(check, vehicle), named(seed), startUs, fromS)
      : undefined;
  return {
    found: found !== undefined,
    afterS: saidAt === undefined ? undefined : saidAt - fromS,
    others: bad
      .filter((verdict) => verdict !== found)
      .map((v) => `${v.code} ${v.cylinder ?? v.set ?? v.group ?? v.channel ?? v.device ?? ''}`.trim()),
  };
}

/** Seconds from the first frame at which a recording that grows has the verdict for the first time, looked at from `fromS` on. */
function firstSaid(simulation, growing, isIt, startUs, fromS) {
  const batch = new FrameBatch(4096);
  for (let s = fromS; startUs + s * 1e6 < simulation.lengthUs + lookS * 1e6; s += lookS) {
    batch.clear();
    const untilUs = Math.min(startUs + s * 1e6, simulation.lengthUs);
    simulation.advance(untilUs, batch);
    growing.take(batch);
    growing.pass(untilUs);
    if (growing.judge().verdicts.some((verdict) => !verdict.ok && isIt(verdict))) return s;
  }
  return undefined;
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
  const isFull = process.argv.includes('--full');
  const seedsOf = (entry) => {
    const [first, last] = (options.seeds ?? (isFull ? (entry.named ? '51-80' : '51-150') : '51-56')).split('-').map(Number);
    return range(last - first + 1).map((n) => first + n - 1);
  };
  const chosen = rows.flatMap((entry, index) => (!options.only || `${entry.check} ${entry.name}`.includes(options.only) ? [index] : []));
  const jobs = chosen.flatMap((index) => seedsOf(rows[index]).map((seed) => ({ index, seed })));
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
  const took = ((performance.now() - began) / 1000).toFixed(0);
  console.log(
    `\nseeds ${options.seeds ?? (isFull ? '51-80, healthy 51-150' : '51-56')}, ${took} s; seconds until a growing recording says it, looked at`,
  );
  console.log(`every ${lookS} s: from when the engine runs, for oil pressure from its deadline. What was said before counts as 0.`);
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
