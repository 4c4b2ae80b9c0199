// Limits of the checks that the user may change, in `checks:` of vehicle.yaml. Pure.
import { checkKeys } from '../definitions/check-schema.ts';
import { isFault, parseQuantity } from '../definitions/quantity.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { YamlValue } from '../definitions/yaml-text.ts';
import type { CheckResult } from './verdict.ts';

/** Ending of a limit's name → its unit; `share` is written in percent and kept as a fraction. */
const unitOfEnding: [ending: string, unit: string, factor: number][] = [
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

/**
 * The usual limits with those of `checks: { <group>: { key: quantity } }` in their place. What can't be understood is told under
 * `notJudged` and the usual limit stays: a slip of the pen must not switch a check off.
 */
export function withUsersLimits<T extends Readonly<Record<string, number>>>(
  usual: T,
  group: string,
  vehicle: Vehicle,
  result: CheckResult,
): { [name in keyof T]: number } {
  const limits: { [name in keyof T]: number } = { ...usual };
  const said = vehicle.checks instanceof Map ? (vehicle.checks.get(group) as unknown) : undefined;
  if (said === undefined || said === null) return limits;
  const wrong = (what: string, line: string) => result.notJudged?.push({ what: `checks: ${group}: ${what}`, line });
  if (!(said instanceof Map)) {
    wrong('is not a group of limits; the usual ones are used', `checks: { ${group}: { ${exampleOf(usual)} } }`);
    return limits;
  }
  for (const [key, value] of said as Map<unknown, unknown>) {
    if (checkKeys.some((known) => known === key)) continue;
    const name = Object.keys(usual).find((candidate) => toLimitKey(candidate).key === String(key));
    if (name === undefined) {
      const known = Object.keys(usual).map((candidate) => toLimitKey(candidate).key);
      wrong(`no limit is called '${String(key)}'`, `one of ${[...new Set(known)].join(', ')}`);
      continue;
    }
    const { unit, factor } = toLimitKey(name);
    const example = exampleOf(usual, name);
    const read = parseQuantity(value as YamlValue, { unit, min: 0, example, difference: unit === 'K' });
    if (isFault(read) || !Number.isFinite(read)) wrong(`'${String(key)}' is not understood; the usual limit is used`, example);
    else limits[name as keyof T] = read * factor;
  }
  return limits;
}

function exampleOf(usual: Readonly<Record<string, number>>, name = Object.keys(usual)[0] as string): string {
  const { key, unit, factor } = toLimitKey(name);
  return `${key}: ${Number(((usual[name] as number) / factor).toFixed(3))} ${unit}`;
}
