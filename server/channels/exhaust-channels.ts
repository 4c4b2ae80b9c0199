// Built-in channels over the exhaust probes: spread, deviation, rate, time to limit, and the estimate behind the probe's lag.
import { toNamePart } from '../definitions/built-in-names.ts';
import type { ExhaustProbe } from '../definitions/vehicle.ts';
import type { BuiltInList } from './built-in.ts';
import type { Computation } from './computation.ts';
import { timeToLimit } from './engine-formulas.ts';
import type { Evaluation } from './evaluation.ts';
import type { FormulaContext } from './formula-compile.ts';
import { medianOfSorted, slopeWindowDefaultS } from './formula-functions.ts';
import { fromPlain, toPlain } from './plain-numbers.ts';
import { type QualityCode, quality } from './quality.ts';
import { SampleWindow } from './sample-window.ts';
import { findUnit, getUnit, type Unit } from './unit.ts';

/** One probe alone says nothing about a difference; two differ, and nobody knows which: a deviation needs three. */
const probesOfSpread = 2;
const probesOfDeviation = 3;

/** Time to limit: slope over a second, shown once it has risen for two and is known to a second (practice of the trade, no source). */
const timeToLimitWindowS = 1;
const timeToLimitQuietUs = 2_000_000;
const timeToLimitUncertaintyMaxS = 1;

export function listExhaust(list: BuiltInList) {
  const { engine } = list.vehicle;
  const all = engine?.exhaustTemps ?? [];
  const probes = all.filter((probe) => isTemperature(list, probe));
  for (const { channel, cylinder } of all) {
    if (!probes.some((probe) => probe.cylinder === cylinder)) list.refuse(cylinderNames(cylinder), `${channel}: unit: degC`);
  }
  for (let n = 1; n <= (engine?.cylinders ?? 0); n++) {
    if (!all.some((probe) => probe.cylinder === n)) list.refuse(cylinderNames(n), `engine: exhaust_temps: { ${n}: { channel: CHANNEL } }`);
  }
  if (!engine || all.length === 0) return list.refuse(groupNames(''), 'engine: exhaust_temps: { 1: { channel: CHANNEL } }');
  listGroup(list, '', probes);
  for (const bank of engine.banks) {
    listGroup(
      list,
      `_${toNamePart(bank.name)}`,
      probes.filter((probe) => bank.cylinders.includes(probe.cylinder)),
    );
  }
  for (const probe of probes) listDeviation(list, probe, probes);
  for (const probe of probes) listRate(list, probe);
  for (const probe of probes) listTimeToLimit(list, probe);
  for (const probe of probes) listGasEstimate(list, probe);
}

function isTemperature(list: BuiltInList, probe: ExhaustProbe): boolean {
  return findUnit(list.sources.get(probe.channel)?.unit ?? '')?.dimension === 'temperature';
}

function groupNames(suffix: string): string[] {
  return ['spread', 'rms', 'count'].map((what) => `exhaust_${what}${suffix}`);
}

function cylinderNames(n: number): string[] {
  return ['deviation', 'rate', 'time_to_limit', 'gas_estimate'].map((what) => `exhaust_${what}_${n}`);
}

function listGroup(list: BuiltInList, suffix: string, probes: ExhaustProbe[]): void {
  const inputs = probes.map((probe) => probe.channel);
  const of = `the good ones of ${inputs.join(', ')}`;
  const [spread, rms, count] = groupNames(suffix) as [string, string, string];
  const make = (compute: (good: Float64Array, count: number) => number, least: number) => (context: FormulaContext) =>
    new ProbeGroup(context, inputs, compute, least);
  if (probes.length < probesOfSpread) {
    list.refuse([spread, rms], `engine: exhaust_temps: a second probe${suffix === '' ? '' : ` in bank ${suffix.slice(1)}`}`);
  } else {
    list.add({ name: spread, unit: 'K', formula: `highest less lowest of ${of}`, inputs, make: make(spreadOf, probesOfSpread) });
    const sentence = `root mean square of the differences from their mean, of ${of}`;
    list.add({ name: rms, unit: 'K', formula: sentence, inputs, make: make(rmsOf, probesOfSpread) });
  }
  if (probes.length > 0) {
    list.add({ name: count, unit: 'count', formula: `how many of ${inputs.join(', ')} are good`, inputs, make: make((_, n) => n, 0) });
  } else list.refuse(count, `engine: exhaust_temps: a probe in bank ${suffix.slice(1)}`);
}

function listDeviation(list: BuiltInList, probe: ExhaustProbe, probes: ExhaustProbe[]) {
  const name = `exhaust_deviation_${probe.cylinder}`;
  if (probes.length < probesOfDeviation) return list.refuse(name, 'engine: exhaust_temps: at least three probes');
  const others = probes.filter((other) => other !== probe).map((other) => other.channel);
  const inputs = [probe.channel, ...others];
  const formula = `${probe.channel} less the median of the good ones of ${others.join(', ')}`;
  list.add({ name, unit: 'K', formula, inputs, make: (context) => new Deviation(context, inputs) });
}

/** The channel in degC, as a formula. */
function inDegC(list: BuiltInList, channel: string): string {
  return list.sources.get(channel)?.unit === 'degC' ? channel : `in(${channel}, degC)`;
}

function listRate(list: BuiltInList, { channel, cylinder }: ExhaustProbe): void {
  const formula = `rate(${inDegC(list, channel)}, ${slopeWindowDefaultS} s)`;
  list.add({ name: `exhaust_rate_${cylinder}`, unit: 'K/s', formula, inputs: [channel] });
}

function listTimeToLimit(list: BuiltInList, { channel, cylinder }: ExhaustProbe) {
  const name = `exhaust_time_to_limit_${cylinder}`;
  const limitC = list.vehicle.limits.exhaustTempC;
  if (limitC === undefined) return list.refuse(name, 'limits: { exhaust_temp: TEMPERATURE }');
  const formula = `(${limitC} degC less ${channel}) / its slope over ${timeToLimitWindowS} s, once it has risen for 2 s and is sure to 1 s`;
  list.add({ name, unit: 's', formula, inputs: [channel], make: (context) => new TimeToLimit(context, channel, limitC) });
}

function listGasEstimate(list: BuiltInList, { channel, cylinder, lagS }: ExhaustProbe) {
  const name = `exhaust_gas_estimate_${cylinder}`;
  if (!lagS) return list.refuse(name, `engine: exhaust_temps: { ${cylinder}: { lag: SECONDS } }`);
  const middleS = Number(((lagS.low + lagS.high) / 2).toPrecision(6));
  const formula = `lag_corrected(${inDegC(list, channel)}, ${middleS} s, ${slopeWindowDefaultS} s)`;
  list.add({ name, unit: 'degC', formula, inputs: [channel] });
}

function spreadOf(sorted: Float64Array, count: number): number {
  return (sorted[count - 1] as number) - (sorted[0] as number);
}

function rmsOf(values: Float64Array, count: number): number {
  let sum = 0;
  for (let i = 0; i < count; i++) sum += values[i] as number;
  const mean = sum / count;
  let squares = 0;
  for (let i = 0; i < count; i++) squares += ((values[i] as number) - mean) ** 2;
  return Math.sqrt(squares / count);
}

/** Reads temperatures in degC from the table, the good ones only. */
class Probes {
  readonly slots: number[];
  private readonly units: Unit[];
  private readonly evaluation: Evaluation;

  constructor(context: FormulaContext, channels: string[]) {
    this.slots = channels.map((name) => context.slots.get(name) as number);
    this.units = this.slots.map((slot) => getUnit(context.unitOf(slot)));
    this.evaluation = context.evaluation;
  }

  isGood(i: number): boolean {
    return this.evaluation.table.quality[this.slots[i] as number] === quality.ok;
  }

  degC(i: number): number {
    const { scale, shift } = this.units[i] as Unit;
    const raw = this.evaluation.table.value[this.slots[i] as number] as number;
    return scale === 1 && shift === zeroDegCInK ? raw : raw * scale + shift - zeroDegCInK;
  }

  /** Fills `out` from the good probes `from` on, ascending; returns how many. */
  sortGood(from: number, out: Float64Array): number {
    let count = 0;
    for (let i = from; i < this.slots.length; i++) {
      if (!this.isGood(i)) continue;
      const t = this.degC(i);
      let at = count++;
      for (; at > 0 && (out[at - 1] as number) > t; at--) out[at] = out[at - 1] as number;
      out[at] = t;
    }
    return count;
  }

  /** Why there are too few: the worst reason of all probes from `from` on; a probe out of range is as good as missing here. */
  reason(from: number): QualityCode {
    let worst: number = quality.ok;
    for (let i = from; i < this.slots.length; i++)
      worst = Math.max(worst, this.evaluation.table.quality[this.slots[i] as number] as number);
    return worst <= quality.outOfRange ? quality.missing : (worst as QualityCode);
  }
}

const zeroDegCInK = 273.15;

/** A number over the good probes of a group; without enough of them it has none. */
class ProbeGroup implements Computation {
  readonly inputs: number[];
  value = 0;
  quality: QualityCode = quality.ok;
  private readonly probes: Probes;
  private readonly good: Float64Array;
  private readonly compute: (good: Float64Array, count: number) => number;
  private readonly least: number;

  constructor(context: FormulaContext, channels: string[], compute: (good: Float64Array, count: number) => number, least: number) {
    this.probes = new Probes(context, channels);
    this.inputs = this.probes.slots;
    this.good = new Float64Array(channels.length);
    this.compute = compute;
    this.least = least;
  }

  evaluate(): void {
    const count = this.probes.sortGood(0, this.good);
    const enough = count >= this.least;
    this.quality = enough ? quality.ok : this.probes.reason(0);
    this.value = enough ? this.compute(this.good, count) : 0;
  }

  save(): unknown[] {
    return [];
  }

  restore(): void {}
}

/** The first channel less the median of the others' good ones; needs two of those. */
class Deviation implements Computation {
  readonly inputs: number[];
  value = 0;
  quality: QualityCode = quality.ok;
  private readonly probes: Probes;
  private readonly others: Float64Array;

  constructor(context: FormulaContext, channels: string[]) {
    this.probes = new Probes(context, channels);
    this.inputs = this.probes.slots;
    this.others = new Float64Array(channels.length - 1);
  }

  evaluate(): void {
    const count = this.probes.sortGood(1, this.others);
    const own = this.probes.isGood(0);
    this.value = own && count >= 2 ? this.probes.degC(0) - medianOfSorted(this.others.subarray(0, count)) : 0;
    if (own) this.quality = count >= 2 ? quality.ok : this.probes.reason(1);
    else this.quality = this.probes.reason(0);
  }

  save(): unknown[] {
    return [];
  }

  restore(): void {}
}

class TimeToLimit implements Computation {
  readonly inputs: number[];
  value = 0;
  quality: QualityCode = quality.ok;
  private readonly probes: Probes;
  private readonly evaluation: Evaluation;
  private readonly limitC: number;
  private readonly samples = new SampleWindow(timeToLimitWindowS);
  /** Since when it has been rising; -1 while it isn't. */
  private risingUs = -1;

  constructor(context: FormulaContext, channel: string, limitC: number) {
    this.probes = new Probes(context, [channel]);
    this.inputs = this.probes.slots;
    this.evaluation = context.evaluation;
    this.limitC = limitC;
  }

  evaluate(): void {
    this.value = 0;
    if (!this.probes.isGood(0)) {
      this.samples.reset();
      this.risingUs = -1;
      this.quality = this.probes.reason(0);
      return;
    }
    const nowUs = this.evaluation.table.timeUs[this.inputs[0] as number] as number;
    const indicated = this.probes.degC(0);
    this.samples.add(nowUs, indicated);
    const seconds = this.secondsLeft(indicated, nowUs);
    this.quality = seconds === undefined ? quality.missing : quality.ok;
    this.value = seconds ?? 0;
  }

  private secondsLeft(indicated: number, nowUs: number): number | undefined {
    if (indicated >= this.limitC) return 0;
    const fit = this.samples.fit();
    if (!fit || fit.slope <= 0) {
      this.risingUs = -1;
      return undefined;
    }
    if (this.risingUs < 0) this.risingUs = nowUs;
    const seconds = timeToLimit(indicated, this.limitC, fit.slope) as number;
    const uncertaintyS = (seconds * fit.standardError) / fit.slope;
    const shown = nowUs - this.risingUs >= timeToLimitQuietUs && uncertaintyS <= timeToLimitUncertaintyMaxS;
    return shown ? seconds : undefined;
  }

  save(): unknown[] {
    return [this.samples.save(), toPlain([this.risingUs])];
  }

  restore([samples, rising]: readonly unknown[]): void {
    this.samples.restore(samples);
    [this.risingUs] = fromPlain(rising) as [number];
  }
}
