// The rules of a vehicle: the user's alarms, and those made from `limits` and from what every engine needs.
//
// Gates, times and margins are common practice, no source; docs/alarms.md lists them. A user's alarm of the same name takes the place of
// one made here.
import type { Channel } from '../channels/channel-list.ts';
import { toNamePart } from '../definitions/built-in-names.ts';
import type { AlarmRule, ExhaustProbe, InjectorSet, Vehicle } from '../definitions/vehicle.ts';

/** Above this throttle (percent), or this manifold pressure, the engine pulls a load. */
const loadThrottlePercent = 50;
const loadManifoldKpa = 80;
const standardAtmosphereKpa = 101.325;
/** Probes settle behind a change of load; without a load channel the whole engine has to. */
const settledUs = 2_000_000;
const settledWithoutLoadUs = 10_000_000;

/** Below its limit by so much, an alarm ends. */
const temperatureMarginK = 10;
const spreadMarginK = 10;
const dutyMarginPercent = 3;

/** A port that falls by itself: faster than this, and this far below the others. */
const fallRateKPerS = 40;
const fallDeviationK = 25;

/** Fuel pressure delta off its target by a tenth, at least by 20 kPa. */
const deltaShare = 0.1;
const deltaLeastKpa = 20;

/** What rules are made from. */
interface Parts {
  vehicle: Vehicle;
  channels: ReadonlyMap<string, Channel>;
  /** `not cut`, or undefined when the vehicle names no cut. A cut that can't be read counts as none. */
  noCut: string | undefined;
  running: string | undefined;
  /** Settled load, and how long it must have held. */
  load: { gate: string | undefined; armAfterUs: number };
}

/** All rules in force, the user's first. */
export function listAlarmRules(vehicle: Vehicle, channels: readonly Channel[]): AlarmRule[] {
  const parts = partsOf(vehicle, new Map(channels.map((channel) => [channel.name, channel])));
  const probes = vehicle.engine?.exhaustTemps ?? [];
  const made = [
    ...probes.flatMap((probe) => temperatureRule(parts, probe)),
    ...spreadRule(parts),
    ...vehicle.injectorSets.flatMap((set) => [...dutyRule(parts, set), ...deltaRules(parts, set)]),
    ...probes.flatMap((probe) => fallRule(parts, probe)),
  ];
  const own = new Set(vehicle.alarms.map((rule) => rule.name));
  return [...vehicle.alarms, ...made.filter((rule) => !own.has(rule.name))];
}

function partsOf(vehicle: Vehicle, channels: ReadonlyMap<string, Channel>): Parts {
  const cut = vehicle.engine?.roles.cut;
  const noCut = cut !== undefined && channels.has(cut) ? `not (is_good(${cut}) and ${cut})` : undefined;
  const running = channels.has('engine_running') ? 'engine_running' : undefined;
  const load = loadTerm(vehicle, channels);
  const gate = all(running, load, noCut);
  return { vehicle, channels, noCut, running, load: { gate, armAfterUs: load === undefined ? settledWithoutLoadUs : settledUs } };
}

/** Terms joined by `and`; undefined when there is none. */
function all(...terms: (string | undefined)[]): string | undefined {
  const given = terms.filter((term) => term !== undefined);
  return given.length === 0 ? undefined : given.join(' and ');
}

/** The engine pulls a load, by its throttle or else by its manifold pressure; undefined when neither tells. */
function loadTerm({ engine }: Vehicle, channels: ReadonlyMap<string, Channel>): string | undefined {
  const throttle = channels.get(engine?.roles.throttle ?? '');
  if (throttle && (throttle.unit === '%' || throttle.unit === '')) {
    const isShare = throttle.unit === '' && throttle.max !== undefined && throttle.max <= 1;
    return `${throttle.name} > ${isShare ? loadThrottlePercent / 100 : loadThrottlePercent}`;
  }
  const manifold = channels.get(engine?.roles.manifoldPressure ?? '');
  if (manifold?.reference !== 'absolute' && manifold?.reference !== 'gauge') return undefined;
  const limitKpa = manifold.reference === 'absolute' ? loadManifoldKpa : loadManifoldKpa - standardAtmosphereKpa;
  return `${inUnit(manifold, 'kPa')} > ${limitKpa} kPa`;
}

function inUnit(channel: Channel, unit: string): string {
  return channel.unit === unit ? channel.name : `in(${channel.name}, ${unit})`;
}

/** A rule with what most have; `gate` undefined leaves it always armed. */
function rule(parts: Parts, gate: string | undefined, given: Pick<AlarmRule, 'name' | 'when' | 'advice'> & Partial<AlarmRule>): AlarmRule {
  const always = { armAfterUs: 0, forUs: 0, severity: 'warning' as const, latch: false, at: parts.vehicle.limits.at };
  return { ...always, ...(gate === undefined ? {} : { while: gate }), ...given };
}

/** The indicated temperature, as limits of the trade are meant; a spike of one frame counts. */
function temperatureRule(parts: Parts, { cylinder, channel }: ExhaustProbe): AlarmRule[] {
  const limitC = parts.vehicle.limits.exhaustTempC;
  const probe = parts.channels.get(channel);
  if (limitC === undefined || !probe || !parts.channels.has(`exhaust_rate_${cylinder}`)) return [];
  const temperature = inUnit(probe, 'degC');
  return [
    rule(parts, parts.noCut, {
      name: `exhaust temperature ${cylinder}`,
      when: `${temperature} > ${limitC} degC`,
      clear: `${temperature} < ${limitC - temperatureMarginK} degC`,
      latch: true,
      advice: `Lift now: cylinder ${cylinder} is over its limit`,
    }),
  ];
}

function spreadRule(parts: Parts): AlarmRule[] {
  const limitK = parts.vehicle.limits.exhaustSpreadK;
  if (limitK === undefined || !parts.channels.has('exhaust_spread')) return [];
  return [
    rule(parts, parts.load.gate, {
      name: 'exhaust spread',
      when: `exhaust_spread > ${limitK} K`,
      clear: `exhaust_spread < ${Math.max(0, limitK - spreadMarginK)} K`,
      armAfterUs: parts.load.armAfterUs,
      forUs: 500_000,
      severity: 'caution',
      advice: 'Lift, and look which cylinder differs',
    }),
  ];
}

function dutyRule(parts: Parts, set: InjectorSet): AlarmRule[] {
  const limit = parts.vehicle.limits.dutyPercent;
  const name = `duty_${toNamePart(set.name)}`;
  if (limit === undefined || !parts.channels.has(name)) return [];
  return [
    rule(parts, parts.running, {
      name: `duty ${set.name}`,
      when: `${name} > ${limit}`,
      clear: `${name} < ${limit - dutyMarginPercent}`,
      forUs: 200_000,
      severity: 'caution',
      advice: 'The injectors have no headroom left: lift',
    }),
  ];
}

/** Fuel pressure delta, smoothed over an engine cycle or so, held, and only while the engine runs: tip-in and pulsation pass. */
function deltaRules(parts: Parts, set: InjectorSet): AlarmRule[] {
  const name = `fuel_delta_${toNamePart(set.name)}`;
  const { targetKpa } = set;
  if (targetKpa === undefined || parts.running === undefined || !parts.channels.has(name)) return [];
  const offKpa = Math.max(deltaLeastKpa, targetKpa * deltaShare);
  const calm = `smooth(${name}, 0.1 s)`;
  const times = { armAfterUs: settledUs, forUs: 400_000 };
  const low = targetKpa - offKpa;
  const high = targetKpa + offKpa;
  return [
    rule(parts, parts.running, {
      ...times,
      name: `fuel delta ${set.name} low`,
      when: `${calm} < ${low} kPa`,
      clear: `${calm} > ${low + offKpa / 2} kPa`,
      latch: true,
      advice: 'Lift now: the fuel pressure does not hold',
    }),
    rule(parts, parts.running, {
      ...times,
      name: `fuel delta ${set.name} high`,
      when: `${calm} > ${high} kPa`,
      clear: `${calm} < ${high - offKpa / 2} kPa`,
      severity: 'caution',
      advice: 'Look at the regulator, its hose and the return line',
    }),
  ];
}

/** One port falls at load while the others don't: a misfire, or a cylinder that lost its fuel. */
function fallRule(parts: Parts, { cylinder }: ExhaustProbe): AlarmRule[] {
  const rate = `exhaust_rate_${cylinder}`;
  const deviation = `exhaust_deviation_${cylinder}`;
  if (!parts.channels.has(rate) || !parts.channels.has(deviation)) return [];
  return [
    rule(parts, parts.load.gate, {
      name: `cylinder ${cylinder} falls`,
      when: `${rate} < -${fallRateKPerS} and ${deviation} < -${fallDeviationK}`,
      clear: `${deviation} > -${fallDeviationK}`,
      armAfterUs: parts.load.armAfterUs,
      forUs: 200_000,
      latch: true,
      advice: `Lift: cylinder ${cylinder} misfires or lost its fuel. Don't add fuel on lambda now`,
    }),
  ];
}
