// Built-in channels of injector sets: fuel pressure delta, duty and flow.
import { toNamePart } from '../definitions/built-in-names.ts';
import type { Engine, InjectorSet } from '../definitions/vehicle.ts';
import type { BuiltInList } from './built-in.ts';
import type { Computation } from './computation.ts';
import { Curve } from './curve.ts';
import { barometerShare, dutyPercent, injectionPeriodMs, injectorFlow, staticFlow } from './engine-formulas.ts';
import { type CompiledFormula, compileFormula, type FormulaContext } from './formula-compile.ts';
import { hasValue, type QualityCode, quality } from './quality.ts';
import { findUnit } from './unit.ts';

export function listFuel(list: BuiltInList): void {
  const flows: string[] = [];
  for (const set of list.vehicle.injectorSets) {
    const hasDelta = listDelta(list, set);
    const timing = timingOf(list, set);
    listDuty(list, set, timing);
    if (listFlow(list, set, timing, hasDelta)) flows.push(`flow_${toNamePart(set.name)}`);
  }
  const sets = list.vehicle.injectorSets.length;
  if (sets > 0 && flows.length === sets) {
    list.add({ name: 'flow_total', unit: 'cc/min', formula: flows.join(' + '), inputs: flows });
  } else list.refuse('flow_total', sets === 0 ? 'injector_sets: SET' : 'what flow_<set> of every set needs');
}

/** A channel in a unit, as a formula. */
function inUnit(list: BuiltInList, channel: string, unit: string): string {
  return list.sources.get(channel)?.unit === unit ? channel : `in(${channel}, ${unit})`;
}

function isPressure(list: BuiltInList, channel: string): boolean {
  return findUnit(list.sources.get(channel)?.unit ?? '')?.dimension === 'pressure';
}

// --- fuel pressure delta ----------------------------------------------------------------------------------------------------------------

function listDelta(list: BuiltInList, set: InjectorSet): boolean {
  const name = `fuel_delta_${toNamePart(set.name)}`;
  const plan = planDelta(list, set);
  if ('line' in plan) {
    list.refuse(name, plan.line);
    return false;
  }
  list.add({ name, unit: 'kPa', formula: plan.formula, inputs: plan.inputs });
  return true;
}

function planDelta(list: BuiltInList, { name, rail, discharge }: InjectorSet): { formula: string; inputs: string[] } | { line: string } {
  if (rail === undefined) return { line: `injector_sets: ${name}: rail: CHANNEL` };
  if (!isPressure(list, rail)) return { line: `${rail}: unit: kPa` };
  // A differential sensor between rail and discharge reads the delta itself.
  if (list.sources.get(rail)?.reference === 'differential') return { formula: inUnit(list, rail, 'kPa'), inputs: [rail] };
  if (discharge === undefined) return { line: `injector_sets: ${name}: discharge: CHANNEL` };
  if (!isPressure(list, discharge)) return { line: `${discharge}: unit: kPa` };
  return planDifference(list, rail, discharge);
}

function planDifference(list: BuiltInList, rail: string, discharge: string): { formula: string; inputs: string[] } | { line: string } {
  const railReference = list.sources.get(rail)?.reference;
  const share = barometerShare(railReference, dischargeReference(list, discharge));
  if (share === undefined) {
    const unsaid = railReference === undefined ? rail : discharge;
    return { line: `${unsaid}: reference: gauge or absolute` };
  }
  const difference = `${inUnit(list, rail, 'kPa')} - ${inUnit(list, discharge, 'kPa')}`;
  if (share === 0) return { formula: difference, inputs: [rail, discharge] };
  const barometer = barometerTerm(list);
  if ('line' in barometer) return barometer;
  const sign = share > 0 ? '+' : '-';
  return { formula: `${difference} ${sign} ${barometer.formula}`, inputs: [rail, discharge, ...barometer.inputs] };
}

/** A barometer reads absolute pressure, whether its file says so or not. */
function dischargeReference(list: BuiltInList, discharge: string) {
  const barometer = list.vehicle.engine?.barometer;
  const own = list.sources.get(discharge)?.reference;
  return own ?? (barometer && 'channel' in barometer && barometer.channel === discharge ? 'absolute' : undefined);
}

function barometerTerm(list: BuiltInList): { formula: string; inputs: string[] } | { line: string } {
  const barometer = list.vehicle.engine?.barometer;
  if (!barometer) return { line: 'engine: barometer: CHANNEL or a pressure' };
  if ('valueKpa' in barometer) return { formula: `${barometer.valueKpa} kPa`, inputs: [] };
  if (!isPressure(list, barometer.channel)) return { line: `${barometer.channel}: unit: kPa` };
  return { formula: inUnit(list, barometer.channel, 'kPa'), inputs: [barometer.channel] };
}

// --- duty and flow ----------------------------------------------------------------------------------------------------------------------

/** What duty and flow both need. */
interface Timing {
  pulse: string;
  speed: string;
  injectionsPerCycle: number;
  cycleRevolutions: 1 | 2;
  perCycle: boolean;
  deadTime: DeadTime | undefined;
  /** The reported pulse leaves the dead time out: it is added. */
  deadTimeAdded: boolean;
}

/** Dead time by supply voltage; without `battery` it is one number. */
interface DeadTime {
  rows: [volts: number, ms: number][];
  battery: string | undefined;
}

function timingOf(list: BuiltInList, set: InjectorSet): Timing | { line: string } {
  const { engine } = list.vehicle;
  if (set.pulse === undefined) return { line: `injector_sets: ${set.name}: pulse: CHANNEL` };
  if (findUnit(list.sources.get(set.pulse)?.unit ?? '')?.dimension !== 'time') return { line: `${set.pulse}: unit: ms` };
  if (set.injectionsPerCycle === undefined) return { line: `injector_sets: ${set.name}: injections_per_cycle: 1` };
  const speed = engine?.roles.speed;
  if (!engine || speed === undefined) return { line: 'engine: speed: CHANNEL' };
  const unit = list.sources.get(speed)?.unit;
  if (unit !== 'rpm' && unit !== '') return { line: `${speed}: unit: rpm` };
  const deadTimeAdded = set.pulseIs.deadTime === 'excluded';
  const deadTime = deadTimeOf(set, engine);
  if ('line' in deadTime && deadTimeAdded) return deadTime;
  return {
    pulse: set.pulse,
    speed,
    injectionsPerCycle: set.injectionsPerCycle,
    cycleRevolutions: engine.cycle === 'two-stroke' ? 1 : 2,
    perCycle: set.pulseIs.per === 'cycle',
    deadTime: 'line' in deadTime ? undefined : deadTime,
    deadTimeAdded,
  };
}

function deadTimeOf(set: InjectorSet, engine: Engine): DeadTime | { line: string } {
  if (set.deadTime.length === 0) return { line: `injector_sets: ${set.name}: dead_time: TIME` };
  if (set.deadTime.length === 1) return { rows: set.deadTime, battery: undefined };
  const { battery } = engine.roles;
  return battery === undefined ? { line: 'engine: battery: CHANNEL' } : { rows: set.deadTime, battery };
}

function listDuty(list: BuiltInList, set: InjectorSet, timing: Timing | { line: string }) {
  const name = `duty_${toNamePart(set.name)}`;
  if ('line' in timing) return list.refuse(name, timing.line);
  const inputs = inputsOf(timing, timing.deadTimeAdded);
  const { injectionsPerCycle, cycleRevolutions, pulse, speed } = timing;
  const divisor = 600 * cycleRevolutions;
  const pulseMs = inUnit(list, pulse, 'ms');
  if (timing.deadTimeAdded) {
    const formula = `(${pulseMs} plus dead time at each injection) * ${speed} * ${injectionsPerCycle} / ${divisor}`;
    return list.add({
      name,
      unit: '%',
      formula,
      inputs,
      make: (context) => new InjectorComputation(context, list, set, timing, undefined),
    });
  }
  const times = timing.perCycle ? 1 : injectionsPerCycle;
  list.add({ name, unit: '%', formula: `${pulseMs} * ${speed} * ${times} / ${divisor}`, inputs });
}

function inputsOf({ pulse, speed, deadTime }: Timing, withDeadTime: boolean): string[] {
  return [pulse, speed, ...(withDeadTime && deadTime?.battery !== undefined ? [deadTime.battery] : [])];
}

function listFlow(list: BuiltInList, set: InjectorSet, timing: Timing | { line: string }, hasDelta: boolean): boolean {
  const part = toNamePart(set.name);
  const name = `flow_${part}`;
  const { engine } = list.vehicle;
  const deadTime = engine ? deadTimeOf(set, engine) : { line: 'engine: speed: CHANNEL' };
  const line =
    'line' in timing
      ? timing.line
      : set.flow === undefined
        ? `injector_sets: ${set.name}: flow: RATE at PRESSURE`
        : set.cylinders.length === 0
          ? `injector_sets: ${set.name}: cylinders: [1, 2, ...]`
          : 'line' in deadTime
            ? deadTime.line
            : hasDelta
              ? undefined
              : `what fuel_delta_${part} needs`;
  if (line !== undefined || 'line' in timing || !set.flow) {
    list.refuse(name, line ?? '');
    return false;
  }
  const { ccPerMin, atKpa } = set.flow;
  const open = `min(1, max(0, ${timing.pulse} less dead time) / time between injections)`;
  const formula = `${set.cylinders.length} injectors * ${ccPerMin} * sqrt(fuel_delta_${part} / ${atKpa}) * ${open}`;
  const inputs = [...inputsOf(timing, true), `fuel_delta_${part}`];
  list.add({
    name,
    unit: 'cc/min',
    formula,
    inputs,
    make: (context) => new InjectorComputation(context, list, set, timing, `fuel_delta_${part}`),
  });
  return true;
}

/** Duty (with dead time to add) or, given the delta's channel, flow of a whole set. Bad inputs make it bad, with the worst one's reason. */
class InjectorComputation implements Computation {
  readonly inputs: number[];
  value = 0;
  quality: QualityCode = quality.ok;
  private readonly set: InjectorSet;
  private readonly timing: Timing;
  private readonly context: FormulaContext;
  private readonly pulseMs: CompiledFormula;
  private readonly volts: CompiledFormula | undefined;
  private readonly deadTime: Curve | undefined;
  private readonly speedSlot: number;
  private readonly deltaSlot: number | undefined;

  constructor(context: FormulaContext, list: BuiltInList, set: InjectorSet, timing: Timing, delta: string | undefined) {
    this.set = set;
    this.timing = timing;
    this.context = context;
    this.pulseMs = compileFormula(inUnit(list, timing.pulse, 'ms'), context);
    const battery = timing.deadTime?.battery;
    this.deadTime = timing.deadTime && new Curve(timing.deadTime.rows);
    this.volts =
      battery === undefined
        ? undefined
        : compileFormula(list.sources.get(battery)?.unit === '' ? battery : inUnit(list, battery, 'V'), context);
    this.speedSlot = context.slots.get(timing.speed) as number;
    this.deltaSlot = delta === undefined ? undefined : (context.slots.get(delta) as number);
    const names = [...inputsOf(timing, true), ...(delta === undefined ? [] : [delta])];
    this.inputs = names.map((name) => context.slots.get(name) as number);
  }

  evaluate(): void {
    const { quality: qualities, value } = this.context.evaluation.table;
    let worst: number = quality.ok;
    for (const slot of this.inputs) worst = Math.max(worst, qualities[slot] as number);
    const rpm = value[this.speedSlot] as number;
    const result = hasValue(worst) ? this.compute(rpm) : 0;
    const finite = Number.isFinite(result);
    this.quality = finite ? (worst as QualityCode) : quality.missing;
    this.value = finite && hasValue(worst) ? result : 0;
  }

  private compute(rpm: number): number {
    const { injectionsPerCycle, cycleRevolutions, perCycle, deadTimeAdded } = this.timing;
    const deadMs = this.deadMs();
    this.pulseMs.evaluate();
    const reportedMs = perCycle ? this.pulseMs.value / injectionsPerCycle : this.pulseMs.value;
    const pulseMs = deadTimeAdded && reportedMs > 0 ? reportedMs + deadMs : reportedMs;
    if (this.deltaSlot === undefined) return dutyPercent(pulseMs, rpm, injectionsPerCycle, cycleRevolutions);
    if (rpm <= 0) return 0;
    const { ccPerMin, atKpa } = this.set.flow as { ccPerMin: number; atKpa: number };
    const open = staticFlow(ccPerMin, atKpa, this.context.evaluation.table.value[this.deltaSlot] as number);
    return this.set.cylinders.length * injectorFlow(open, pulseMs, deadMs, injectionPeriodMs(rpm, injectionsPerCycle, cycleRevolutions));
  }

  private deadMs(): number {
    const rows = this.timing.deadTime?.rows ?? [];
    if (rows.length === 0) return 0;
    if (!this.volts) return (rows[0] as [number, number])[1];
    this.volts.evaluate();
    return (this.deadTime as Curve).at(this.volts.value);
  }

  save(): unknown[] {
    return [];
  }

  restore(): void {}
}
