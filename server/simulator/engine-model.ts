// The simulated engine: speed, air, mixture, heat, oil and supply, stepped together so that the numbers move as one engine's do.
import type { InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import type { Controls } from './driver.ts';
import { Exhaust, holeEffect } from './exhaust-model.ts';
import type { FaultBoard } from './fault.ts';
import { FuelSet, fuelCharacter } from './fuel-system.ts';
import { Random } from './random.ts';
import type { Scenario } from './scenario.ts';

const primeS = 2;
/** 720° of crank, by which injections are counted, whatever the engine's cycle. */
export const cycleMsTimesRpm = 120_000;
const usualCylinders = 4;
/** What a lambda sensor makes of exhaust that holds nothing but air. */
const oxygenLambda = 2.2;
/** An engine that turns over without fire for so long is standing. */
const stallAfterS = 0.5;

/** Follows `target` with a first-order lag. */
function toward(value: number, target: number, dtS: number, lagS: number): number {
  return value + (target - value) * Math.min(1, dtS / lagS);
}

export class EngineModel {
  readonly cylinders: number;
  speedRpm = 0;
  throttlePercent = 0;
  baroKpa: number;
  manifoldKpa: number;
  intakeC: number;
  coolantC: number;
  oilC: number;
  fuelC: number;
  boxC: number;
  oilKpa = 0;
  batteryV: number;
  timingDeg = 0;
  cut = false;
  limiterCut = false;
  /** 0 none, 1 seeking, 2 synced. */
  sync = 0;
  syncLosses = 0;
  running = false;
  runningS = 0;
  pumpOn = false;
  /** Load against the fullest charge, 0 to 1. */
  load = 0;
  boostTargetKpa: number;
  turboRpm = 0;
  readonly stoichiometricAfr: number;
  /** Mixture of each cylinder; index is cylinder − 1. */
  readonly lambda: Float64Array;
  /** Share of cycles that burn. */
  readonly burning: Float64Array;
  /** Lambda that each bank's sensor shows, in the order of the vehicle's banks. */
  readonly bankLambda: Float64Array;
  readonly sets: FuelSet[];
  readonly exhaust: Exhaust;
  readonly ambientC: number;
  readonly limitRpm: number;

  private readonly scenario: Scenario;
  private readonly vehicle: Vehicle;
  private readonly faults: FaultBoard;
  private readonly random: Random;
  private readonly fullKpa: number;
  private readonly fullCc: number;
  private readonly character: { richLambda: number; heat: number };
  private readonly airShare: Float64Array;
  private readonly lightS: Float64Array;
  private readonly idleWander: { phase: number; rpm: number };
  private readonly electricScale: number;
  /** Battery at rest, of a nominal 12 V: lithium iron phosphate stands higher than lead. */
  private readonly restingV: number;
  private readonly shares: Float64Array;
  private keyS = 0;
  private turningS = 0;
  private firingS = 0;
  private unlitS = 0;
  private boostKpa = 0;
  private oilFilled: number;
  private chargeShare = 0;
  private starterS = 0;
  private nextSyncLossS = 0;
  private outOfSyncS = 0;

  constructor(vehicle: Vehicle, scenario: Scenario, faults: FaultBoard) {
    this.vehicle = vehicle;
    this.scenario = scenario;
    this.faults = faults;
    const random = (name: string): Random => new Random(scenario.seed, name);
    this.random = random('engine');
    this.cylinders = vehicle.engine?.cylinders || usualCylinders;
    this.limitRpm = scenario.engine.limitRpm;
    this.stoichiometricAfr = vehicle.fuel.stoichiometricAfr;
    this.ambientC = scenario.ambient.temperatureC;
    this.baroKpa = scenario.ambient.pressureKpa;
    this.manifoldKpa = this.baroKpa;
    this.boostTargetKpa = boostOf(vehicle, scenario);
    this.fullKpa = Math.max(this.baroKpa, this.boostTargetKpa);
    const warm = { cold: 0, warm: 0.6, hot: 1 }[scenario.start];
    this.coolantC = this.ambientC + (84 - this.ambientC) * warm;
    this.oilC = this.ambientC + (92 - this.ambientC) * warm;
    this.intakeC = this.ambientC + 12 * warm;
    this.fuelC = this.ambientC + 6 * warm;
    this.boxC = this.ambientC + 4;
    this.oilFilled = warm > 0 ? 0.7 : 0;
    this.electricScale = (vehicle.electrical.nominalV ?? 12) / 12;
    this.restingV = /li/i.test(vehicle.electrical.chemistry ?? '') ? 13.3 : 12.65;
    this.batteryV = (this.restingV - 0.05) * this.electricScale;
    const count = this.cylinders;
    this.lambda = new Float64Array(count).fill(1);
    this.burning = new Float64Array(count);
    this.bankLambda = new Float64Array(vehicle.engine?.banks.length ?? 0).fill(oxygenLambda);
    const draw = random('cylinders');
    const scatter = scenario.engine.scatter;
    this.airShare = Float64Array.from({ length: count }, (_, i) => {
      const richer =
        (scenario.distribution.cylinder.get(i + 1)?.richerPercent ?? 0) + holeEffect(vehicle, scenario, i + 1, (e) => e.richerPercent);
      return 1 - richer / 100 + draw.normal(0.004 * scatter);
    });
    this.lightS = Float64Array.from({ length: count }, () => scenario.engine.firesAfterS + draw.between(0, 0.4) * scatter);
    this.idleWander = { phase: draw.between(0, 6), rpm: 14 * scatter };
    const described = vehicle.injectorSets.length > 0 ? vehicle.injectorSets : [undescribedSet(count)];
    this.sets = described.map((set) => new FuelSet(set, vehicle, scenario, count, random(`set ${set.name}`)));
    this.shares = new Float64Array(this.sets.length);
    this.character = fuelCharacter(vehicle.fuel);
    this.fullCc = this.sets.reduce((sum, set) => sum + set.fullCc, 0) / breathing(1);
    this.exhaust = new Exhaust(vehicle, scenario, count, random);
  }

  /** Time of 720° of crank at the present speed, milliseconds. */
  private get cycleMs(): number {
    return cycleMsTimesRpm / Math.max(30, this.speedRpm);
  }

  step(dtS: number, timeS: number, controls: Controls): void {
    this.stepKey(dtS, controls);
    this.stepSpeed(dtS, timeS, controls);
    this.stepSync(dtS, timeS, controls);
    this.stepAir(dtS, controls);
    this.stepFuel(dtS, controls);
    this.stepFire(dtS, controls);
    this.stepHeat(dtS, controls);
    this.stepOil(dtS);
    this.stepSupply(dtS, controls);
  }

  private stepKey(dtS: number, controls: Controls): void {
    this.keyS = controls.key ? this.keyS + dtS : 0;
    const byRule = controls.key && (this.keyS < primeS || this.speedRpm > 40) && (controls.fire || !controls.starter || this.keyS < primeS);
    this.pumpOn = controls.key && (controls.pump === 'forced' || (controls.pump === 'by itself' && byRule));
  }

  private stepSpeed(dtS: number, timeS: number, controls: Controls): void {
    const { engine } = this.scenario;
    this.starterS = controls.starter ? this.starterS + dtS : 0;
    if (!this.running) {
      const plugsOut = controls.starter && !controls.fire ? 1.25 : 1;
      const pulse = plugsOut > 1 ? 0.02 : 0.1;
      const slow = Math.min(1.1, this.batteryV / (10.4 * this.electricScale));
      const target = controls.starter
        ? engine.crankingRpm * plugsOut * slow * (1 + pulse * Math.sin(timeS * 40 + this.random.between(0, 1)))
        : 0;
      this.speedRpm = toward(this.speedRpm, target, dtS, controls.starter ? 0.12 : 0.35);
      if (this.speedRpm < 12 && !controls.starter) this.speedRpm = 0;
      return;
    }
    this.runningS += dtS;
    const lit = this.litShare;
    const flare = Math.max(0, 1 - this.runningS / 1.5) * 500;
    const idle = engine.idleRpm * (0.8 + 0.2 * lit) + flare + this.idleWander.rpm * Math.sin(timeS * 2.3 + this.idleWander.phase);
    const asked = controls.speedRpm > 0 ? Math.max(controls.speedRpm, engine.idleRpm * 0.8) : idle;
    const target = Math.min(asked, this.limitRpm + 400) + this.random.normal(4 * engine.scatter);
    const up = this.limiterCut ? 0 : 5000 * dtS;
    const down = (this.limiterCut ? 1800 : 2600) * dtS;
    const wanted = this.limiterCut ? 0 : target;
    this.speedRpm += Math.min(up, Math.max(-down, wanted - this.speedRpm));
    this.unlitS = lit < 0.25 && !this.cut ? this.unlitS + dtS : 0;
    if (this.unlitS > stallAfterS) this.stall();
    if (!controls.key || !controls.fire) this.stall();
  }

  private stall(): void {
    this.running = false;
    this.runningS = 0;
    this.unlitS = 0;
    this.firingS = 0;
    this.limiterCut = false;
  }

  private get litShare(): number {
    let sum = 0;
    for (let i = 0; i < this.cylinders; i++) sum += this.burning[i] as number;
    return sum / this.cylinders;
  }

  private stepSync(dtS: number, timeS: number, controls: Controls): void {
    this.turningS = this.speedRpm > 40 ? this.turningS + dtS : 0;
    const turning = this.speedRpm > 40 && controls.key;
    this.sync = !turning ? 0 : this.turningS > 0.35 && this.faults.of('no_sync').length === 0 ? 2 : 1;
    const losses = this.faults.of('sync_losses')[0];
    if (losses && this.sync === 2 && timeS >= this.nextSyncLossS) {
      if (this.nextSyncLossS > 0) {
        this.syncLosses++;
        this.outOfSyncS = 0.12;
      }
      this.nextSyncLossS = timeS + this.random.wait(losses.amount);
    }
    this.outOfSyncS = Math.max(0, this.outOfSyncS - dtS);
    if (this.outOfSyncS > 0 && this.sync === 2) this.sync = 1;
    const over = this.running && this.speedRpm > this.limitRpm;
    if (over) this.limiterCut = true;
    else if (this.speedRpm < this.limitRpm - 160) this.limiterCut = false;
    const overrun = this.running && controls.throttlePercent < 1 && this.speedRpm > 1800;
    this.cut = controls.key && (this.limiterCut || overrun || (controls.starter && !controls.fire));
  }

  private stepAir(dtS: number, controls: Controls): void {
    this.throttlePercent = toward(this.throttlePercent, controls.throttlePercent, dtS, 0.05);
    const speed = this.speedRpm / this.limitRpm;
    const open = 1 - (1 - Math.min(1, this.throttlePercent / 100)) ** (2 + 5 * Math.max(0, 1 - speed));
    const pulls = Math.min(1, (this.speedRpm / 700) ** 1.5);
    const atmospheric = this.baroKpa * (1 - (1 - open) * 0.68 * pulls);
    const spool = Math.min(1, Math.max(0, (speed - 0.25) / 0.3));
    const boost =
      this.running && !this.cut ? Math.max(0, this.boostTargetKpa - this.baroKpa) * open ** 3 * spool * spool * (3 - 2 * spool) : 0;
    this.boostKpa = toward(this.boostKpa, boost, dtS, boost > this.boostKpa ? 0.25 + 0.9 * (1 - Math.min(1, speed)) : 0.3);
    this.turboRpm = toward(this.turboRpm, this.running ? 12_000 + 900 * this.boostKpa : 0, dtS, 0.6);
    this.manifoldKpa = toward(this.manifoldKpa, atmospheric + this.boostKpa, dtS, 0.06);
    this.load = this.speedRpm > 0 ? Math.min(1.1, (this.manifoldKpa / this.fullKpa) * breathing(speed)) : 0;
    const late = this.running ? 30 - 13 * this.load + 3 * speed : 10;
    this.timingDeg = this.speedRpm > 0 ? (this.running && this.runningS > 1 ? late : 10) + this.scenario.engine.timingOffsetDeg : 0;
  }

  private stepFuel(dtS: number, controls: Controls): void {
    const fuelled = this.sync === 2 && controls.fire && !this.cut && controls.key;
    const cold = Math.max(0, (70 - this.coolantC) / 70);
    const rich = this.character.richLambda;
    const target = (this.running ? 1 - (1 - rich) * Math.min(1, this.load / 0.75) : 0.9) - 0.06 * cold;
    const wantedCc = fuelled ? (this.fullCc * this.load * rich) / target : 0;
    const demand = {
      dtS,
      pumpOn: this.pumpOn,
      speedRpm: this.speedRpm,
      cycleMs: this.cycleMs,
      baroKpa: this.baroKpa,
      manifoldKpa: this.manifoldKpa,
      batteryV: this.batteryV,
      wantedCc,
      load: this.load,
    };
    this.shareOut();
    for (let k = 0; k < this.sets.length; k++) (this.sets[k] as FuelSet).step(demand, this.shares[k] as number, controls, this.faults);
    for (let i = 0; i < this.cylinders; i++) {
      let given = 0;
      for (const set of this.sets) given += set.givenCc[i] as number;
      const mixture = wantedCc > 0 ? (target * wantedCc * (this.airShare[i] as number)) / Math.max(1e-6, given) : 9;
      this.lambda[i] = Math.min(9, mixture);
    }
  }

  /** The first set carries light load alone; the others come in with load up to their part of full load. */
  private shareOut(): void {
    const ramp = Math.min(1, Math.max(0, (this.load - 0.3) / 0.5));
    let total = 0;
    for (let k = 0; k < this.sets.length; k++) {
      const set = this.sets[k] as FuelSet;
      const off = this.scenario.off.has(set.name);
      this.shares[k] = off ? 0 : set.fullCc * (k === 0 || this.scenario.off.has((this.sets[0] as FuelSet).name) ? 1 : ramp);
      total += this.shares[k] as number;
    }
    if (total > 0) for (let k = 0; k < this.sets.length; k++) this.shares[k] = (this.shares[k] as number) / total;
  }

  private stepFire(dtS: number, controls: Controls): void {
    const spark =
      this.faults.of('no_spark').length === 0 && this.sync === 2 && controls.fire && controls.key && !this.cut && this.speedRpm > 80;
    this.firingS = this.sync === 2 && controls.fire ? this.firingS + dtS : this.running ? this.firingS : 0;
    for (let i = 0; i < this.cylinders; i++) {
      const mixture = this.lambda[i] as number;
      const lit = spark && mixture > 0.45 && mixture < 1.55 && (this.running || this.firingS > (this.lightS[i] as number));
      this.burning[i] = lit ? 1 : 0;
    }
    for (const fault of this.faults.of('misfire')) {
      const i = (fault.cylinder ?? 0) - 1;
      if (i >= 0 && i < this.cylinders) this.burning[i] = (this.burning[i] as number) * (1 - fault.amount / 100);
    }
    if (!this.running && controls.starter && this.litShare >= 0.5) this.running = true;
  }

  private stepHeat(dtS: number, controls: Controls): void {
    const speed = this.speedRpm / this.limitRpm;
    const flow = this.load * speed;
    this.exhaust.step(
      {
        dtS,
        ambientC: this.ambientC,
        flow: this.speedRpm > 20 ? Math.max(0.004, flow) : 0,
        load: this.load,
        speedShare: speed,
        heat: this.character.heat,
        lateDeg: -this.scenario.engine.timingOffsetDeg,
        boxC: this.boxC,
      },
      this.lambda,
      this.burning,
      controls,
      this.faults,
    );
    const { warming } = this.scenario.engine;
    const power = this.running && !this.cut ? 0.15 + flow : 0;
    const thermostat = this.coolantC > 80 ? (this.coolantC - 80) * 0.09 : 0;
    this.coolantC += dtS * warming * (0.75 * power - thermostat * (power > 0 ? 1 : 0.05) - (this.coolantC - this.ambientC) * 0.0006);
    const oilTo = this.running ? 0.95 * this.coolantC + 34 * Math.min(1, flow * 1.4) : this.ambientC;
    this.oilC += (oilTo - this.oilC) * dtS * warming * (this.running ? 0.012 : 0.0007);
    this.intakeC = toward(this.intakeC, this.ambientC + 0.06 * (this.coolantC - this.ambientC) + 0.22 * this.boostKpa, dtS, 4);
    this.fuelC = toward(this.fuelC, this.ambientC + 0.12 * (this.coolantC - this.ambientC), dtS, 240 / warming);
    this.boxC = toward(this.boxC, this.ambientC + 4 + 0.1 * (this.coolantC - this.ambientC), dtS, 200);
    this.stepLambda(dtS);
  }

  /** A lambda sensor shows its bank's mean; cylinders that don't burn send it oxygen, so it reads lean however rich they are. */
  private stepLambda(dtS: number): void {
    const banks = this.vehicle.engine?.banks ?? [];
    for (let b = 0; b < banks.length; b++) {
      const cylinders = (banks[b] as { cylinders: number[] }).cylinders;
      let sum = 0;
      for (const cylinder of cylinders) {
        const i = cylinder - 1;
        const share = this.burning[i] ?? 0;
        sum += share * Math.min(2, this.lambda[i] ?? 1) + (1 - share) * oxygenLambda;
      }
      this.bankLambda[b] = toward(this.bankLambda[b] as number, sum / Math.max(1, cylinders.length), dtS, 0.18);
    }
  }

  private stepOil(dtS: number): void {
    if (this.speedRpm > 50) this.oilFilled = Math.min(1, this.oilFilled + (dtS * this.speedRpm) / 200 / 2.2);
    else this.oilFilled = Math.max(0, this.oilFilled - dtS / 1500);
    const thin = 300 + 5.5 * Math.max(0, this.oilC - 15);
    const full = (480 * this.speedRpm) / (this.speedRpm + thin);
    const share = (this.faults.of('low_oil_pressure')[0]?.amount ?? 100) / 100;
    this.oilKpa = toward(this.oilKpa, full * this.oilFilled ** 3 * share, dtS, 0.2);
  }

  private stepSupply(dtS: number, controls: Controls): void {
    const charging = this.vehicle.electrical.charging !== false && this.faults.of('alternator_off').length === 0;
    const turns = Math.min(1, Math.max(0, (this.speedRpm - 700) / 500));
    this.chargeShare = toward(this.chargeShare, charging && this.running ? turns : 0, dtS, 1.2);
    let volts = this.restingV - (controls.key ? 0.12 : 0) - (this.pumpOn ? 0.15 : 0) - (controls.load ? 0.12 : 0);
    if (this.running && !charging) volts -= Math.min(0.5, this.runningS / 600);
    if (controls.starter)
      volts -= 1.9 + 1.6 * Math.exp(-this.starterS / 0.15) + (this.faults.of('weak_battery')[0]?.amount ?? 0) / this.electricScale;
    volts += (14.15 - volts) * this.chargeShare;
    this.batteryV = toward(this.batteryV, volts * this.electricScale, dtS, 0.03);
  }
}

/** Filling against its best, over speed as a share of the limit. */
function breathing(speed: number): number {
  return 1 - 0.55 * (Math.min(1.1, speed) - 0.72) ** 2;
}

/** Full-load manifold pressure, kPa: as the scenario says, or boosted when the manifold sensor's range goes well beyond the atmosphere. */
function boostOf(vehicle: Vehicle, scenario: Scenario): number {
  if (scenario.engine.boostKpa === undefined) return scenario.ambient.pressureKpa;
  if (scenario.engine.boostKpa !== 'guess') return scenario.engine.boostKpa;
  const name = vehicle.engine?.roles.manifoldPressure;
  for (const bus of vehicle.buses) {
    for (const frame of bus.frames) {
      for (const signal of frame.signals)
        if (signal.name === name && signal.unit === 'kPa' && (signal.max ?? 0) >= 180) return Math.min(210, 0.8 * (signal.max ?? 0));
    }
  }
  return scenario.ambient.pressureKpa;
}

function undescribedSet(cylinders: number): InjectorSet {
  return {
    name: 'undescribed',
    pulseIs: { per: 'event', deadTime: 'included' },
    cylinders: Array.from({ length: cylinders }, (_, i) => i + 1),
    deadTime: [],
    injectors: new Map(),
    plans: [],
  };
}
