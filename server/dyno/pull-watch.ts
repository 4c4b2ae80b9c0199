// The pull or hold in progress, judged as it goes: time to limit, spread beside the last pull, headroom, and ready for the next. Pure.
import { medianOf } from '../checks/watch.ts';
import { toNamePart } from '../definitions/built-in-names.ts';
import type { InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import type { PullProfile } from './pull-profile.ts';
import { findThrottleScale } from './pulls.ts';
import { judgeReadiness, type Readiness, type StartState, startChannels } from './start-state.ts';

/** A channel's good number now, in a unit (its own without one); undefined: it has none. */
export type ReadNow = (channel: string | undefined, unit?: string) => number | undefined;

export interface WatchedCylinder {
  cylinder: number;
  tempC: number | null;
  /** Seconds to the limit at the present rate of the indicated temperature; null: not rising, not sure to a second, or the pull is younger than 2 s. */
  limitInS: number | null;
  /** Lifting takes as long as is left. */
  liftNow: boolean;
  /** It falls by itself at load: misfire, or it lost its fuel. */
  falls: boolean;
}

export interface WatchedSet {
  set: string;
  dutyPercent: number | null;
  headroomPercent: number | null;
  deltaKpa: number | null;
  /** Band around the set's target; null without one. */
  bandKpa: [low: number, high: number] | null;
  inBand: boolean | null;
}

/** A band of engine speed of a pull that was driven before. */
export interface LastBand {
  /** Session time of its beginning, microseconds. */
  fromUs: number;
  /** Middle of the band, rpm. */
  rpm: number;
}

/** A pull that is over. */
export interface DrivenProfile {
  profile: PullProfile;
  /** Session time of its beginning, microseconds. */
  fromUs: number;
}

export interface PullNow {
  phase: 'none' | 'sweep' | 'hold';
  /** Session time since which it lasts, microseconds; null in between. */
  sinceUs: number | null;
  rpm: number | null;
  cylinders: WatchedCylinder[];
  /** The cylinder that is nearest to its limit. */
  nearest: { cylinder: number; limitInS: number } | null;
  liftNow: boolean;
  spreadK: number | null;
  rmsK: number | null;
  /** Of the last pull in this band of engine speed. */
  lastSpreadK: number | null;
  lastRmsK: number | null;
  /** Which pull that was, and its band. */
  last: LastBand | null;
  sets: WatchedSet[];
  readiness: Readiness;
  notJudged: { what: string; line: string }[];
}

/** Common practice, no source. */
const fullThrottle = 0.9;
const loadedThrottle = 0.18;
const hiddenForUs = 2_000_000;
const liftNowS = 1.5;
const deltaBandShare = 0.1;
const fallRateKPerS = 40;
const fallDeviationK = 25;
/** A throttle that dips for longer has been lifted. */
const dipMaxUs = 250_000;
const riseMinRpm = 200;
/** Faster than this on the mean, the engine revs up with nothing to drive: a stab. */
const riseMaxRpmPerS = 2500;
const holdAfterUs = 4_000_000;
const steadyShare = 0.03;
const steadyMinRpm = 100;

/** Steps in time; `step` may be called as often as one likes, times ascending. */
export class PullWatch {
  readonly vehicle: Vehicle;
  /** Start of the evening's first pull, and the profile of the last of each kind: both are set by whoever judges pulls once they are over. */
  first: StartState | undefined;
  last: Partial<Record<PullProfile['kind'], DrivenProfile>> = {};
  private readonly scale: ReturnType<typeof findThrottleScale>;
  private readonly notJudged: PullNow['notJudged'] = [];
  private sweep: { fromUs: number; lowestRpm: number; highestUs: number; highestRpm: number; fullUs: number } | undefined;
  private steady: { fromUs: number; low: number; high: number } | undefined;

  constructor(vehicle: Vehicle) {
    this.vehicle = vehicle;
    const roles = vehicle.engine?.roles;
    const say = (what: string, line: string) => this.notJudged.push({ what, line });
    if (!roles?.speed) say('pulls', 'engine: { speed: <channel of engine speed> }');
    if (!roles?.throttle) say('pulls', 'engine: { throttle: <channel of throttle opening> }');
    this.scale = findThrottleScale(vehicle);
    if (roles?.throttle && !this.scale)
      say('pulls while they are driven', `{ name: ${roles.throttle}, ..., min: <closed>, max: <full open> }`);
    if (vehicle.limits.exhaustTempC === undefined) say('time to limit', 'limits: { exhaust_temp: 780 degC }');
  }

  step(timeUs: number, read: ReadNow): PullNow {
    const roles = this.vehicle.engine?.roles;
    const rpm = read(roles?.speed, 'rpm');
    const opening = read(roles?.throttle);
    const throttle =
      opening === undefined || !this.scale ? undefined : (opening - this.scale.closed) / (this.scale.open - this.scale.closed);
    this.stepSweep(timeUs, rpm, throttle);
    this.stepSteady(timeUs, rpm, throttle);
    const sinceUs = this.sinceUs(timeUs, rpm);
    const cylinders = this.watchCylinders(read, sinceUs !== null, sinceUs === null || timeUs - sinceUs.fromUs < hiddenForUs);
    const timed = cylinders.flatMap(({ cylinder, limitInS }) => (limitInS === null ? [] : [{ cylinder, limitInS }]));
    const before = sinceUs ? this.last[sinceUs.phase] : undefined;
    const band = before?.profile.bands.find(({ speed }) => rpm !== undefined && Math.abs(speed - rpm) <= 125);
    return {
      phase: sinceUs?.phase ?? 'none',
      sinceUs: sinceUs?.fromUs ?? null,
      rpm: rpm === undefined ? null : Math.round(rpm),
      cylinders,
      nearest: timed.reduce<PullNow['nearest']>((best, one) => (best && best.limitInS <= one.limitInS ? best : one), null),
      liftNow: cylinders.some(({ liftNow }) => liftNow),
      spreadK: orNull(read('exhaust_spread', 'K')),
      rmsK: orNull(read('exhaust_rms', 'K')),
      lastSpreadK: band?.spreadK ?? null,
      lastRmsK: band?.rmsK ?? null,
      last: before && band ? { fromUs: before.fromUs, rpm: band.speed } : null,
      sets: this.vehicle.injectorSets.map((set) => this.watchSet(set, read)),
      readiness: judgeReadiness(this.first, this.startNow(read)),
      notJudged: this.notJudged,
    };
  }

  /** A lost reading ends nothing: what can't be known is no lift. Only a throttle that is known to be shut is one. */
  private stepSweep(timeUs: number, rpm: number | undefined, throttle: number | undefined): void {
    if (throttle !== undefined && throttle >= fullThrottle && rpm !== undefined) {
      const begin = { lowestRpm: rpm, fromUs: timeUs, highestRpm: rpm, highestUs: timeUs };
      this.sweep ??= { ...begin, fullUs: timeUs };
      this.sweep.fullUs = timeUs;
      if (rpm < this.sweep.lowestRpm) Object.assign(this.sweep, begin);
      else if (rpm > this.sweep.highestRpm) Object.assign(this.sweep, { highestRpm: rpm, highestUs: timeUs });
    } else if (this.sweep && throttle !== undefined && timeUs - this.sweep.fullUs > dipMaxUs) this.sweep = undefined;
  }

  private stepSteady(timeUs: number, rpm: number | undefined, throttle: number | undefined): void {
    if (rpm === undefined || throttle === undefined) return;
    const running = rpm > (this.vehicle.engine?.runningAboveRpm ?? 400);
    if (!running || throttle < loadedThrottle) this.steady = undefined;
    else {
      const { low = rpm, high = rpm, fromUs = timeUs } = this.steady ?? {};
      const next = { fromUs, low: Math.min(low, rpm), high: Math.max(high, rpm) };
      const isSteady = next.high - next.low <= Math.max(steadyMinRpm, steadyShare * next.high);
      this.steady = isSteady ? next : { fromUs: timeUs, low: rpm, high: rpm };
    }
  }

  private sinceUs(timeUs: number, rpm: number | undefined): { phase: 'sweep' | 'hold'; fromUs: number } | null {
    if (this.steady && timeUs - this.steady.fromUs >= holdAfterUs) return { phase: 'hold', fromUs: this.steady.fromUs };
    if (!this.sweep) return null;
    const { fromUs, lowestRpm, highestRpm, highestUs } = this.sweep;
    const risen = highestRpm - lowestRpm;
    const isStab = risen > (riseMaxRpmPerS * (highestUs - fromUs)) / 1e6;
    return risen >= riseMinRpm && !isStab && (rpm === undefined || rpm - lowestRpm >= riseMinRpm) ? { phase: 'sweep', fromUs } : null;
  }

  private watchCylinders(read: ReadNow, driving: boolean, hidden: boolean): WatchedCylinder[] {
    const limitC = this.vehicle.limits.exhaustTempC;
    return (this.vehicle.engine?.exhaustTemps ?? []).map(({ cylinder, channel }) => {
      const tempC = read(channel, 'degC');
      const isOver = limitC !== undefined && tempC !== undefined && tempC >= limitC;
      const told = read(`exhaust_time_to_limit_${cylinder}`, 's');
      const limitInS = isOver ? 0 : hidden || told === undefined ? null : told;
      const rate = read(`exhaust_rate_${cylinder}`, 'K/s');
      const deviation = read(`exhaust_deviation_${cylinder}`, 'K');
      return {
        cylinder,
        tempC: orNull(tempC),
        limitInS,
        liftNow: limitInS !== null && limitInS < liftNowS,
        // Behind a lift all fall, each as fast as its probe follows: only at load does it mean something.
        falls: driving && rate !== undefined && deviation !== undefined && rate < -fallRateKPerS && deviation < -fallDeviationK,
      };
    });
  }

  private watchSet({ name, targetKpa }: InjectorSet, read: ReadNow): WatchedSet {
    const part = toNamePart(name);
    const duty = read(`duty_${part}`, '%');
    const delta = read(`fuel_delta_${part}`, 'kPa');
    const bandKpa: WatchedSet['bandKpa'] =
      targetKpa === undefined ? null : [targetKpa * (1 - deltaBandShare), targetKpa * (1 + deltaBandShare)];
    return {
      set: name,
      dutyPercent: orNull(duty),
      headroomPercent: duty === undefined ? null : (this.vehicle.limits.dutyPercent ?? 100) - duty,
      deltaKpa: orNull(delta),
      bandKpa,
      inBand: bandKpa && delta !== undefined ? delta >= bandKpa[0] && delta <= bandKpa[1] : null,
    };
  }

  private startNow(read: ReadNow): StartState {
    const { oil, coolant, intake, fuel } = startChannels(this.vehicle);
    const probes = (this.vehicle.engine?.exhaustTemps ?? []).flatMap(({ channel }) => read(channel, 'degC') ?? []);
    const at = (channel: string | undefined) => orNull(read(channel, 'degC'));
    return { oil: at(oil), coolant: at(coolant), intake: at(intake), fuel: at(fuel), exhaust: medianOf(probes) ?? null };
  }
}

function orNull(value: number | undefined): number | null {
  return value ?? null;
}
