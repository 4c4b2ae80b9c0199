// Scenario files (YAML): text to a scenario for one vehicle, with every problem located and all of them at once.
import { isMap, LineCounter, parseDocument } from 'yaml';
import type { Problem, Vehicle } from '../definitions/vehicle.ts';
import type { Distribution, Effect, Scenario, SimulatedEngine } from './scenario.ts';
import { readFaults } from './scenario-faults.ts';
import { locatedProblem, type ScenarioFile, ScenarioNode, toQuantity } from './scenario-node.ts';
import { readStages } from './scenario-stages.ts';

const startStates = ['cold', 'warm', 'hot'] as const;

/**
 * Reads a scenario for `vehicle`.
 * @param path Shown in problems.
 * @returns The scenario with defaults filled in; only to be run when there are no problems.
 */
export function parseScenario(text: string, path: string, vehicle: Vehicle): { scenario: Scenario; problems: Problem[] } {
  const lines = new LineCounter();
  const document = parseDocument(text, { lineCounter: lines });
  const file: ScenarioFile = { path, text, lines, problems: [] };
  for (const error of document.errors) {
    file.problems.push(locatedProblem(file, error.pos[0], error.pos[1], error.message.split('\n')[0] as string, 'Mend the YAML.'));
  }
  if (!isMap(document.contents)) {
    file.problems.push(locatedProblem(file, 0, 0, 'a scenario is a map', 'Start with `scenario: NAME`.'));
    return { scenario: emptyScenario(), problems: file.problems };
  }
  return { scenario: readScenario(new ScenarioNode(file, document.contents), vehicle), problems: file.problems };
}

function emptyScenario(): Scenario {
  const lines = new LineCounter();
  const document = parseDocument('{}', { lineCounter: lines });
  const root = new ScenarioNode({ path: '', text: '{}', lines, problems: [] }, document.contents as never);
  return readScenario(root, undefined);
}

function readScenario(root: ScenarioNode, vehicle: Vehicle | undefined): Scenario {
  root.needed('scenario', 'Give it a name: `scenario: first-start`.');
  root.needed('stages', 'Say what happens: `stages:` and a list.');
  const name = root.text('scenario') ?? 'unnamed';
  const seed = root.quantity('seed', '', 1);
  const ambient = readAmbient(root.child('ambient'));
  const start = root.oneOf('start', startStates, 'cold');
  const engine = readEngine(root.child('engine'));
  const plans = readPlans(root.child('plan'), vehicle);
  const off = new Set(root.list('off'));
  for (const set of off) checkSet(root, 'off', set, vehicle);
  const trims = readTrims(root.child('trims'), vehicle);
  const distribution = readDistribution(root.child('distribution'));
  const stages = readStages(root, vehicle?.engine?.cylinders);
  const lengthS = stages.at(-1)?.toS ?? 0;
  if (root.has('stages') && !(lengthS > 0)) root.problemAt('stages', 'the scenario takes no time', 'Give it a stage that lasts.');
  const faults = vehicle ? readFaults(root, vehicle, stages) : [];
  const rounds = root.text('repeat') === 'forever' ? Number.POSITIVE_INFINITY : root.quantity('repeat', '', 1);
  root.done();
  return { name, seed, ambient, start, engine, plans, off, trims, distribution, stages, lengthS, rounds, faults };
}

function readAmbient(node: ScenarioNode | undefined): Scenario['ambient'] {
  if (!node) return { temperatureC: 20, pressureKpa: 101.3 };
  const temperatureC = node.quantity('temperature', 'degC', 20);
  const altitudeM = node.quantity('altitude', 'm', 0);
  // The station's pressure when only its altitude is said: the lower layer of the published standard atmosphere, good to the weather's 3 kPa.
  const byAltitudeKpa = 101.325 * (1 - 2.25577e-5 * altitudeM) ** 5.25588;
  const pressureKpa = node.quantity('pressure', 'kPa', byAltitudeKpa);
  node.done();
  return { temperatureC, pressureKpa };
}

function readEngine(node: ScenarioNode | undefined): SimulatedEngine {
  const engine: SimulatedEngine = {
    idleRpm: node?.quantity('idle', 'rpm', 1100) ?? 1100,
    crankingRpm: node?.quantity('cranking', 'rpm', 210) ?? 210,
    limitRpm: node?.quantity('limit', 'rpm', 7200) ?? 7200,
    boostKpa: 'guess',
    firesAfterS: node?.quantity('fires_after', 's', 0.8) ?? 0.8,
    sharedManifold: (node?.quantity('shared_manifold', '%', 5) ?? 5) / 100,
    warming: node?.quantity('warming', '', 1) ?? 1,
    pump: node?.oneOf('pump', ['electric', 'mechanical'], 'electric') ?? 'electric',
    timingOffsetDeg: node?.quantity('timing_offset', 'deg', 0) ?? 0,
    scatter: (node?.quantity('scatter', '%', 100) ?? 100) / 100,
  };
  if (node?.text('boost') === 'none') engine.boostKpa = undefined;
  else if (node?.has('boost')) engine.boostKpa = node.quantity('boost', 'kPa', 200);
  node?.done();
  return engine;
}

function readPlans(node: ScenarioNode | undefined, vehicle: Vehicle | undefined): Map<string, string> {
  const plans = new Map<string, string>();
  for (const set of node?.keys() ?? []) {
    const plan = node?.text(set) ?? '';
    plans.set(set, plan);
    if (
      node &&
      checkSet(node, set, set, vehicle) &&
      !vehicle?.injectorSets.find((s) => s.name === set)?.plans.some((p) => p.name === plan)
    ) {
      node.problemAt(set, `injector set '${set}' has no plan '${plan}'`, 'Use a plan of the vehicle file.');
    }
  }
  return plans;
}

function checkSet(node: ScenarioNode, key: string, set: string, vehicle: Vehicle | undefined): boolean {
  if (!vehicle || vehicle.injectorSets.some((known) => known.name === set)) return true;
  node.problemAt(
    key,
    `the vehicle has no injector set '${set}'`,
    `Use one of: ${vehicle.injectorSets.map((known) => known.name).join(', ')}.`,
  );
  return false;
}

function readTrims(node: ScenarioNode | undefined, vehicle: Vehicle | undefined): Scenario['trims'] {
  const trims = new Map<string, Map<number, number>>();
  for (const set of node?.keys() ?? []) {
    const child = node?.child(set);
    if (!node || !child) continue;
    checkSet(node, set, set, vehicle);
    trims.set(set, new Map(child.keys().map((cylinder) => [Number(cylinder), child.quantity(cylinder, '%', 0)])));
  }
  return trims;
}

function readDistribution(node: ScenarioNode | undefined): Distribution {
  const byName = (key: string): Map<string, Effect> => {
    const child = node?.child(key);
    return new Map(child?.keys().map((name) => [name, readEffect(child, name)]) ?? []);
  };
  const distribution: Distribution = {
    bank: byName('bank'),
    position: node?.has('position') ? readEffect(node, 'position') : undefined,
    group: byName('group'),
    cylinder: new Map([...byName('cylinder')].map(([cylinder, effect]) => [Number(cylinder), effect])),
    probe: byName('probe'),
    injector: byName('injector'),
  };
  node?.done();
  return distribution;
}

function readEffect(node: ScenarioNode, key: string): Effect {
  const text = node.text(key) ?? '';
  const richer = toQuantity(text, '%');
  if (richer !== undefined) return { richerPercent: richer, hotterK: 0 };
  const kelvin = /^([+-]?[\d.]+)\s*K$/.exec(text.trim());
  if (kelvin) return { richerPercent: 0, hotterK: Number(kelvin[1]) };
  node.problemAt(key, `'${text}' is no size of an error`, 'Write percent of fuel (plus is richer) or K (plus is hotter): 4 % or -12 K.');
  return { richerPercent: 0, hotterK: 0 };
}
