// Derived channels, alarms and limits: formulas checked with their places, names and circles.
import type { FormulaProblem, FormulaScope } from '../channels/formula-problem.ts';
import type { VehicleText } from './bus-members.ts';
import { locate } from './bus-members.ts';
import type { Fault, ProblemList } from './problem.ts';
import type { AlarmRule, DerivedChannel, Limits } from './vehicle.ts';
import type { Path, YamlText } from './yaml-text.ts';

/** The formula language, as far as definitions need it. */
export interface FormulaChecker {
  check(text: string, scope: FormulaScope, declaredUnit?: string): FormulaProblem[];
  channels(text: string): string[];
}

export interface RuleContext {
  file: YamlText;
  problems: ProblemList;
  scope: FormulaScope;
  formulas: FormulaChecker;
  /** Names that a file that can't be read may define: not knowing them is no fault. */
  maybeDefined: ReadonlySet<string>;
  /** Built-in channels that this vehicle file does not make possible, each with the line that would. */
  notMade: ReadonlyMap<string, string>;
}

interface PlacedDerived {
  channel: DerivedChannel;
  path: Path;
}

/** The derived channels as they are written; nothing is checked yet. */
export function readDerived(text: VehicleText, file: YamlText): DerivedChannel[] {
  return placeDerived(text, file).map(({ channel }) => channel);
}

function placeDerived(text: VehicleText, file: YamlText): PlacedDerived[] {
  const derived: PlacedDerived[] = [];
  for (const [i, item] of (text.derived ?? []).entries()) {
    if (item?.name === undefined || item.formula === undefined) continue;
    const path: Path = ['derived', i];
    const { name, formula, unit = '', min, max } = item;
    const at = locate(file, path);
    derived.push({ channel: { name, formula, unit, ...(min !== undefined && { min }), ...(max !== undefined && { max }), at }, path });
  }
  return derived;
}

export function checkDerived(text: VehicleText, context: RuleContext): void {
  const { file, problems } = context;
  for (const [i, item] of (text.derived ?? []).entries()) {
    const path: Path = ['derived', i];
    if (item?.formula !== undefined) checkFormulaAt(item.formula, [...path, 'formula'], context, item.unit);
    if (item?.min === undefined || item.max === undefined || item.min <= item.max) continue;
    const say = `max ${item.max} is below min ${item.min}`;
    problems.addAtValue(file, [...path, 'max'], { code: 'VALUE_OUT_OF_RANGE', say, fix: 'Swap them.' });
  }
  const derived = placeDerived(text, file);
  checkCircles(derived, context);
  checkCopies(derived, context);
}

export function resolveAlarms(text: VehicleText, context: RuleContext): AlarmRule[] {
  const { file, problems } = context;
  const alarms: AlarmRule[] = [];
  const lines = new Map<string, number>();
  for (const [i, alarm] of (text.alarms ?? []).entries()) {
    const path: Path = ['alarms', i];
    for (const key of ['when', 'while', 'clear'] as const) {
      const formula = alarm?.[key];
      if (formula !== undefined) checkFormulaAt(formula, [...path, key], context);
    }
    if (alarm?.name === undefined || alarm.when === undefined) continue;
    const first = lines.get(alarm.name);
    if (first !== undefined) {
      const say = `a second alarm '${alarm.name}' (first in line ${first})`;
      problems.addAtValue(file, [...path, 'name'], { code: 'NAME_DUPLICATE', say, fix: 'Choose another name.' });
    } else lines.set(alarm.name, file.placeOfValue([...path, 'name']).line);
    alarms.push({
      name: alarm.name,
      when: alarm.when,
      ...(alarm.while !== undefined && { while: alarm.while }),
      armAfterUs: toMicroseconds(alarm.arm_after),
      forUs: toMicroseconds(alarm.for),
      ...(alarm.clear !== undefined && { clear: alarm.clear }),
      severity: alarm.severity ?? 'warning',
      latch: alarm.latch ?? false,
      advice: alarm.advice ?? '',
      at: locate(file, path),
    });
  }
  return alarms;
}

export function resolveLimits(text: VehicleText, file: YamlText): Limits {
  const { exhaust_temp, exhaust_spread, duty } = text.limits ?? {};
  return {
    ...(exhaust_temp !== undefined && { exhaustTempC: exhaust_temp }),
    ...(exhaust_spread !== undefined && { exhaustSpreadK: exhaust_spread }),
    ...(duty !== undefined && { dutyPercent: duty }),
    at: locate(file, ['limits']),
  };
}

/** Reports what is wrong with a formula of the file, at its place. */
export function checkFormulaAt(formula: string, path: Path, context: RuleContext, declaredUnit?: string): void {
  const { file, problems, scope, formulas, maybeDefined, notMade } = context;
  for (const { offset, length, code, say, fix } of formulas.check(formula, scope, declaredUnit)) {
    const name = formula.slice(offset, offset + length);
    if (code === 'FORMULA_NAME_UNKNOWN' && maybeDefined.has(name)) continue;
    problems.addAtValue(file, path, { code, say, fix: toSentence(fix), part: { offset, length } });
  }
  for (const name of formulas.channels(formula)) {
    const line = notMade.get(name);
    const offset = formula.search(new RegExp(`\\b${name}\\b`));
    const fault = line === undefined ? undefined : channelNotMade(name, line);
    if (fault) problems.addAtValue(file, path, { ...fault, part: { offset, length: name.length } });
  }
}

/** A built-in channel that the vehicle file does not make possible yet. */
export function channelNotMade(name: string, line: string): Fault {
  return { code: 'CHANNEL_NOT_MADE', say: `'${name}' is not made from what this vehicle file says`, fix: `It takes '${line}'.` };
}

/** One problem a circle, at the formula of its first channel in the file. */
function checkCircles(derived: PlacedDerived[], { file, problems, formulas }: RuleContext): void {
  const inputs = new Map(derived.map(({ channel }) => [channel.name, formulas.channels(channel.formula)]));
  const done = new Set<string>();
  const walk = (name: string, trail: string[]): void => {
    const from = trail.indexOf(name);
    if (from >= 0) report([...trail.slice(from), name]);
    if (from >= 0 || done.has(name)) return;
    for (const input of inputs.get(name) ?? []) if (inputs.has(input)) walk(input, [...trail, name]);
    done.add(name);
  };
  const report = (circle: string[]): void => {
    const first = derived.find(({ channel }) => circle.includes(channel.name));
    if (!first) return;
    const start = circle.indexOf(first.channel.name);
    const loop = [...circle.slice(start, -1), ...circle.slice(0, start), first.channel.name];
    const say = `a circle of derived channels: ${loop.join(' -> ')}`;
    problems.addAtValue(file, [...first.path, 'formula'], { code: 'DERIVED_CYCLE', say, fix: 'Compute one of them from something else.' });
  };
  for (const { channel } of derived) walk(channel.name, []);
}

/** Warns of a channel that is only another one's copy. */
function checkCopies(derived: PlacedDerived[], { file, problems, scope }: RuleContext): void {
  const first = new Map<string, string>();
  for (const { channel, path } of derived) {
    const key = channel.formula.replace(/\s+/g, '');
    const same = scope.channels.has(key) ? key : first.get(key);
    if (same !== undefined && same !== channel.name) {
      const say = `'${channel.name}' says the same as '${same}'`;
      problems.addAtValue(file, [...path, 'formula'], { code: 'CHANNELS_SAME_MEANING', say, fix: 'Keep one of them.' });
    } else if (same === undefined) first.set(key, channel.name);
  }
}

function toSentence(words: string): string {
  return `${words.charAt(0).toUpperCase()}${words.slice(1)}${/[.?!]$/.test(words) ? '' : '.'}`;
}

function toMicroseconds(seconds: number | undefined): number {
  return Math.round((seconds ?? 0) * 1e6);
}
