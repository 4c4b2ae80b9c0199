// How well the distribution study finds a known error of the simulated engine, by following the trials that it proposes itself.
// `npm run bench -- distribution [--seeds 1-40] [--cylinders 4,6,8,12] [--only CAUSE]`: prints how often the true cause was named or rightly
// called inseparable, how often its 90 % intervals cover the truth, how good its first trial was, and how often it proposed a harmful change.
import { availableParallelism } from 'node:os';
import { isMainThread, parentPort, Worker, workerData } from 'node:worker_threads';
import { leaningOf } from '../../dist/server/dyno/effects.js';
import { fitDistribution, studyDistribution } from '../../dist/server/dyno/study.js';
import { parseScenario } from '../../dist/server/simulator/scenario-file.js';
import { settleHold } from '../../dist/server/simulator/settled-hold.js';
import { firstState, layouts, vehicleOf } from './dyno-engines.mjs';

const causes = [
  'none',
  'bank',
  'position',
  'group',
  'cylinder',
  'probe',
  'port injector',
  'plenum injector',
  'group + probe',
  'cylinder + group',
];
/** Steady holds of each session: speed, throttle; light enough for the port set alone. Each is driven twice. */
const points = [
  [3600, 40],
  [4400, 50],
];
/**
 * Scatter of manufacture of every part, K (standard deviation): drawn for each run between these, evenly in its logarithm, so that engines with parts
 * that are all alike and engines with none that is are among them. Each effect's true size is known.
 */
const scatterK = { cylinder: [1, 10], probe: [0.5, 4], port: [0.5, 4], plenum: [0.5, 4] };
/** Size of an error that is put in, K in the gas or in the probe: drawn evenly. */
const errorK = [15, 60];
/** One hold repeats the last to this, K (standard deviation): what a steady engine and a thermocouple amplifier do. Common practice, no source. */
const repeatK = 2;
const roundsMax = 5;

/** Seeded uniform numbers (mulberry32, public domain), for what the bench itself draws. */
function uniform(seed) {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

const normalOf = (random) => () => Array.from({ length: 12 }, random).reduce((sum, value) => sum + value, -6);

/** Errors put in: kind, subject as the study names it, and where the scenario says it. */
function errorsOf(cause, cylinders, random, inFlow) {
  const n = 1 + Math.floor(random() * cylinders);
  const kelvin = (random() < 0.5 ? -1 : 1) * Math.round(errorK[0] + (errorK[1] - errorK[0]) * random());
  const half = Math.round(kelvin * 0.7);
  const one = {
    none: [],
    bank: [{ kind: 'bank', subject: 'left', key: 'left', kelvin }],
    position: [{ kind: 'position', subject: 'front', kelvin: half }],
    group: [{ kind: 'group', subject: 'A of plenum', key: 'A', kelvin }],
    cylinder: [{ kind: 'cylinder', subject: String(n), key: n, kelvin }],
    probe: [{ kind: 'probe', subject: `T-${n}`, key: `T-${n}`, kelvin }],
    'port injector': [{ kind: 'injector', subject: `P-${n} of port`, key: `P-${n}`, kelvin }],
    'plenum injector': [{ kind: 'injector', subject: `L-${n} of plenum`, key: `L-${n}`, kelvin }],
  };
  const errors = cause.split(' + ').flatMap((part) => one[part]);
  // Every other seed sets and injectors err in flow, not in heat: plus is richer, and weighs by the share of the fuel that the set gives.
  const percent = Math.round((kelvin > 0 ? 1 : -1) * (7 + Math.abs(kelvin) / 8));
  return errors.map((error) =>
    inFlow && (error.kind === 'group' || error.kind === 'injector') ? { ...error, kelvin: undefined, percent } : error,
  );
}

/** Small errors of every single part: no two cylinders, probes or injectors are alike. */
function scatterOf(cylinders, random, normal) {
  const all = Array.from({ length: cylinders }, (_, i) => i + 1);
  const draw = (of, kind, subject, keyOf) => {
    const [low, high] = scatterK[of];
    const scatter = low * (high / low) ** random();
    return all.map((n) => ({ kind, subject: subject(n), key: keyOf(n), kelvin: scatter * normal() }));
  };
  return [
    ...draw('cylinder', 'cylinder', String, (n) => n),
    ...draw(
      'probe',
      'probe',
      (n) => `T-${n}`,
      (n) => `T-${n}`,
    ),
    ...draw(
      'port',
      'injector',
      (n) => `P-${n} of port`,
      (n) => `P-${n}`,
    ),
    ...draw(
      'plenum',
      'injector',
      (n) => `L-${n} of plenum`,
      (n) => `L-${n}`,
    ),
  ];
}

/** The `distribution` of a scenario; errors of one thing add up. */
function toLines(errors) {
  const position = errors.find(({ kind }) => kind === 'position');
  const lines = position ? [`  position: ${position.kelvin} K\n`] : [];
  for (const kind of ['bank', 'group', 'cylinder', 'probe', 'injector']) {
    const sums = new Map();
    for (const error of errors)
      if (error.kind === kind && error.kelvin !== undefined) sums.set(error.key, (sums.get(error.key) ?? 0) + error.kelvin);
    const said = new Map([...sums].map(([name, value]) => [name, `${value.toFixed(3)} K`]));
    // One thing has one error in a scenario: what errs in flow doesn't scatter in heat beside it.
    for (const error of errors) if (error.kind === kind && error.percent !== undefined) said.set(error.key, `${error.percent} %`);
    if (said.size > 0) lines.push(`  ${kind}: { ${[...said].map(([name, value]) => `${name}: ${value}`).join(', ')} }\n`);
  }
  return lines.length > 0 ? `distribution:\n${lines.join('')}` : '';
}

function scenarioOf(vehicle, state, errors, seed) {
  const off = state.off.length > 0 ? `off: [${state.off.join(', ')}]\n` : '';
  const text = `scenario: t\nseed: ${seed}\nstart: hot\nengine: { scatter: 0 %, boost: none }\n${off}stages: [{ stage: rest, for: 1 s }]\n${toLines(errors)}`;
  const { scenario, problems } = parseScenario(text, 'bench.yaml', vehicle);
  if (!scenario || problems.length > 0) throw new Error(problems.map(({ say }) => say).join('; '));
  return scenario;
}

/** What an arrangement settles at doesn't change between its sessions: settled once a run. */
const settled = new Map();

function settle(state, errors, seed) {
  const asked = JSON.stringify([state, errors, seed]);
  if (settled.size > 200) settled.clear();
  if (!settled.has(asked)) {
    const vehicle = vehicleOf(state);
    const scenario = scenarioOf(vehicle, state, errors, seed);
    settled.set(asked, { vehicle, levels: points.map(([speedRpm, load]) => settleHold(vehicle, scenario, speedRpm, load)) });
  }
  return settled.get(asked);
}

/** Holds of one session, as `readHolds` would give them from a recording. */
function driveSession(session, state, errors, seed, normal) {
  const { vehicle, levels } = settle(state, errors, seed);
  return points.flatMap(([speedRpm, load], at) => {
    const { readC, flows } = levels[at];
    const total = [...flows.values()].reduce((sum, flow) => sum + flow, 0);
    return [1, 2].map(() => ({
      session,
      vehicle,
      from: 0,
      to: 8,
      speedRpm,
      load,
      temps: new Map(readC.map((temp, i) => [i + 1, temp + repeatK * normal()])),
      off: new Set(state.off),
      share: new Map([...flows].map(([name, flow]) => [name, flow / total])),
    }));
  });
}

/** What a proposal makes of the arrangement; undefined for one that moves nothing (enrich). */
function carryOut(state, { kind, change, plan }) {
  const next = { ...state, off: [] };
  if (kind === 'set-off') return { ...next, off: ['plenum'] };
  if (kind === 'regroup' || kind === 'label-swap') return { ...next, groups: plan };
  const pair = /cylinders (\d+) and (\d+)/.exec(change);
  if (!pair) return undefined;
  const key = kind === 'probe-swap' ? 'probes' : /plenum injectors/.test(change) ? 'plenum' : 'port';
  const list = [...state[key]];
  const [a, b] = [Number(pair[1]) - 1, Number(pair[2]) - 1];
  [list[a], list[b]] = [list[b], list[a]];
  return { ...next, [key]: list };
}

/** By how much an error of 20 K in the gas, or in a probe, moves the reading: the mean over the load points. */
function gainsOfReading(cylinders) {
  const read = (errors) => settle(firstState(cylinders), errors, 1).levels.map(({ readC }) => readC[0]);
  const plain = read([]);
  const gain = (error) => read([{ ...error, kelvin: 20 }]).reduce((sum, value, i) => sum + (value - plain[i]) / 20 / points.length, 0);
  const ofFlow = (error) =>
    read([{ ...error, key: error.key.replace(/\d+$/, '1') }]).reduce((sum, value, i) => sum + (value - plain[i]) / points.length, 0);
  return { ofFlow, gas: gain({ kind: 'cylinder', key: 1 }), probe: gain({ kind: 'probe', key: 'T-1' }) };
}

/** True size of every effect, K, as the study states it: the difference from the median of its kind. */
function truthsOf(errors, cylinders) {
  const gains = gainsOfReading(cylinders);
  const sizes = new Map();
  for (const error of errors) {
    const size = error.percent === undefined ? error.kelvin * (error.kind === 'probe' ? gains.probe : gains.gas) : gains.ofFlow(error);
    if (error.percent !== undefined) sizes.delete(key(error));
    sizes.set(key(error), (sizes.get(key(error)) ?? 0) + size);
  }
  const names = Array.from({ length: cylinders }, (_, i) => i + 1);
  const kinds = [
    ['bank', Object.keys(layouts[cylinders].banks)],
    ['group', ['A of plenum', 'B of plenum']],
    ['cylinder', names.map(String)],
    ['probe', names.map((n) => `T-${n}`)],
    ['injector', names.map((n) => `P-${n} of port`)],
    ['injector', names.map((n) => `L-${n} of plenum`)],
  ];
  const truths = new Map([['position front', sizes.get('position front') ?? 0]]);
  for (const [kind, subjects] of kinds) {
    const of = subjects.map((subject) => sizes.get(`${kind} ${subject}`) ?? 0);
    const sorted = [...of].sort((a, b) => a - b);
    const middle = (sorted[(of.length - 1) >> 1] + sorted[of.length >> 1]) / 2;
    for (const [i, subject] of subjects.entries()) truths.set(`${kind} ${subject}`, of[i] - middle);
  }
  return truths;
}

/** Words of a proposal that takes fuel away. What a test *tells* of the lean side, and a warning not to lean, are none. */
const harmful = /\blean (cylinder|it|them|out|port)\b|\bless fuel\b|(take|taking) (out |away )?fuel|(−|-|minus )\s?\d+ ?%/i;

/** Proposals that would lean a cylinder, or trim it by anything but more fuel. */
function countHarm(study) {
  const words = study.trials.map(({ change }) => change);
  const tests = study.cylinders.map(({ test }) => test.replaceAll('do not lean it', ''));
  return [...words, ...tests].filter((text) => harmful.test(text)).length;
}

/** One error, from the first session on, along the trials that the study proposes. */
function follow(cause, cylinders, seed) {
  const random = uniform(seed * 7919 + cylinders * 104729 + causes.indexOf(cause) * 1299709);
  const normal = normalOf(random);
  const putIn = errorsOf(cause, cylinders, random, seed % 2 === 0);
  const errors = [...scatterOf(cylinders, random, normal), ...putIn];
  const truths = truthsOf(errors, cylinders);
  let state = firstState(cylinders);
  let holds = driveSession(1, state, errors, seed, normal);
  const result = {
    cause,
    cylinders,
    seed,
    intervals: [],
    harm: 0,
    first: undefined,
    gains: {},
    steps: [],
    outcome: '',
  };
  for (let round = 0; round <= roundsMax; round++) {
    const study = studyDistribution(holds);
    result.harm += countHarm(study);
    const outcome = judge(study, putIn, truths);
    if (round === 0) {
      result.first = study.trials[0]?.kind;
      result.atOnce = outcome;
      if (looks[cause]) result.gains = gainsOf(study, holds, state, errors, truths, seed, normal);
    }
    result.outcome = outcome;
    const next = study.trials.map((trial) => [trial, carryOut(state, trial)]).find(([, made]) => made !== undefined);
    if (outcome === 'named' || outcome === 'wrong' || round === roundsMax || !next) {
      score(result, study, truths, putIn);
      break;
    }
    result.steps.push(next[0].kind);
    state = next[1];
    holds = [...holds, ...driveSession(round + 2, state, errors, seed, normal)];
    state = { ...state, off: [] };
  }
  return result;
}

const key = ({ kind, subject }) => `${kind} ${subject}`;

/**
 * named: each error put in is an effect of the study, the largest of its kind. inseparable: the study says that it can't be separated yet.
 * wrong: an effect is called that isn't there. missed: it could be separated and wasn't called an effect.
 */
function judge(study, putIn, truths) {
  const said = study.effects.filter(({ verdict, kelvin }) => verdict === 'effect' && Math.abs(kelvin) >= 7);
  const kindOf = ({ kind, subject }) => (kind === 'injector' ? `injector ${subject.split(' of ')[1]}` : kind);
  const largest = new Map([...said].reverse().map((effect) => [kindOf(effect), effect]));
  const wanted = new Map(putIn.map((error) => [kindOf(error), error]));
  const right = ([kind, effect]) => {
    const error = wanted.get(kind);
    // Scatter can be large too: what is truly there is no wrong call.
    if (!error) return effect.kelvin * (truths.get(key(effect)) ?? 0) > 0 && Math.abs(truths.get(key(effect))) >= 7;
    // The two groups, or banks, have one difference between them: either may speak for it.
    return kind === 'group' || kind === 'bank' || kind === 'position' || key(effect) === key(error);
  };
  if (![...largest].every(right)) return 'wrong';
  const open = [...wanted].filter(([kind]) => !largest.has(kind)).map(([, error]) => error);
  if (open.length === 0) return 'named';
  return open.some((error) => study.effects.find((effect) => key(effect) === key(error))?.separable) ? 'missed' : 'inseparable';
}

/** Whether the last study's intervals cover the true sizes: of the errors put in, and of all other effects. */
function score(result, study, truths, putIn) {
  for (const effect of study.effects) {
    if (!effect.separable) continue;
    const truth = truths.get(key(effect));
    const isPutIn = putIn.some((error) => key(error) === key(effect));
    // Both are rounded to a tenth.
    const covers = effect.low - 0.05 <= truth && truth <= effect.high + 0.05;
    result.intervals.push({ kind: effect.kind, isPutIn, covers, width: effect.high - effect.low });
    if (isPutIn && !covers) result.missedBy = { ...effect, truth: Math.round(truth * 10) / 10 };
  }
}

/** What one session of the best-ranked trial of each kind really gains: the fall of the summed squared error of all effects, as a share. */
function gainsOf(study, holds, state, errors, truths, seed, normal) {
  const before = lossOf(holds, truths);
  const gains = {};
  const seen = new Set();
  for (const trial of study.trials) {
    const name = trial.kind === 'injector-swap' ? `${trial.kind} ${/plenum/.test(trial.change) ? 'plenum' : 'port'}` : trial.kind;
    const next = seen.has(name) ? undefined : carryOut(state, trial);
    if (!next) continue;
    seen.add(name);
    gains[name] = 1 - lossOf([...holds, ...driveSession(2, next, errors, seed, normal)], truths) / before;
  }
  return gains;
}

/** Summed squared error of what the model leans to, whether it dares to say it or not: what `teaches` expects to fall. */
function lossOf(holds, truths) {
  const model = fitDistribution(holds);
  return model.columns.reduce((total, column, j) => {
    const truth = truths.get(key(column));
    return truth === undefined ? total : total + (leaningOf(model, j) - truth) ** 2;
  }, 0);
}

async function main() {
  const args = process.argv.slice(2);
  const options = Object.fromEntries(args.flatMap((name, i) => (name.startsWith('--') ? [[name.slice(2), args[i + 1]]] : [])));
  const [first, last] = (options.seeds ?? '1-1').split('-').map(Number);
  const engines = (options.cylinders ?? '4,6,8,12').split(',').map(Number);
  const jobs = engines.flatMap((cylinders) =>
    causes
      .filter((cause) => !options.only || cause.includes(options.only))
      .filter((cause) => cause !== 'bank' || Object.keys(layouts[cylinders].banks).length > 1)
      .flatMap((cause) => Array.from({ length: last - first + 1 }, (_, i) => ({ cause, cylinders, seed: first + i }))),
  );
  const began = performance.now();
  const results = await share(jobs);
  print(results, options.detail !== undefined);
  console.log(`\nseeds ${first} to ${last}, ${engines.join(', ')} cylinders, ${((performance.now() - began) / 1000).toFixed(0)} s`);
}

function share(jobs) {
  const results = [];
  const workers = Math.min(availableParallelism(), 4);
  return Promise.all(
    Array.from({ length: workers }, (_, i) => {
      const worker = new Worker(new URL(import.meta.url), { workerData: i });
      return new Promise((resolve, reject) => {
        worker.on('error', reject);
        worker.on('message', (message) => {
          if (message.cause !== undefined) results.push(message);
          const job = jobs.shift();
          if (job) worker.postMessage(job);
          else resolve(worker.terminate());
        });
      });
    }),
  ).then(() => results);
}

const percent = (part, whole) => (whole === 0 ? '–' : `${((100 * part) / whole).toFixed(0)} %`);
const sum = (list, of) => list.reduce((total, item) => total + of(item), 0);
/** How many of some intervals cover the truth, and how many there are. */
const coverage = (intervals) => `${percent(intervals.filter(({ covers }) => covers).length, intervals.length)} of ${intervals.length}`;

function print(results, detailed) {
  console.log('| true cause | runs | after the first session | at the end: named | inseparable | missed | wrong | trials, mean |');
  console.log('| --- | --- | --- | --- | --- | --- | --- | --- |');
  const rowOf = (name, list) => {
    const ended = (outcome) => percent(list.filter((run) => run.outcome === outcome).length, list.length);
    const atOnce = ['named', 'inseparable', 'missed', 'wrong']
      .map((outcome) => `${list.filter((run) => run.atOnce === outcome).length} ${outcome}`)
      .join(', ');
    const steps = (sum(list, (run) => run.steps.length) / list.length).toFixed(1);
    console.log(
      `| ${name} | ${list.length} | ${atOnce} | ${ended('named')} | ${ended('inseparable')} | ${ended('missed')} | ${ended('wrong')} | ${steps} |`,
    );
  };
  for (const cause of causes) {
    const list = results.filter((run) => run.cause === cause);
    if (list.length > 0) rowOf(cause, list);
  }
  rowOf('all', results);
  printCoverage(results.flatMap((run) => run.intervals));
  const judged = firstTrials(results);
  console.log(`\nfirst proposed trial best, or within noise of it: ${percent(judged.good, judged.all)} of ${judged.all}`);
  for (const line of judged.lines) console.log(line);
  console.log(`harmful changes proposed: ${sum(results, (run) => run.harm)}`);
  if (detailed) for (const run of results) if (run.outcome !== 'named' || run.missedBy) console.log(JSON.stringify(run));
}

function printCoverage(intervals) {
  console.log('\n| 90 % intervals cover the truth | of errors put in | of all other effects | width, mean |');
  console.log('| --- | --- | --- | --- |');
  const rowOf = (name, list) => {
    const width = (sum(list, (interval) => interval.width) / Math.max(1, list.length)).toFixed(1);
    const of = (isPutIn) => coverage(list.filter((interval) => interval.isPutIn === isPutIn));
    console.log(`| ${name} | ${of(true)} | ${of(false)} | ${width} K |`);
  };
  for (const kind of ['bank', 'position', 'group', 'cylinder', 'probe', 'injector'])
    rowOf(
      kind,
      intervals.filter((interval) => interval.kind === kind),
    );
  rowOf('all', intervals);
}

/** How a cause looks before any trial: one port that differs, or a pattern over several. Mixtures are neither. */
const looks = {
  cylinder: 'one port',
  probe: 'one port',
  'port injector': 'one port',
  'plenum injector': 'one port',
  bank: 'a pattern',
  position: 'a pattern',
  group: 'a pattern',
};

/**
 * Best is what gains most on the mean over all causes that look alike before the trial: nobody can propose for a cause that isn't known yet. One
 * port that differs (cylinder, probe, injector) is one look, a pattern over several (bank, position, group) the other. Within noise of the best:
 * over the same runs it is not worse by more than twice the standard error of the difference.
 */
function firstTrials(results) {
  const kindOf = (name) => name.split(' ')[0];
  const lines = [];
  let good = 0;
  let all = 0;
  for (const look of ['one port', 'a pattern']) {
    const runs = results.filter((run) => looks[run.cause] === look);
    const kinds = [...new Set(runs.flatMap((run) => Object.keys(run.gains)))];
    const means = kinds.map((kind) => ({ kind, ...meanOf(runs.flatMap((run) => run.gains[kind] ?? [])) })).sort((a, b) => b.mean - a.mean);
    const best = means[0];
    if (!best) continue;
    const near = means.filter(({ kind }) => {
      const { mean, error } = meanOf(
        runs.flatMap((run) =>
          run.gains[kind] === undefined || run.gains[best.kind] === undefined ? [] : run.gains[best.kind] - run.gains[kind],
        ),
      );
      return mean <= 2 * error;
    });
    all += runs.length;
    good += runs.filter((run) => near.some(({ kind }) => kindOf(kind) === run.first)).length;
    lines.push(
      `  ${look}: ${means.map(({ kind, mean, error }) => `${kind} ${mean.toFixed(2)} ± ${error.toFixed(2)}`).join(', ')}; within noise of the best: ${near.map(({ kind }) => kind).join(', ')}; proposed first: ${tally(runs.map(({ first }) => first))}`,
    );
  }
  return { good, all, lines };
}

/** Mean of a list and its standard error. */
function meanOf(list) {
  const mean = sum(list, (value) => value) / list.length;
  return { mean, error: Math.sqrt(sum(list, (value) => (value - mean) ** 2) / Math.max(1, list.length - 1) / list.length) };
}

function tally(names) {
  const counts = new Map();
  for (const name of names) counts.set(name, (counts.get(name) ?? 0) + 1);
  return [...counts].map(([name, count]) => `${name} ${count}`).join(', ');
}

if (isMainThread) await main();
else {
  parentPort.on('message', ({ cause, cylinders, seed }) => parentPort.postMessage(follow(cause, cylinders, seed)));
  parentPort.postMessage({ ready: workerData });
}
