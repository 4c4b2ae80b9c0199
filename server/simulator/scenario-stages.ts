// The stages of a scenario file: what each kind takes, how long it lasts, and where it lies on the time line.
import { loads } from './fault.ts';
import type { Stage, StageKind } from './scenario.ts';
import type { ScenarioNode } from './scenario-node.ts';

type StageKey = 'speed' | 'load' | 'from' | 'to' | 'rate' | 'lift' | 'heat' | 'reference' | 'pump' | 'cylinder' | 'switch';

interface StageRow {
  takes: readonly StageKey[];
  usualS: number;
  usual?: Partial<Stage>;
}

/** Time that a pull or an abandoned one holds its first speed at part throttle before the throttle opens, and after it is lifted. */
export const pullLeadS = 2;
export const pullTailS = 2;

/** Every kind of stage (docs/simulator.md lists the same; a test compares). */
export const stageKinds: Record<StageKind, StageRow> = {
  key_on: { takes: ['pump'], usualS: 3 },
  prime: { takes: ['reference'], usualS: 5 },
  oil_crank: { takes: [], usualS: 8 },
  crank: { takes: [], usualS: 5 },
  start: { takes: [], usualS: 6 },
  idle: { takes: [], usualS: 10 },
  break_in: { takes: ['speed'], usualS: 60, usual: { speedRpm: 2000 } },
  warm_up: { takes: ['speed'], usualS: 30, usual: { speedRpm: 1600 } },
  hold: { takes: ['speed', 'load'], usualS: 8, usual: { speedRpm: 4000, loadPercent: 60 } },
  pull: { takes: ['from', 'to', 'rate', 'load'], usualS: 0, usual: { startRpm: 3000, endRpm: 6800, rateRpmPerS: 350, loadPercent: 100 } },
  abandon: {
    takes: ['from', 'to', 'rate', 'load', 'lift'],
    usualS: 0,
    usual: { startRpm: 3000, endRpm: 6800, rateRpmPerS: 350, loadPercent: 100, liftRpm: 4500 },
  },
  stab: { takes: ['load'], usualS: 4, usual: { loadPercent: 100 } },
  ramp: { takes: ['from', 'to', 'load'], usualS: 8, usual: { startRpm: 2000, endRpm: 4500, loadPercent: 40 } },
  limiter: { takes: ['load'], usualS: 3, usual: { loadPercent: 100 } },
  coast: { takes: ['from', 'to'], usualS: 4, usual: { startRpm: 4500, endRpm: 1800 } },
  cool_down: { takes: ['speed'], usualS: 15, usual: { speedRpm: 1300 } },
  stop: { takes: [], usualS: 5 },
  stall: { takes: [], usualS: 5 },
  rest: { takes: [], usualS: 5 },
  key_off: { takes: [], usualS: 5 },
  warm_probe: { takes: ['cylinder', 'heat'], usualS: 20, usual: { heatC: 90 } },
  warm_connector: { takes: ['cylinder', 'heat'], usualS: 20, usual: { heatC: 70 } },
  throttle_sweep: { takes: ['load'], usualS: 6, usual: { loadPercent: 100 } },
  switch: { takes: ['switch'], usualS: 4 },
};

/** Reads `stages:`; a `repeat` item lists stages of its own and how many times they come. */
export function readStages(root: ScenarioNode, cylinders: number | undefined): Stage[] {
  const stages: Stage[] = [];
  let endS = 0;
  const place = (nodes: ScenarioNode[], depth: number): void => {
    for (const node of nodes) {
      if (node.text('stage') === 'repeat') {
        const times = Math.min(1000, Math.max(1, Math.round(node.quantity('times', '', 2))));
        if (depth > 3) node.problemAt('stage', 'repeats are nested too deep', 'Nest at most three.');
        else for (let i = 0; i < times; i++) place(node.children('stages'), depth + 1);
        node.done();
        continue;
      }
      const stage = readStage(node, endS, cylinders);
      stages.push(stage);
      endS = stage.toS;
    }
  };
  place(root.children('stages'), 0);
  return stages;
}

function readStage(node: ScenarioNode, fromS: number, cylinders: number | undefined): Stage {
  node.needed('stage', 'Say what it is: `stage: idle`.');
  const kind = node.oneOf('stage', Object.keys(stageKinds) as StageKind[], 'rest');
  const row = stageKinds[kind];
  const stage = { ...blankStage(kind, fromS), ...row.usual, as: node.text('as') };
  for (const key of row.takes) readKey(node, key, stage);
  if (row.takes.includes('cylinder') && cylinders !== undefined && !(stage.cylinder >= 1 && stage.cylinder <= cylinders)) {
    node.problemAt('cylinder', `the engine has no cylinder ${stage.cylinder}`, `Use 1 to ${cylinders}.`);
  }
  stage.toS = fromS + lengthOf(node, row, stage);
  node.done();
  return stage;
}

function blankStage(kind: StageKind, fromS: number): Stage {
  return {
    kind,
    as: undefined,
    fromS,
    toS: fromS,
    speedRpm: 0,
    loadPercent: 0,
    startRpm: 0,
    endRpm: 0,
    rateRpmPerS: 1,
    liftRpm: 0,
    heatC: 0,
    referenceKpa: 0,
    pump: true,
    cylinder: 1,
    load: 'pump',
  };
}

function readKey(node: ScenarioNode, key: StageKey, stage: Stage): void {
  if (key === 'speed') stage.speedRpm = node.quantity('speed', 'rpm', stage.speedRpm);
  if (key === 'load') stage.loadPercent = node.quantity('load', '%', stage.loadPercent);
  if (key === 'from') stage.startRpm = node.quantity('from', 'rpm', stage.startRpm);
  if (key === 'to') stage.endRpm = node.quantity('to', 'rpm', stage.endRpm);
  if (key === 'rate') stage.rateRpmPerS = Math.max(1, node.quantity('rate', 'rpm/s', stage.rateRpmPerS));
  if (key === 'lift') stage.liftRpm = node.quantity('lift', 'rpm', stage.liftRpm);
  if (key === 'heat') stage.heatC = node.quantity('heat', 'degC', stage.heatC);
  if (key === 'reference') stage.referenceKpa = node.quantity('reference', 'kPa', 0);
  if (key === 'pump') stage.pump = node.yes('pump', true);
  if (key === 'cylinder') stage.cylinder = node.quantity('cylinder', '', 1);
  if (key === 'switch') stage.load = node.oneOf('load', loads, 'pump');
}

function lengthOf(node: ScenarioNode, row: StageRow, stage: Stage): number {
  if (stage.kind === 'pull' || stage.kind === 'abandon') {
    const top = stage.kind === 'pull' ? stage.endRpm : Math.min(stage.liftRpm, stage.endRpm);
    return pullLeadS + Math.max(0, top - stage.startRpm) / stage.rateRpmPerS + pullTailS;
  }
  return Math.max(0, node.quantity('for', 's', row.usualS));
}
