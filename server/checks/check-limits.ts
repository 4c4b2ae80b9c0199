// Limits of the checks that the user may change, in `checks:` of vehicle.yaml. Pure.

import type { LimitFault } from '../definitions/check-procedures.ts';
import { checkKeys } from '../definitions/check-schema.ts';
import { toSuggestion } from '../definitions/nearest-name.ts';
import { isFault, parseQuantity } from '../definitions/quantity.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { YamlValue } from '../definitions/yaml-text.ts';
import { type LimitGroup, type LimitsOf, type UsualLimit, usualLimits } from './usual-limits.ts';
import type { CheckResult } from './verdict.ts';

/** Ending of a limit's name → its unit; `share` is written in percent and kept as a fraction. */
const unitOfEnding: [ending: string, unit: string, factor: number][] = [
  ['KPerS', 'K/s', 1],
  ['Times', '', 1],
  ['Kpa', 'kPa', 1],
  ['Volts', 'V', 1],
  ['Ms', 'ms', 1],
  ['Share', '%', 0.01],
  ['Percent', '%', 1],
  ['S', 's', 1],
  ['K', 'K', 1],
  ['C', 'degC', 1],
];

/** `oilRunningKpa` is written `oil_running: 70 kPa`. */
export function toLimitKey(name: string): { key: string; unit: string; factor: number } {
  const [ending, unit, factor] = unitOfEnding.find(([candidate]) => name.endsWith(candidate)) ?? ['', '', 1];
  const stem = name.slice(0, name.length - ending.length);
  return { key: stem.replace(/[A-Z]/g, (letter) => `_${letter.toLowerCase()}`), unit, factor };
}

/** A limit in force, as results and pages tell it. */
export interface LimitInForce {
  /** As `checks:` writes it. */
  limit: string;
  /** In `unit`. */
  value: number;
  unit: string;
  what: string;
  source: string;
}

/**
 * The usual limits with those of `checks: { <group>: { key: quantity } }` in their place; all of them are told in `result.limits`. What
 * can't be understood is told under `notJudged` and the usual limit stays: a slip of the pen must not switch a check off.
 */
export function withUsersLimits<Group extends LimitGroup>(group: Group, vehicle: Vehicle, result: CheckResult): LimitsOf<Group> {
  const said = vehicle.checks instanceof Map ? (vehicle.checks.get(group) as unknown) : undefined;
  const { own, faults } = readOwnLimits(group, said);
  for (const { say, line } of faults) result.notJudged?.push({ what: `checks: ${group}: ${say}`, line });
  const rows = Object.entries<UsualLimit>(usualLimits[group]);
  result.limits = rows.map(([name, { usual, what, source }]) => {
    const { key, unit, factor } = toLimitKey(name);
    const value = Number(((own.get(name) ?? usual) / factor).toPrecision(12));
    return { limit: key, value, unit, what, source: own.has(name) ? `your vehicle.yaml, checks: ${group}:` : source };
  });
  return Object.fromEntries(rows.map(([name, { usual }]) => [name, own.get(name) ?? usual])) as LimitsOf<Group>;
}

/** The limits in force, for whoever does not judge by them; what can't be understood is told where they are judged by. */
export function limitsOf<Group extends LimitGroup>(group: Group, vehicle: Vehicle): LimitsOf<Group> {
  return withUsersLimits(group, vehicle, { check: group, frames: 0, seconds: 0, verdicts: [] });
}

/** What is wrong with limits as a vehicle file gives them: none where the check has none. */
export function limitFaults(check: string, said: object): LimitFault[] {
  return check in usualLimits ? readOwnLimits(check as LimitGroup, new Map(Object.entries(said))).faults : [];
}

/** Limits that a vehicle file gives itself, by their names in `usualLimits`, and what of them is not understood. */
function readOwnLimits(group: LimitGroup, said: unknown): { own: ReadonlyMap<string, number>; faults: (LimitFault & { line: string })[] } {
  const usual: Readonly<Record<string, UsualLimit>> = usualLimits[group];
  const own = new Map<string, number>();
  const faults: (LimitFault & { line: string })[] = [];
  if (said === undefined || said === null) return { own, faults };
  if (!(said instanceof Map)) {
    const line = `checks: { ${group}: { ${exampleOf(usual)} } }`;
    faults.push({ key: '', say: 'is not a group of limits; the usual ones are used', fix: `Write '${line}'.`, line });
    return { own, faults };
  }
  for (const [key, value] of said as Map<unknown, unknown>) {
    if (checkKeys.some((known) => known === key)) continue;
    const name = Object.keys(usual).find((candidate) => toLimitKey(candidate).key === String(key));
    if (name === undefined) {
      const known = Object.keys(usual).map((candidate) => toLimitKey(candidate).key);
      const fix = toSuggestion(String(key), known);
      faults.push({ key: String(key), say: `no limit is called '${String(key)}'`, fix, line: `one of ${known.join(', ')}` });
      continue;
    }
    const { unit, factor } = toLimitKey(name);
    const example = exampleOf(usual, name);
    const read = parseQuantity(value as YamlValue, { unit, min: 0, example, difference: unit === 'K', plain: unit === '' });
    if (isFault(read) || !Number.isFinite(read)) {
      const say = `'${String(key)}' is not understood; the usual limit is used`;
      faults.push({ key: String(key), say, fix: `Write it like '${example}'.`, line: example });
    } else own.set(name, read * factor);
  }
  return { own, faults };
}

function exampleOf(usual: Readonly<Record<string, UsualLimit>>, name = Object.keys(usual)[0] as string): string {
  const { key, unit, factor } = toLimitKey(name);
  return `${key}: ${Number(((usual[name] as UsualLimit).usual / factor).toFixed(3))} ${unit}`.trim();
}
