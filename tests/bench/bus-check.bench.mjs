// How well the bus check finds what is wrong with the wiring: every wiring fault of the simulator, and healthy buses, over seeds.
// `npm run bench -- bus-check [--seeds 21-120] [--on demo|random] [--only TEXT] [--detail yes]`: thresholds were set on seeds 1 to 20.
import { availableParallelism } from 'node:os';
import { isMainThread, parentPort, Worker } from 'node:worker_threads';
import { FrameBatch } from '../../dist/server/bus/frame-batch.js';
import { GatheredCheck } from '../../dist/server/checks/gathered-check.js';
import { getVehicle, parseVehicle } from '../../dist/server/definitions/load-vehicle.js';
import { parseScenario } from '../../dist/server/simulator/scenario-file.js';
import { Simulation } from '../../dist/server/simulator/simulator.js';
import { pick, randomFrom, randomVehicleFiles, shuffled } from './random-bus-vehicle.mjs';

const folder = new URL('../../bus-definitions/garganey', import.meta.url).pathname;
/** A fault that begins under way begins here; it is to be found within so many seconds of bus time from there. */
const underWayS = 10;
const withinS = 30;
const stepS = 2.5;
const healthyRuns = 50;
const titles = { demo: 'the demo vehicle', random: 'vehicles drawn at random' };

const places = {
  demo: '{ stage: key_on, for: 4 s }\n  - { stage: start, for: 6 s }\n  - { stage: hold, for: 30 s, speed: 3200 rpm, load: 40 % }',
  random: '{ stage: key_on, for: 40 s }',
};

const is = (code, more = {}) => ({ code, more });
const isOf = (verdict, { code, more }) => verdict.code === code && Object.entries(more).every(([key, value]) => verdict[key] === value);

/** What a seed chooses from on a vehicle. */
function aimOf(vehicle, random) {
  const periodic = (frame) => frame.periodUs !== undefined;
  const bus = pick(random, vehicle.buses);
  const device = pick(random, shuffled(random, bus.devices));
  const cuts = cutsOf(bus);
  const spoken = bus.frames.filter(periodic);
  return {
    bus,
    device,
    frame: pick(random, spoken),
    counted: pick(
      random,
      vehicle.buses.flatMap((one) => one.frames).filter((frame) => periodic(frame) && frame.counter),
    ),
    moving: pick(
      random,
      spoken.filter(({ periodUs }) => periodUs <= 200_000),
    ),
    cut: pick(random, cuts),
    cuts: shuffled(random, cuts),
    unknown: freeId(bus, random),
  };
}

/** Stretches of the trunk that hide at least one device, counted here by hand: everything on the far side of the listener. */
function cutsOf(bus) {
  const { trunk } = bus;
  const listener = Math.max(
    0,
    trunk.findIndex(({ kind }) => kind === 'listener'),
  );
  return trunk.slice(1).flatMap((item, i) => {
    const far = i + 1 <= listener ? trunk.slice(0, i + 1) : trunk.slice(i + 1);
    const hides = far.flatMap(({ kind, name }) => (kind === 'device' ? [name] : []));
    return hides.length > 0 ? [{ stretch: `${trunk[i].name} - ${item.name}`, hides }] : [];
  });
}

function freeId(bus, random) {
  for (;;) {
    const id = 0x080 + Math.floor(random() * 0x600);
    if (!bus.frames.some((frame) => frame.id === id)) return id;
  }
}

const hex = (id) => `0x${id.toString(16).toUpperCase().padStart(3, '0')}`;
const later = `, from: ${underWayS} s`;
const framesOfDevice = ({ device }) => device.frames.filter(({ periodUs }) => periodUs !== undefined).map(({ name }) => name);
const missing = (names) => names.map((device) => is('device-missing', { device }));

/** name, fault, what must be said (all of it), what may be said beside it as part of the same story. */
const cases = [
  ['device silent from the start', (a) => `device_silent, device: ${a.device.name}`, (a) => missing([a.device.name])],
  ['device falls silent', (a) => `device_silent, device: ${a.device.name}${later}`, (a) => missing([a.device.name])],
  [
    'device late',
    (a) => `device_late, device: ${a.device.name}`,
    (a) => framesOfDevice(a).map((frame) => is('frame-late', { frame, device: a.device.name })),
  ],
  ['device restarting', (a) => `device_restarting, device: ${a.device.name}`, (a) => [is('device-restarts', { device: a.device.name })]],
  ['frame never sent', (a) => `frame_silent, frame: ${a.frame.name}`, (a) => [loneFrame(a)]],
  ['frame stops', (a) => `frame_silent, frame: ${a.frame.name}${later}`, (a) => [loneFrame(a)]],
  ['frame shortened', (a) => `frame_shortened, frame: ${a.frame.name}`, (a) => [is('frame-short', { frame: a.frame.name })]],
  [
    'payload frozen',
    (a) => a.moving && `frozen_payload, frame: ${a.moving.name}${later}`,
    (a) => [is('payload-frozen', { frame: a.moving.name })],
  ],
  ['counter stuck', (a) => a.counted && `counter_stuck, frame: ${a.counted.name}`, (a) => [is('counter-skips', { frame: a.counted.name })]],
  ['counter skips', (a) => a.counted && `counter_skips, frame: ${a.counted.name}`, (a) => [is('counter-skips', { frame: a.counted.name })]],
  ['two talkers', (a) => `two_talkers, frame: ${a.frame.name}`, (a) => [is('two-talkers', { frame: a.frame.name })], ['bus-errors']],
  ['unknown id', (a) => `unknown_id, id: ${a.unknown}, bus: ${a.bus.name}`, (a) => [is('id-unknown', { id: hex(a.unknown) })]],
  [
    'trunk broken',
    (a) => `trunk_break, stretch: ${a.cut.stretch}, bus: ${a.bus.name}${later}`,
    (a) => [broken(a.cut)],
    ['bus-errors'],
    (a) => missing(a.cut.hides),
  ],
  [
    'trunk broken for 2 s',
    (a) => `trunk_break, stretch: ${a.cut.stretch}, bus: ${a.bus.name}${later}, to: 12 s`,
    (a) => [broken(a.cut)],
    ['bus-errors'],
  ],
  [
    'trunk never whole',
    (a) => `trunk_break, stretch: ${a.cut.stretch}, bus: ${a.bus.name}`,
    (a) => (a.cut.hides.length > 1 ? [broken(a.cut)] : missing(a.cut.hides)),
    ['bus-errors', 'trunk-break'],
    (a) => missing(a.cut.hides),
  ],
  [
    'loose connector',
    (a) => `intermittent_connector, stretch: ${a.cut.stretch}, bus: ${a.bus.name}`,
    (a) => [broken(a.cut)],
    ['bus-errors'],
  ],
  [
    'two loose connectors',
    (a) => a.cuts.length > 1 && a.cuts.slice(0, 2).map(({ stretch }) => `intermittent_connector, stretch: ${stretch}, bus: ${a.bus.name}`),
    (a) => a.cuts.slice(0, 2).map(broken),
    ['bus-errors'],
  ],
  ['terminator missing', (a) => `missing_terminator, bus: ${a.bus.name}`, (a) => [is('bus-errors', { bus: a.bus.name })]],
  ['third terminator', (a) => `third_terminator, bus: ${a.bus.name}`, (a) => [is('bus-errors', { bus: a.bus.name })]],
  ['noise', (a) => `bus_noise, bus: ${a.bus.name}`, (a) => [is('bus-errors', { bus: a.bus.name })]],
  [
    'device at another bit rate',
    (a) => a.bus.devices.length > 1 && `wrong_bit_rate, device: ${a.device.name}`,
    (a) => [is('wrong-bit-rate', { device: a.device.name })],
    ['bus-errors'],
    (a) => missing([a.device.name]),
  ],
  [
    'alone, unacknowledged',
    (a) => `alone, device: ${a.device.name}`,
    (a) => [is('unacknowledged', { bus: a.bus.name })],
    ['bus-errors', 'device-missing'],
  ],
].map(([name, fault, named, beside = [], besideOf = () => []]) => ({ name, fault, named, beside, besideOf }));

const broken = ({ stretch }) => is('trunk-break', { stretch });

/** The only periodic frame of a device takes the device with it. */
function loneFrame({ frame, bus }) {
  const device = bus.devices.find(({ name }) => name === frame.device);
  const alone = device.frames.length === 1;
  return alone ? is('device-missing', { device: frame.device }) : is('frame-missing', { frame: frame.name });
}

const rows = ['demo', 'random'].flatMap((place) => [...cases, { name: 'healthy' }].map((one) => ({ ...one, place })));

async function judge(demo, row, seed) {
  const vehicle = row.place === 'demo' ? demo : parseVehicle(randomVehicleFiles(seed)).vehicle;
  const aim = aimOf(vehicle, randomFrom(seed));
  const fault = row.fault?.(aim);
  if (row.fault && !fault) return { skipped: true };
  const faults = fault
    ? `faults:\n${[fault]
        .flat()
        .map((one) => `  - { fault: ${one} }\n`)
        .join('')}`
    : '';
  const text = `scenario: t\nseed: ${seed}\nstart: cold\nstages:\n  - ${places[row.place]}\n${faults}`;
  const { scenario, problems } = parseScenario(text, 'bench.yaml', vehicle);
  if (!scenario || problems.length > 0) throw new Error(`${row.name}, seed ${seed}: ${problems.map(({ say }) => say).join('; ')}`);
  return listen(vehicle, row, aim, new Simulation(vehicle, scenario), faults.includes(later) ? underWayS : 0);
}

/** Judges again and again as the recording grows, as a live check does, until everything is said; and once more at the end. */
function listen(vehicle, row, aim, simulation, beganS) {
  const named = row.named?.(aim) ?? [];
  const gathered = new GatheredCheck('bus', vehicle);
  const batch = new FrameBatch(4096);
  let foundS;
  let verdicts = [];
  const lastS = beganS + withinS;
  for (let s = stepS; s <= lastS; s += stepS) {
    batch.clear();
    simulation.advance(s * 1e6, batch);
    gathered.take(batch);
    gathered.pass(s * 1e6);
    if (s < lastS && (foundS !== undefined || s <= beganS)) continue;
    verdicts = gathered.judge().verdicts.filter(({ ok }) => !ok);
    const all = named.every((wanted) => verdicts.some((verdict) => isOf(verdict, wanted)));
    if (named.length > 0 && all) foundS ??= s - beganS;
  }
  const codes = named.map(({ code }) => code);
  const besideOf = row.besideOf?.(aim) ?? [];
  const expected = (verdict) =>
    named.some((wanted) => isOf(verdict, wanted)) || besideOf.some((wanted) => isOf(verdict, wanted)) || row.beside?.includes(verdict.code);
  return {
    found: named.every(({ code }) => verdicts.some((verdict) => verdict.code === code)),
    place: named.every((wanted) => verdicts.some((verdict) => isOf(verdict, wanted))),
    afterS: foundS,
    wanted: codes.length > 0 ? named.map(({ code, more }) => `${code} ${Object.values(more).join(' ')}`).join(' + ') : '',
    others: verdicts
      .filter((verdict) => !expected(verdict))
      .map((v) => `${v.code} ${v.stretch ?? v.frame ?? v.device ?? v.id ?? v.bus ?? ''}`.trim()),
    said: verdicts.map((v) => v.code),
  };
}

if (isMainThread) await main();
else {
  const demo = await getVehicle(folder);
  parentPort.on('message', async ({ index, seed }) => parentPort.postMessage({ index, seed, ...(await judge(demo, rows[index], seed)) }));
  parentPort.postMessage({});
}

async function main() {
  const options = Object.fromEntries(
    process.argv.slice(2).flatMap((key, i, all) => (key.startsWith('--') ? [[key.slice(2), all[i + 1]]] : [])),
  );
  const [first, last] = (options.seeds ?? '21-24').split('-').map(Number);
  const chosen = rows.flatMap(({ name, place }, index) =>
    (options.on ?? place) === place && (!options.only || name.includes(options.only)) ? [index] : [],
  );
  const lastOf = (index) => (rows[index].fault ? last : Math.max(last, first + healthyRuns - 1));
  const jobs = chosen.flatMap((index) => Array.from({ length: lastOf(index) - first + 1 }, (_, i) => ({ index, seed: first + i })));
  const answers = new Map(chosen.map((index) => [index, []]));
  const began = performance.now();
  await Promise.all(Array.from({ length: Math.min(availableParallelism(), 4) }, () => work(jobs, answers)));
  for (const place of ['demo', 'random']) print(answers, place, options.detail !== undefined);
  console.log(
    `\nseeds ${first} to ${last}, ${((performance.now() - began) / 1000).toFixed(0)} s; seconds of bus time from the fault's beginning, looked at every ${stepS} s`,
  );
}

function work(jobs, answers) {
  const worker = new Worker(new URL(import.meta.url));
  return new Promise((resolve, reject) => {
    worker.on('error', reject);
    worker.on('message', (message) => {
      if (message.index !== undefined && !message.skipped) answers.get(message.index).push(message);
      const job = jobs.shift();
      if (job) worker.postMessage(job);
      else resolve(worker.terminate());
    });
  });
}

function print(answers, place, detailed) {
  const here = [...answers].filter(([index]) => rows[index].place === place);
  if (here.length === 0) return;
  console.log(
    `\n${titles[place]}\n\n| fault | named / tried | right place | seconds, worst | said beside it, wrongly |\n| --- | --- | --- | --- | --- |`,
  );
  const sum = { tried: 0, found: 0, place: 0, healthy: 0, falseCalls: 0 };
  for (const [index, list] of here) {
    const { name, fault } = rows[index];
    const share = (test) => `${list.filter(test).length} / ${list.length}`;
    const wrong = tally(list.flatMap(({ others }) => others.map((other) => other.split(' ')[0])));
    const worst = Math.max(0, ...list.flatMap(({ afterS }) => afterS ?? []));
    if (fault) {
      sum.tried += list.length;
      sum.found += list.filter(({ found }) => found).length;
      sum.place += list.filter((answer) => answer.place).length;
      console.log(`| ${name} | ${share(({ found }) => found)} | ${share((answer) => answer.place)} | ${worst || ''} | ${wrong} |`);
    } else {
      sum.healthy += list.length;
      sum.falseCalls += list.filter(({ others }) => others.length > 0).length;
      console.log(`| ${name} | none in ${list.length} | | | ${wrong} |`);
    }
    if (detailed) for (const answer of list) detail(answer, fault !== undefined);
  }
  console.log(
    `\nfaults found / tried: ${sum.found} / ${sum.tried}, right place: ${sum.place} / ${sum.tried}, false alarms / healthy runs: ${sum.falseCalls} / ${sum.healthy}`,
  );
}

function detail({ seed, place, afterS, wanted, others }, faulty) {
  if (place && others.length === 0) return;
  if (faulty || others.length > 0)
    console.log(
      `    seed ${seed}: ${wanted} ${place ? `after ${afterS} s` : 'NOT FOUND'}${others.length > 0 ? `, said: ${others.join(', ')}` : ''}`,
    );
}

function tally(names) {
  const counts = new Map();
  for (const name of names) counts.set(name, (counts.get(name) ?? 0) + 1);
  return [...counts].map(([name, count]) => `${name} x${count}`).join(', ');
}
