// The first start judged on a recording: oil, fuel, battery, sync, and whether every cylinder is lit. Pure.
import type { SeriesSet } from '../channels/series.ts';
import type { InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import type { TrafficLog } from './bus-traffic.ts';
import { type Bout, findBouts } from './engine-run.ts';
import { isFault } from './error-frame.ts';
import { judgeLit } from './lit-cylinders.ts';
import { followDevice } from './outage.ts';
import type { CheckResult, Verdict } from './verdict.ts';
import { firstAtOrAfter, heldFor, medianWithin, valueAt, valuesWithin, type Watched, watch } from './watch.ts';

/**
 * Limits of the first start. Common practice, no source, where nothing else is said; a nominal voltage of 12 V is meant and others are
 * scaled.
 */
export const firstStartLimits = {
  /** Once running: at least this within this time. */
  oilRunningKpa: 70,
  oilRunningWithinS: 3,
  /** Seen while cranking without fuel and spark. */
  oilCrankingKpa: 30,
  oilCrankingMinS: 4,
  oilLostForMs: 300,
  /** Of the target, and never less than this many kPa. */
  fuelDeltaShare: 0.1,
  fuelDeltaMinKpa: 25,
  fuelDeltaForMs: 500,
  /** After the engine runs by itself, before its fuel pressure is judged. */
  fuelDeltaAfterS: 1,
  crankingVolts: 9.6,
  crankingForMs: 150,
  chargingFromVolts: 13.2,
  chargingToVolts: 15.2,
  chargingAfterS: 5,
  crankedMinS: 1.5,
} as const;

/** Judges the whole recording; of several starts the last one decides. */
export function checkFirstStart(series: SeriesSet, vehicle: Vehicle, traffic: TrafficLog): CheckResult {
  const result: CheckResult = {
    check: 'first-start',
    frames: series.frames,
    seconds: (series.endUs - series.startUs) / 1e6,
    verdicts: [],
    notJudged: [],
  };
  new FirstStart(series, vehicle, traffic, result).judge();
  return result;
}

class FirstStart {
  private readonly series: SeriesSet;
  private readonly vehicle: Vehicle;
  private readonly traffic: TrafficLog;
  private readonly result: CheckResult;
  private readonly bouts: Bout[];
  /** The start that decides: the last turn of the engine with fuel and spark. */
  private readonly start: Bout | undefined;

  constructor(series: SeriesSet, vehicle: Vehicle, traffic: TrafficLog, result: CheckResult) {
    this.series = series;
    this.vehicle = vehicle;
    this.traffic = traffic;
    this.result = result;
    this.bouts = findBouts(series, vehicle);
    this.start = this.bouts.filter((bout) => !bout.dry || bout.runsUs !== undefined).at(-1);
  }

  judge(): void {
    if (!this.vehicle.engine?.roles.speed) {
      this.notJudged('the start', 'engine: { speed: <channel of engine speed> }');
      return;
    }
    if (this.bouts.length === 0) {
      this.notJudged('the start', 'nothing: the engine did not turn in this recording');
      return;
    }
    this.judgeOilBeforeFire();
    this.judgeCrankingVoltage();
    this.judgeBus();
    if (!this.start) return;
    this.judgeCrank(this.start);
    if (this.start.runsUs !== undefined) this.judgeRun(this.start, this.start.runsUs);
    this.judgeSync(this.start);
  }

  private judgeRun(start: Bout, runsUs: number): void {
    this.judgeOilRunning(runsUs, start.toUs);
    for (const set of this.vehicle.injectorSets) this.judgeFuelDelta(set, runsUs, start.toUs);
    this.judgeCharging(runsUs, start.toUs);
    this.judgeCylinders(runsUs, start.toUs);
  }

  private add(verdict: Verdict): void {
    this.result.verdicts.push(verdict);
  }

  private notJudged(what: string, line: string): void {
    this.result.notJudged?.push({ what, line });
  }

  private at(timeUs: number): number {
    return Math.round(timeUs - this.series.startUs) / 1e6;
  }

  /** Oil pressure over the atmosphere, kPa. */
  private watchOil(): Watched | undefined {
    const channel = this.vehicle.engine?.roles.oilPressure;
    const oil = watch(this.series, channel, 'kPa');
    if (!oil) {
      this.notJudged('oil pressure', channel ? `nothing: ${channel} never came` : 'engine: { oil_pressure: <channel> }');
      return undefined;
    }
    const signal = this.vehicle.buses.flatMap((bus) => bus.frames.flatMap((frame) => frame.signals)).find(({ name }) => name === channel);
    if (signal?.reference !== 'absolute') return oil;
    const barometer = this.vehicle.engine?.barometer;
    const around = barometer && 'channel' in barometer ? watch(this.series, barometer.channel, 'kPa') : undefined;
    const typed = barometer && 'valueKpa' in barometer ? barometer.valueKpa : 101.325;
    return { ...oil, value: oil.value.map((value, i) => value - ((around && valueAt(around, oil.timeUs[i] as number)) ?? typed)) };
  }

  private judgeOilBeforeFire(): void {
    const dry = this.bouts.filter((bout) => bout.dry && bout.runsUs === undefined);
    const oil = dry.length > 0 ? this.watchOil() : undefined;
    const [first] = dry;
    if (!oil || !first) return;
    const limits = firstStartLimits;
    const seen = dry.map((bout) => heldFor(oil, bout.fromUs, bout.toUs, 200_000, (kpa) => kpa >= limits.oilCrankingKpa)).find(Boolean);
    const cranked = dry.reduce((sum, bout) => sum + bout.toUs - bout.fromUs, 0) / 1e6;
    if (!seen && cranked < limits.oilCrankingMinS) return;
    const most = Math.max(...dry.map((bout) => maximum(valuesWithin(oil, bout.fromUs, bout.toUs))));
    const last = dry.at(-1) as Bout;
    this.add({
      code: 'oil-pressure',
      ok: seen !== undefined,
      channel: oil.channel,
      at: this.at(seen ? seen.fromUs : last.toUs),
      measured: Number.isFinite(most) ? round(most) : null,
      limit: limits.oilCrankingKpa,
      phase: 'cranking',
      say: seen
        ? `oil pressure came while cranking without fuel, ${((seen.fromUs - first.fromUs) / 1e6).toFixed(1)} s from the first turn`
        : `no oil pressure in ${cranked.toFixed(0)} s of cranking without fuel`,
      ...(seen
        ? {}
        : { next: 'Do not fire it. Look for oil in the pump, a dry pick-up, the relief valve, the sensor and its line; prime by hand.' }),
    });
  }

  private judgeOilRunning(runsUs: number, endUs: number): void {
    const oil = this.watchOil();
    if (!oil) return;
    const limits = firstStartLimits;
    const deadlineUs = runsUs + limits.oilRunningWithinS * 1e6;
    const came = heldFor(oil, runsUs - 2_000_000, Math.min(endUs, deadlineUs), 100_000, (kpa) => kpa >= limits.oilRunningKpa);
    const common = { code: 'oil-pressure', channel: oil.channel, limit: limits.oilRunningKpa, phase: 'running' };
    if (!came && endUs >= deadlineUs) {
      const kpa = valueAt(oil, deadlineUs);
      this.add({
        ...common,
        ok: false,
        at: this.at(deadlineUs),
        measured: kpa === undefined ? null : round(kpa),
        say:
          kpa === undefined
            ? `${oil.channel} gives no number ${limits.oilRunningWithinS} s after the engine runs`
            : `oil pressure is ${kpa.toFixed(0)} kPa ${limits.oilRunningWithinS} s after the engine runs`,
        next: 'Shut down now. Do not start again before the pressure has been seen while cranking without fuel.',
      });
      return;
    }
    if (!came) return;
    const lost = heldFor(oil, came.sureUs, endUs - 500_000, limits.oilLostForMs * 1000, (kpa) => kpa < limits.oilRunningKpa);
    const gone = lost ? undefined : lastGoodBefore(oil, endUs - 1_500_000);
    const bad = lost ? lost.sureUs : gone;
    this.add({
      ...common,
      ok: bad === undefined,
      at: this.at(bad ?? came.fromUs),
      measured: bad === undefined ? round(came.value) : lost ? round(lost.value) : null,
      say: lost
        ? `oil pressure fell below ${limits.oilRunningKpa} kPa while the engine runs`
        : gone !== undefined
          ? `${oil.channel} gives no number any more while the engine runs`
          : `oil pressure came ${Math.max(0, (came.fromUs - runsUs) / 1e6).toFixed(1)} s after the engine runs and stayed`,
      ...(bad === undefined ? {} : { next: 'Shut down now.' }),
    });
  }

  private judgeFuelDelta(set: InjectorSet, runsUs: number, endUs: number): void {
    const limits = firstStartLimits;
    const delta = watch(this.series, `fuel_delta_${set.name}`, 'kPa');
    if (!delta || set.targetKpa === undefined) {
      this.notJudged(`fuel pressure delta of ${set.name}`, this.fuelLine(set));
      return;
    }
    const target = set.targetKpa;
    const band = Math.max(limits.fuelDeltaShare * target, limits.fuelDeltaMinKpa);
    const calm = averaged(delta, 200_000);
    const fromUs = runsUs + limits.fuelDeltaAfterS * 1e6;
    const toUs = endUs - 1_000_000;
    if (toUs - fromUs < 500_000) return;
    const off = heldFor(calm, fromUs, toUs, limits.fuelDeltaForMs * 1000, (kpa) => Math.abs(kpa - target) > band);
    const silent = !off && firstAtOrAfter(delta.timeUs, toUs) === firstAtOrAfter(delta.timeUs, fromUs);
    const kpa = off?.value ?? medianWithin(delta, fromUs, toUs);
    this.add({
      code: 'fuel-delta',
      ok: !off && !silent,
      set: set.name,
      channel: delta.channel,
      ...(off ? { at: this.at(off.fromUs) } : {}),
      measured: kpa === undefined ? null : round(kpa),
      limit: off && off.value > target ? round(target + band) : round(target - band),
      say: silent
        ? `the fuel pressure delta of ${set.name} is not known while the engine runs`
        : off
          ? `fuel pressure delta of ${set.name} is ${off.value.toFixed(0)} kPa instead of ${target} ± ${band.toFixed(0)} kPa`
          : `fuel pressure delta of ${set.name} holds ${(kpa ?? target).toFixed(0)} kPa`,
      ...(off
        ? {
            next:
              off.value < target
                ? `Look at the ${set.name} pump, its feed, the filter and the regulator's reference hose.`
                : `Look at the ${set.name} return line and regulator.`,
          }
        : {}),
    });
  }

  private fuelLine(set: InjectorSet): string {
    const missing = [
      set.rail ? '' : 'rail: <channel>',
      set.discharge ? '' : 'discharge: <channel>',
      set.targetKpa === undefined ? 'target: 300 kPa' : '',
    ].filter(Boolean);
    const keys =
      missing.length > 0 ? missing.join(', ') : 'reference: gauge or absolute on its pressure signals, and engine: { barometer: ... }';
    return `injector_sets: { ${set.name}: { ${keys} } }`;
  }

  private judgeCrankingVoltage(): void {
    const battery = this.watchBattery('cranking voltage');
    if (!battery) return;
    const { volts, nominal } = battery;
    const limit = (firstStartLimits.crankingVolts * nominal) / 12;
    const calm = averaged(volts, 100_000);
    let lowest = Number.POSITIVE_INFINITY;
    let low: ReturnType<typeof heldFor>;
    for (const bout of this.bouts) {
      const fromUs = bout.fromUs + 200_000;
      const toUs = bout.runsUs ?? bout.toUs;
      lowest = Math.min(lowest, minimum(valuesWithin(calm, fromUs, toUs)));
      low ??= heldFor(calm, fromUs, toUs, firstStartLimits.crankingForMs * 1000, (value) => value < limit);
    }
    if (!Number.isFinite(lowest)) return;
    this.add({
      code: 'cranking-voltage',
      ok: low === undefined,
      channel: volts.channel,
      ...(low ? { at: this.at(low.fromUs) } : {}),
      measured: round(lowest, 2),
      limit: round(limit, 2),
      say: `battery ${low ? 'falls to' : 'holds'} ${lowest.toFixed(1)} V while the starter turns`,
      ...(low ? { next: 'Charge the battery, then measure the drop along starter cable and ground strap while cranking.' } : {}),
    });
  }

  private watchBattery(what: string): { volts: Watched; nominal: number } | undefined {
    const { nominalV } = this.vehicle.electrical;
    const volts = watch(this.series, this.vehicle.engine?.roles.battery, 'V');
    if (nominalV === undefined) this.notJudged(what, 'electrical: { nominal: 12 V }');
    else if (!volts) this.notJudged(what, 'engine: { battery: <channel> }');
    return volts && nominalV !== undefined ? { volts, nominal: nominalV } : undefined;
  }

  private judgeCharging(runsUs: number, endUs: number): void {
    const { charging } = this.vehicle.electrical;
    if (charging === undefined) this.notJudged('charging', 'electrical: { charging: true }');
    const battery = charging === true ? this.watchBattery('charging') : undefined;
    if (!battery) return;
    const fromUs = runsUs + firstStartLimits.chargingAfterS * 1e6;
    const toUs = endUs - 1_000_000;
    const volts = toUs - fromUs > 500_000 ? medianWithin(battery.volts, Math.max(fromUs, toUs - 10_000_000), toUs) : undefined;
    if (volts === undefined) return;
    const scale = battery.nominal / 12;
    const [low, high] = [firstStartLimits.chargingFromVolts * scale, firstStartLimits.chargingToVolts * scale];
    const ok = volts >= low && volts <= high;
    const off = ok ? undefined : heldFor(averaged(battery.volts, 500_000), fromUs, toUs, 0, (value) => value < low || value > high);
    this.add({
      code: 'charging',
      ok,
      channel: battery.volts.channel,
      ...(off ? { at: this.at(off.fromUs) } : {}),
      measured: round(volts, 2),
      limit: round(volts > high ? high : low, 2),
      say: ok
        ? `charging at ${volts.toFixed(1)} V`
        : `battery at ${volts.toFixed(1)} V while the engine runs: ${volts < low ? 'not charging' : 'overcharging'}`,
      ...(ok
        ? {}
        : {
            next:
              volts < low
                ? 'Look at the alternator belt, its feed, its field wire and fuse.'
                : 'Look at the voltage regulator before anything boils.',
          }),
    });
  }

  private judgeCrank(start: Bout): void {
    const crankedS = ((start.runsUs ?? start.toUs) - start.fromUs) / 1e6;
    if (start.runsUs !== undefined) {
      this.add({
        code: 'failed-crank',
        ok: true,
        at: this.at(start.runsUs),
        measured: round(crankedS, 2),
        say: `it runs after ${crankedS.toFixed(1)} s of cranking`,
      });
      return;
    }
    if (crankedS < firstStartLimits.crankedMinS) return;
    const { reason, say, next } = this.whyNotRunning(start);
    this.add({
      code: 'failed-crank',
      ok: false,
      at: this.at(start.fromUs),
      measured: round(crankedS, 2),
      reason,
      say: `it cranked for ${crankedS.toFixed(1)} s and did not start: ${say}`,
      next,
    });
  }

  private whyNotRunning(start: Bout): { reason: string; say: string; next: string } {
    const sync = watch(this.series, this.vehicle.engine?.roles.sync, '');
    const synced = sync && share(valuesWithin(sync, start.fromUs + 700_000, start.toUs), (state) => state >= 2);
    if (synced !== undefined && synced < 0.3) {
      return { reason: 'sync', say: 'no sync', next: 'Look at the crank and cam sensors: gap, polarity, wiring, tooth pattern.' };
    }
    for (const set of this.vehicle.injectorSets) {
      const delta = watch(this.series, `fuel_delta_${set.name}`, 'kPa');
      const kpa = delta && medianWithin(delta, start.fromUs + 700_000, start.toUs);
      if (kpa !== undefined && set.targetKpa !== undefined && kpa < 0.7 * set.targetKpa && this.isInUse(set, start)) {
        return {
          reason: 'fuel pressure',
          say: `fuel pressure delta of ${set.name} is ${kpa.toFixed(0)} kPa instead of ${set.targetKpa}`,
          next: `Look at the ${set.name} pump, its relay and fuse, fuel in the tank, the filter.`,
        };
      }
    }
    const fired = this.firedWhileCranking(start);
    const some =
      fired.length > 0
        ? `cylinder ${fired.join(' and ')} fired, the others did not`
        : 'sync and fuel pressure are there, and no cylinder fired';
    return { reason: 'no fire', say: some, next: 'Look at spark (plugs, coils, their feed), then injectors, then timing.' };
  }

  private isInUse(set: InjectorSet, start: Bout): boolean {
    const pulse = watch(this.series, set.pulse, 'ms');
    const during = pulse && valuesWithin(pulse, start.fromUs, start.toUs);
    return !during || during.length === 0 || during.some((ms) => ms > 0);
  }

  private firedWhileCranking(start: Bout): number[] {
    const probes = this.vehicle.engine?.exhaustTemps ?? [];
    return probes
      .filter(({ channel }) => {
        const temp = watch(this.series, channel, 'degC', 'bad');
        const before = temp && medianWithin(temp, start.fromUs - 1_500_000, start.fromUs + 500_000);
        const after = temp && medianWithin(temp, start.toUs - 700_000, start.toUs);
        return before !== undefined && after !== undefined && after - before > 25;
      })
      .map(({ cylinder }) => cylinder);
  }

  private judgeCylinders(runsUs: number, endUs: number): void {
    const probes = this.vehicle.engine?.exhaustTemps.length ?? 0;
    if (probes === 0) this.notJudged('whether every cylinder is lit', 'engine: { exhaust_temps: { 1: { channel: ..., place: port } } }');
    if (probes === 0 || endUs - runsUs < 3_000_000) return;
    const { unlit, lit, unknown } = judgeLit(this.series, this.vehicle, runsUs, endUs - 300_000);
    for (const { cylinder, channel } of lit)
      this.add({ code: 'cylinder-cold', ok: true, cylinder, channel, say: `cylinder ${cylinder} is lit` });
    for (const { cylinder, why } of unknown)
      this.notJudged(`whether cylinder ${cylinder} is lit (${why})`, `engine: { exhaust_temps: { ${cylinder}: ... } }`);
    for (const { cylinder, channel, kind, atUs, behindK, confidence } of unlit) {
      this.add({
        code: kind === 'cold' ? 'cylinder-cold' : 'cylinder-lazy',
        ok: false,
        cylinder,
        channel,
        at: this.at(atUs),
        confidence: round(confidence, 2),
        measured: round(-behindK),
        say:
          kind === 'cold'
            ? `cylinder ${cylinder} is not lit: its exhaust stays ${behindK.toFixed(0)} K behind the others`
            : `cylinder ${cylinder} burns late or weakly: ${behindK.toFixed(0)} K behind the others`,
        next: 'Shut down before unburnt fuel fills the exhaust. Then spark first, injector plug and click, compression; swap one part with a neighbour and see what the cold follows.',
      });
    }
  }

  private judgeSync(start: Bout): void {
    const { sync, syncLosses } = this.vehicle.engine?.roles ?? {};
    const state = watch(this.series, sync, '');
    const losses = watch(this.series, syncLosses, '');
    if (!state && !losses) {
      this.notJudged('sync losses', 'engine: { sync_losses: <channel> }');
      return;
    }
    const syncedUs = state ? heldFor(state, start.fromUs, start.toUs, 0, (value) => value >= 2)?.fromUs : start.fromUs;
    if (syncedUs === undefined) return;
    const toUs = start.toUs - 700_000;
    const counted = losses ? countRises(losses, syncedUs, toUs) : { count: 0, firstUs: undefined };
    const fell = state && heldFor(state, syncedUs, toUs, 0, (value) => value < 2);
    const firstUs = counted.firstUs ?? fell?.fromUs;
    const count = Math.max(counted.count, fell ? 1 : 0);
    this.add({
      code: 'sync-loss',
      ok: count === 0,
      ...(firstUs === undefined ? {} : { at: this.at(firstUs) }),
      ...(losses ? { channel: losses.channel } : state ? { channel: state.channel } : {}),
      measured: count,
      limit: 0,
      say: count === 0 ? 'sync held from first to last' : `sync was lost ${count === 1 ? 'once' : `${count} times`}`,
      ...(count === 0
        ? {}
        : { next: 'Look at the crank sensor: gap, run-out, shield, routing beside ignition leads, supply while cranking.' }),
    });
  }

  private judgeBus(): void {
    const windows = this.bouts.map((bout) => ({ fromUs: bout.fromUs - 300_000, toUs: bout.runsUs ?? bout.toUs }));
    const within = (fromUs: number, toUs: number) => windows.some((window) => fromUs < window.toUs && toUs > window.fromUs);
    let found = false;
    for (const bus of this.vehicle.buses) {
      for (const device of bus.devices) {
        const { outages } = followDevice(device, this.traffic);
        const drops = outages.filter((outage) => outage.kind !== 'never' && outage.missed >= 2 && within(outage.fromUs, outage.toUs));
        const [first] = drops;
        if (!first) continue;
        found = true;
        this.add({
          code: 'bus-dropout',
          ok: false,
          bus: bus.name,
          device: device.name,
          at: this.at(first.fromUs),
          measured: round(Math.max(...drops.map((drop) => drop.toUs - drop.fromUs)) / 1e6, 3),
          limit: 0,
          say: `${device.name} fell silent ${drops.length === 1 ? '' : `${drops.length} times `}while the starter turned`,
          next: `Measure supply and ground at ${device.name}'s plug while cranking.`,
        });
      }
      const errors = (this.traffic.buses[bus.index]?.errors ?? []).filter(
        (error) => isFault(error) && within(error.timeUs - 1, error.timeUs + 1),
      );
      const [firstError] = errors;
      if (!firstError) continue;
      found = true;
      this.add({
        code: 'bus-dropout',
        ok: false,
        bus: bus.name,
        at: this.at(firstError.timeUs),
        measured: errors.length,
        limit: 0,
        say: `${errors.length} bus errors while the starter turned`,
        next: 'Run the bus check; look at grounds and at bus wires beside the starter cable.',
      });
    }
    if (!found)
      this.add({ code: 'bus-dropout', ok: true, measured: 0, limit: 0, say: 'every device kept talking while the starter turned' });
  }
}

/** The running mean over the last `widthUs`, causal, so that a judgement on it needs nothing from the future. */
function averaged(watched: Watched, widthUs: number): Watched {
  const { timeUs, value } = watched;
  let sum = 0;
  let from = 0;
  const mean = value.map((now, i) => {
    sum += now;
    while ((timeUs[i] as number) - (timeUs[from] as number) > widthUs) sum -= value[from++] as number;
    return sum / (i - from + 1);
  });
  return { ...watched, value: mean };
}

/** Time of the last number when it came before `untilUs`; undefined when numbers go on. */
function lastGoodBefore(watched: Watched, untilUs: number): number | undefined {
  const last = watched.timeUs[watched.timeUs.length - 1];
  return last !== undefined && last < untilUs ? last : undefined;
}

function countRises(watched: Watched, fromUs: number, toUs: number): { count: number; firstUs: number | undefined } {
  const from = firstAtOrAfter(watched.timeUs, fromUs);
  let count = 0;
  let firstUs: number | undefined;
  for (let i = from + 1; i < watched.timeUs.length && (watched.timeUs[i] as number) <= toUs; i++) {
    const step = (watched.value[i] as number) - (watched.value[i - 1] as number);
    if (step <= 0) continue;
    count += step;
    firstUs ??= watched.timeUs[i] as number;
  }
  return { count, firstUs };
}

function share(values: Float64Array, holds: (value: number) => boolean): number | undefined {
  return values.length === 0 ? undefined : values.filter(holds).length / values.length;
}

const minimum = (values: Float64Array) => values.reduce((low, value) => Math.min(low, value), Number.POSITIVE_INFINITY);
const maximum = (values: Float64Array) => values.reduce((high, value) => Math.max(high, value), Number.NEGATIVE_INFINITY);

function round(value: number, digits = 1): number {
  return Number(value.toFixed(digits));
}
