// What the simulated exhaust settles at in one steady hold: the truth that a distribution study is measured against.
import type { Vehicle } from '../definitions/vehicle.ts';
import { Driver } from './driver.ts';
import { EngineModel } from './engine-model.ts';
import { FaultBoard } from './fault.ts';
import type { Scenario } from './scenario.ts';

/** Cranking and firing need short steps; what then settles are walls and probes, of seconds and more. */
const startStepS = 0.01;
const holdStepS = 0.05;
const warmS = 10;
const holdS = 90;

/** Temperatures by cylinder − 1, °C: of the gas in the port, and as the boxes read it. */
export interface SettledHold {
  gasC: number[];
  readC: number[];
  /** Flow of each injector set, cc/min. */
  flows: Map<string, number>;
}

/**
 * Steps the engine of a scenario, without its faults, to a settled hold. Two calls that differ in one error of `distribution` give
 * that error's true effect; with `engine.scatter` 0 nothing else differs between cylinders.
 */
export function settleHold(vehicle: Vehicle, scenario: Scenario, speedRpm: number, loadPercent: number): SettledHold {
  const engine = new EngineModel(vehicle, { ...scenario, start: 'hot' }, new FaultBoard([]));
  const controls = new Driver(scenario).controls;
  Object.assign(controls, { key: true, fire: true, starter: true });
  for (let s = 0; s < warmS + holdS; ) {
    const stepS = s < warmS ? startStepS : holdStepS;
    controls.starter = !engine.running;
    if (s > warmS) Object.assign(controls, { speedRpm, throttlePercent: loadPercent });
    engine.step(stepS, s, controls);
    s += stepS;
  }
  return {
    gasC: [...engine.exhaust.gasC],
    readC: [...engine.exhaust.readC],
    flows: new Map(engine.sets.map(({ name, flowCcPerMin }) => [name, flowCcPerMin])),
  };
}
