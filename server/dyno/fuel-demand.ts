// What a pull asked of the fuel system: duty and flow of each set against what its injectors and its pump can give, and what the supply took. Pure.
import { Curve } from '../channels/curve.ts';
import { injectionPeriodMs, staticFlow } from '../channels/engine-formulas.ts';
import type { SeriesSet } from '../channels/series.ts';
import { firstAtOrAfter, medianWithin, valueAt, watch } from '../checks/watch.ts';
import { toNamePart } from '../definitions/built-in-names.ts';
import type { InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import type { Pull } from './pulls.ts';

/** Of one set in one pull; each null where it isn't known. */
export interface FuelDemand {
  set: string;
  /** Highest duty, %, at an engine speed; headroom is what it leaves up to the limit (100 without one). */
  dutyMax: number | null;
  dutyAtRpm: number | null;
  headroomPercent: number | null;
  /** Where the share of the injectors' capacity is highest: what the pulses asked for, and what the injectors give wide open at that delta, cc/min. */
  demandCcPerMin: number | null;
  capacityCcPerMin: number | null;
  /** What the pump gives at its rated pressure, cc/min. */
  pumpCcPerMin: number | null;
  /** Of capacity and of the pump, %; above 100 less flows than is asked for. */
  ofInjectorsPercent: number | null;
  ofPumpPercent: number | null;
  supply: SupplyEffect | null;
  notJudged: { what: string; line: string }[];
  /** The moments that the figures are of: highest duty, largest share of the injectors, most fuel asked for. */
  from: { busiest?: DemandMoment; fullest?: DemandMoment; most?: DemandMoment };
}

/** What the fall of the supply voltage over the pull took from the set's flow, by its dead time. */
export interface SupplyEffect {
  voltsStart: number;
  voltsLow: number;
  deadStartMs: number;
  deadLowMs: number;
  /** Change of flow at the pulse of that moment, %; below 0 it took some. */
  flowPercent: number;
}

/** Judges all sets of one pull. */
export function judgeFuelDemand(series: SeriesSet, vehicle: Vehicle, pull: Pull): FuelDemand[] {
  return vehicle.injectorSets.map((set) => judgeSet(series, vehicle, set, pull));
}

function judgeSet(series: SeriesSet, vehicle: Vehicle, set: InjectorSet, pull: Pull): FuelDemand {
  const moments = momentsOf(series, vehicle, set, pull);
  const busiest = highest(moments, ({ duty }) => duty);
  const limit = vehicle.limits.dutyPercent ?? 100;
  const fullest = highest(moments, ({ share }) => share);
  const pump = set.pump?.ccPerMin;
  const most = highest(moments, ({ demand }) => demand);
  return {
    set: set.name,
    dutyMax: rounded(busiest?.duty, 1),
    dutyAtRpm: rounded(busiest?.rpm, 0),
    headroomPercent: rounded(busiest && limit - busiest.duty, 1),
    demandCcPerMin: rounded(fullest?.demand, 0),
    capacityCcPerMin: rounded(fullest?.capacity, 0),
    pumpCcPerMin: rounded(pump, 0),
    ofInjectorsPercent: rounded(fullest?.share === undefined ? undefined : 100 * fullest.share, 1),
    ofPumpPercent: rounded(pump === undefined || most?.demand === undefined ? undefined : (100 * most.demand) / pump, 1),
    supply: supplyEffect(series, vehicle, set, pull, fullest),
    notJudged: whatIsMissing(vehicle, set, moments.length > 0, fullest !== undefined),
    from: { ...(busiest && { busiest }), ...(fullest && { fullest }), ...(most && { most }) },
  };
}

/** One sample of a set's duty with what belongs to it. */
export interface DemandMoment {
  timeUs: number;
  rpm: number;
  duty: number;
  periodMs: number;
  deadMs: number | undefined;
  deltaKpa: number | undefined;
  volts: number | undefined;
  /** Asked for and possible, cc/min of the whole set; undefined where delta, flow or dead time isn't known. */
  demand: number | undefined;
  capacity: number | undefined;
  /** Share of the period in which the needle is open, dead time left out. */
  open: number | undefined;
  share: number | undefined;
}

function momentsOf(series: SeriesSet, vehicle: Vehicle, set: InjectorSet, pull: Pull): DemandMoment[] {
  const part = toNamePart(set.name);
  const duty = watch(series, `duty_${part}`, '%');
  const speed = watch(series, vehicle.engine?.roles.speed, 'rpm');
  const delta = watch(series, `fuel_delta_${part}`, 'kPa');
  const battery = watch(series, vehicle.engine?.roles.battery, 'V');
  if (!duty || !speed || set.injectionsPerCycle === undefined) return [];
  const [fromUs, toUs] = [series.startUs + pull.from * 1e6, series.startUs + pull.to * 1e6];
  const moments: DemandMoment[] = [];
  for (let i = firstAtOrAfter(duty.timeUs, fromUs); i < duty.timeUs.length && (duty.timeUs[i] as number) <= toUs; i++) {
    const timeUs = duty.timeUs[i] as number;
    const rpm = valueAt(speed, timeUs);
    if (rpm === undefined || rpm <= 0) continue;
    const periodMs = injectionPeriodMs(rpm, set.injectionsPerCycle, vehicle.engine?.cycle === 'two-stroke' ? 1 : 2);
    const volts = battery && valueAt(battery, timeUs);
    const deadMs = deadTimeAt(set, volts);
    const dutyNow = duty.value[i] as number;
    const open = deadMs === undefined ? undefined : Math.max(0, dutyNow / 100 - deadMs / periodMs);
    const deltaNow = delta && valueAt(delta, timeUs);
    const capacity =
      set.flow && deltaNow !== undefined && set.cylinders.length > 0
        ? set.cylinders.length * staticFlow(set.flow.ccPerMin, set.flow.atKpa, deltaNow)
        : undefined;
    const demand = capacity === undefined || open === undefined ? undefined : capacity * open;
    const share = demand === undefined ? undefined : open;
    moments.push({ timeUs, rpm, duty: dutyNow, periodMs, deadMs, deltaKpa: deltaNow, volts, demand, capacity, open, share });
  }
  return moments;
}

/** Dead time at a supply voltage, ms; undefined when the file doesn't say, or goes by a voltage that isn't known. */
function deadTimeAt(set: InjectorSet, volts: number | undefined): number | undefined {
  if (set.deadTime.length === 0) return undefined;
  if (set.deadTime.length === 1) return set.deadTime[0]?.[1];
  return volts === undefined ? undefined : new Curve(set.deadTime).at(volts);
}

/** Volts are medians: of the pull's first half second, and of the half second around its busiest moment. */
function supplyEffect(
  series: SeriesSet,
  vehicle: Vehicle,
  set: InjectorSet,
  pull: Pull,
  at: DemandMoment | undefined,
): SupplyEffect | null {
  const battery = watch(series, vehicle.engine?.roles.battery, 'V');
  if (!battery || !at?.open || set.deadTime.length < 2) return null;
  const fromUs = series.startUs + pull.from * 1e6;
  const voltsStart = medianWithin(battery, fromUs - 250_000, fromUs + 250_000);
  const voltsLow = medianWithin(battery, at.timeUs - 250_000, at.timeUs + 250_000);
  if (voltsStart === undefined || voltsLow === undefined) return null;
  const [deadStartMs, deadLowMs] = [deadTimeAt(set, voltsStart) as number, deadTimeAt(set, voltsLow) as number];
  const openAtStartVolts = at.open + (deadLowMs - deadStartMs) / at.periodMs;
  return {
    voltsStart: Number(voltsStart.toFixed(2)),
    voltsLow: Number(voltsLow.toFixed(2)),
    deadStartMs: Number(deadStartMs.toFixed(3)),
    deadLowMs: Number(deadLowMs.toFixed(3)),
    flowPercent: openAtStartVolts > 0 ? Number((100 * (at.open / openAtStartVolts - 1)).toFixed(1)) : 0,
  };
}

function whatIsMissing(vehicle: Vehicle, set: InjectorSet, hasDuty: boolean, hasFlow: boolean): FuelDemand['notJudged'] {
  const missing: FuelDemand['notJudged'] = [];
  const say = (what: string, key: string) =>
    missing.push({ what: `${what} of ${set.name}`, line: `injector_sets: { ${set.name}: { ${key} } }` });
  if (!hasDuty) {
    if (set.pulse === undefined) say('duty', 'pulse: <channel of its pulse>');
    if (set.injectionsPerCycle === undefined) say('duty', 'injections_per_cycle: 1');
  } else if (!hasFlow) {
    if (!set.flow) say('flow', 'flow: 900 cc/min at 300 kPa');
    if (set.deadTime.length === 0) say('flow', 'dead_time: 1.0 ms');
    if (set.rail === undefined || set.discharge === undefined) say('flow', 'rail: <channel>, discharge: <channel>');
  }
  if (!set.pump) say('flow against the pump', 'pump: 300 L/h at 400 kPa');
  if (set.deadTime.length === 1) say("the supply voltage's effect", 'dead_time: [[9 V, 1.5 ms], [14 V, 0.8 ms]]');
  if (vehicle.engine?.roles.battery === undefined && set.deadTime.length > 1)
    missing.push({ what: `the supply voltage's effect on ${set.name}`, line: 'engine: { battery: <channel> }' });
  return missing;
}

function highest(moments: readonly DemandMoment[], of: (moment: DemandMoment) => number | undefined): DemandMoment | undefined {
  let best: DemandMoment | undefined;
  for (const moment of moments) {
    const value = of(moment);
    if (value !== undefined && (!best || value > (of(best) as number))) best = moment;
  }
  return best;
}

function rounded(value: number | undefined, digits: number): number | null {
  return value === undefined ? null : Number(value.toFixed(digits));
}
