// Exhaust of the simulated engine: gas temperature of each port from its mixture, the metal around it, and the probe that lags behind.
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Controls } from './driver.ts';
import type { FaultBoard } from './fault.ts';
import type { Random } from './random.ts';
import type { Effect, Scenario } from './scenario.ts';
import { readThermocouple } from './thermocouple-wiring.ts';

/** Mixture at which exhaust is hottest; leaner and richer are cooler. */
export const peakLambda = 1.02;

/** Drop below the peak, in K, of a petrol engine: flat at the peak, steeper on the lean side. */
export function mixtureDropK(lambda: number): number {
  const off = Math.abs(lambda - peakLambda) / 0.2;
  return (lambda < peakLambda ? 110 : 150) * off * Math.sqrt(off);
}

/** What one step of the exhaust needs of the engine. */
export interface ExhaustInput {
  dtS: number;
  ambientC: number;
  /** Exhaust flow against full load, 0 to above 1; 0 stands still. */
  flow: number;
  load: number;
  speedShare: number;
  heat: number;
  /** Degrees later than the timing that the engine was mapped with. */
  lateDeg: number;
  boxC: number;
}

/** First-order answer of a probe; still air makes it slower, flow faster. */
export class Probe {
  tempC: number;
  readonly lagS: number;

  constructor(lagS: number, tempC: number) {
    this.lagS = lagS;
    this.tempC = tempC;
  }

  /** @param flowFactor Lag against the probe's own: 1 in the flow that it was measured in. */
  step(aroundC: number, flowFactor: number, dtS: number): void {
    this.tempC += (aroundC - this.tempC) * (1 - Math.exp(-dtS / (this.lagS * flowFactor)));
  }
}

const connectorLagS = 180;
const wallLagS = 45;
/** Loads whose current finds its way into a probe with a grounded junction. */
const kelvinPerMillivolt = 24;

export class Exhaust {
  readonly gasC: Float64Array;
  readonly wallC: Float64Array;
  readonly connectorC: Float64Array;
  readonly probes: Probe[];
  /** What the box reads for each cylinder's channel; NaN is an open probe. */
  readonly readC: Float64Array;
  private readonly shared: number;
  private readonly warming: number;
  private readonly gunC: Float64Array;
  /** Standing error of each cylinder's gas at full load, K, and of each probe. */
  private readonly errorK: Float64Array;
  private readonly probeErrorK: Float64Array;
  private readonly noise: Random;
  private readonly noiseK: number;
  private readonly mates: number[][];

  constructor(vehicle: Vehicle, scenario: Scenario, cylinders: number, random: (name: string) => Random) {
    this.shared = scenario.engine.sharedManifold;
    this.warming = scenario.engine.warming;
    this.noise = random('probe noise');
    this.noiseK = 0.5 * scenario.engine.scatter;
    const startC = scenario.start === 'hot' ? 280 : scenario.start === 'warm' ? 90 : scenario.ambient.temperatureC;
    this.gasC = new Float64Array(cylinders).fill(startC);
    this.wallC = new Float64Array(cylinders).fill(startC);
    this.connectorC = new Float64Array(cylinders).fill(scenario.ambient.temperatureC + (scenario.start === 'hot' ? 45 : 0));
    this.gunC = new Float64Array(cylinders);
    this.readC = new Float64Array(cylinders).fill(startC);
    this.errorK = new Float64Array(cylinders);
    this.probeErrorK = new Float64Array(cylinders);
    this.probes = [];
    const draw = random('probes');
    for (let i = 0; i < cylinders; i++) {
      const file = vehicle.engine?.exhaustTemps.find((probe) => probe.cylinder === i + 1);
      const lag = file?.lagS ?? { low: 0.5, high: 1.1 };
      this.probes.push(new Probe(draw.between(lag.low, lag.high), startC));
      const own = scenario.distribution.probe;
      const standing = own.get(file?.probe ?? '')?.hotterK ?? own.get(String(i + 1))?.hotterK ?? 0;
      this.probeErrorK[i] = draw.normal(1.5 * scenario.engine.scatter) + standing;
      this.errorK[i] = draw.normal(5 * scenario.engine.scatter) + standingErrorK(vehicle, scenario, i + 1);
    }
    const banks = vehicle.engine?.banks ?? [];
    this.mates = Array.from({ length: cylinders }, (_, i) => {
      const bank = banks.find((b) => b.cylinders.includes(i + 1));
      return (bank?.cylinders ?? []).filter((n) => n !== i + 1).map((n) => n - 1);
    });
  }

  /**
   * One step.
   * @param lambda Mixture of each cylinder. @param burning Share of its cycles that each cylinder burns, 0 to 1.
   */
  step(input: ExhaustInput, lambda: Float64Array, burning: Float64Array, controls: Controls, faults: FaultBoard): void {
    this.stepPorts(input, lambda, burning);
    this.stepProbes(input, controls);
    this.read(input, controls, faults);
  }

  private stepPorts(input: ExhaustInput, lambda: Float64Array, burning: Float64Array): void {
    const { dtS, ambientC, flow, load } = input;
    const peak = input.heat * (380 + 330 * load ** 0.6 + 150 * input.speedShare) + 4 * input.lateDeg;
    const lossShare = Math.min(0.55, 0.1 / Math.sqrt(Math.max(0.02, flow)));
    const count = this.gasC.length;
    for (let i = 0; i < count; i++) {
      const wall = this.wallC[i] as number;
      if (flow <= 0) {
        this.gasC[i] = wall;
        this.wallC[i] = wall + (ambientC - wall) * (dtS / (wallLagS * 8)) * Math.sqrt(this.warming);
        continue;
      }
      const share = burning[i] as number;
      const burnt =
        ambientC + peak - input.heat * mixtureDropK(Math.min(1.6, lambda[i] as number)) + (this.errorK[i] as number) * Math.min(1, load);
      // A cylinder that only pumps air sends out little heat: it leaves a cold port nearly as it was, and cools a hot one.
      const pumped = ambientC + 2 + 60 * input.speedShare + 0.25 * (wall - ambientC);
      const out = pumped + (burnt - pumped) * share;
      this.gasC[i] = out - (out - wall) * lossShare;
      this.wallC[i] =
        wall + (0.62 * (this.gasC[i] as number) + 0.38 * ambientC - wall) * (1 - Math.exp((-dtS * Math.sqrt(this.warming)) / wallLagS));
    }
    if (flow > 0 && this.shared > 0) this.mix();
  }

  /** A shared manifold carries part of the neighbours' heat into each port. */
  private mix(): void {
    const before = Float64Array.from(this.gasC);
    for (let i = 0; i < before.length; i++) {
      const mates = this.mates[i] as number[];
      if (mates.length === 0) continue;
      let sum = 0;
      for (const mate of mates) sum += before[mate] as number;
      this.gasC[i] = (before[i] as number) + this.shared * (sum / mates.length - (before[i] as number));
    }
  }

  private stepProbes(input: ExhaustInput, controls: Controls): void {
    const { dtS, ambientC, flow } = input;
    const factor = flow <= 0 ? 4 : Math.min(3, Math.max(0.6, Math.sqrt(0.3 / flow)));
    const heated = controls.heated;
    for (let i = 0; i < this.probes.length; i++) {
      const gunOn = heated?.where === 'tip' && heated.cylinder === i + 1;
      const near = heated?.where === 'tip' && Math.abs(heated.cylinder - i - 1) === 1 && this.mates[i]?.includes(heated.cylinder - 1);
      const gun = gunOn ? heated.heatC - ambientC : near ? 0.06 * (heated.heatC - ambientC) : 0;
      this.gunC[i] = (this.gunC[i] as number) + (gun - (this.gunC[i] as number)) * (dtS / (gun > 0 ? 3 : 12));
      (this.probes[i] as Probe).step((this.gasC[i] as number) + (this.gunC[i] as number), factor, dtS);
      const warmed = heated?.where === 'connector' && heated.cylinder === i + 1;
      const connectorTo = warmed
        ? heated.heatC
        : ambientC + (flow > 0 ? 45 : 5) * Math.min(1, ((this.wallC[i] as number) - ambientC) / 200);
      this.connectorC[i] =
        (this.connectorC[i] as number) + (connectorTo - (this.connectorC[i] as number)) * (dtS / (warmed ? 4 : connectorLagS));
    }
  }

  private read(input: ExhaustInput, controls: Controls, faults: FaultBoard): void {
    const count = this.readC.length;
    for (let i = 0; i < count; i++) {
      const probe = this.probes[i] as Probe;
      this.readC[i] =
        probe.tempC + (this.probeErrorK[i] as number) * Math.min(1, Math.max(0, (probe.tempC - 40) / 400)) + this.noise.normal(this.noiseK);
    }
    if (faults.quiet) return;
    for (const fault of faults.of('probe_out'))
      this.set(fault.cylinder, input.ambientC + 0.06 * ((this.gasC[(fault.cylinder ?? 1) - 1] ?? 0) - input.ambientC));
    for (const fault of faults.of('swapped_probes')) this.swap(fault.cylinders);
    this.rewire(input, faults);
    const step = faults.of('ground_loop')[0];
    if (step && (controls.load !== undefined || controls.starter))
      for (let i = 0; i < count; i++) this.readC[i] = (this.readC[i] as number) + step.amount * kelvinPerMillivolt;
    for (const fault of faults.of('open_probe')) this.set(fault.cylinder, Number.NaN);
  }

  private rewire(input: ExhaustInput, faults: FaultBoard): void {
    const wirings = [
      ['shorted_probe', 'shorted'],
      ['reversed_probe', 'reversed'],
      ['extension_crossed', 'extension crossed'],
      ['copper_extension', 'copper extension'],
    ] as const;
    for (const [kind, wiring] of wirings) {
      for (const fault of faults.of(kind)) {
        const i = (fault.cylinder ?? 1) - 1;
        if (i < this.readC.length)
          this.set(fault.cylinder, readThermocouple(wiring, this.readC[i] as number, this.connectorC[i] as number, input.boxC));
      }
    }
  }

  private set(cylinder: number | undefined, tempC: number): void {
    if (cylinder !== undefined && cylinder <= this.readC.length) this.readC[cylinder - 1] = tempC;
  }

  private swap(cylinders: [number, number] | undefined): void {
    if (!cylinders) return;
    const [a, b] = [cylinders[0] - 1, cylinders[1] - 1];
    [this.readC[a], this.readC[b]] = [this.readC[b] as number, this.readC[a] as number];
  }
}

/** Errors of a scenario that are given in K and belong to the hole: bank, position, cylinder, and the groups and injectors that feed it. */
function standingErrorK(vehicle: Vehicle, scenario: Scenario, cylinder: number): number {
  const { distribution } = scenario;
  let total = distribution.cylinder.get(cylinder)?.hotterK ?? 0;
  total += holeEffect(vehicle, scenario, cylinder, (effect) => effect.hotterK);
  for (const set of vehicle.injectorSets) {
    if (scenario.off.has(set.name)) continue;
    const name = scenario.plans.get(set.name) ?? set.plan;
    const plan = set.plans.find((p) => p.name === name) ?? set.plans[0];
    const group = plan?.groups.find((g) => g.cylinders.includes(cylinder));
    total += (group && distribution.group.get(group.name)?.hotterK) ?? 0;
    total += distribution.injector.get(set.injectors.get(cylinder) ?? `${set.name}/${cylinder}`)?.hotterK ?? 0;
  }
  return total;
}

/** The part of bank and position in an error, by one of its sizes. */
export function holeEffect(vehicle: Vehicle, scenario: Scenario, cylinder: number, size: (effect: Effect) => number): number {
  const { distribution } = scenario;
  const bank = vehicle.engine?.banks.find((b) => b.cylinders.includes(cylinder));
  if (!bank) return 0;
  const of = distribution.bank.get(bank.name);
  const last = bank.cylinders.length - 1;
  const place = last > 0 ? 1 - (2 * bank.cylinders.indexOf(cylinder)) / last : 0;
  return (of ? size(of) : 0) + (distribution.position ? place * size(distribution.position) : 0);
}
