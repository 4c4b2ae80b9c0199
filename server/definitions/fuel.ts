// Fuels: density and stoichiometry of each, and mixtures by mass.
import { toSuggestion } from './nearest-name.ts';
import type { Fault } from './problem.ts';
import { isFault, parseQuantity } from './quantity.ts';
import type { Fuel } from './vehicle.ts';
import type { YamlValue } from './yaml-text.ts';

interface Component {
  densityKgPerL: number;
  stoichiometricAfr: number;
}

/**
 * Air-fuel ratios of petrol, ethanol and E85: a published table (petrol 14.7, ethanol 9.0078, E85 9.765). Methanol: computed from
 * CH3OH + 1.5 O2 with 23.14 % oxygen by mass in air. Diesel 14.5: common practice, no source.
 * Densities at 15 to 20 °C: petrol 0.72 is what the trade's 1 lb/h = 10.5 cc/min implies; methanol 0.792, ethanol 0.789, E85 0.781,
 * diesel 0.832: common practice, no source.
 */
const components: ReadonlyMap<string, Component> = new Map([
  ['petrol', { densityKgPerL: 0.72, stoichiometricAfr: 14.7 }],
  ['ethanol', { densityKgPerL: 0.789, stoichiometricAfr: 9.0078 }],
  ['E85', { densityKgPerL: 0.781, stoichiometricAfr: 9.765 }],
  ['methanol', { densityKgPerL: 0.792, stoichiometricAfr: 6.4734 }],
  ['diesel', { densityKgPerL: 0.832, stoichiometricAfr: 14.5 }],
]);

export const fuelNames = [...components.keys()];

/** Mass fractions by component, summing to 1. */
export type FuelText = ReadonlyMap<string, number>;

/** Reads `methanol`, or `{ methanol: 90 %, petrol: 10 % }` by mass. */
export function readFuel(value: YamlValue): FuelText | Fault {
  if (typeof value === 'string') return checkFuelName(value) ?? new Map([[value, 1]]);
  if (!(value instanceof Map))
    return { code: 'VALUE_WRONG_TYPE', say: 'a fuel or a mixture is wanted', fix: 'Write methanol, or { methanol: 90 %, petrol: 10 % }.' };
  const parts = new Map<string, number>();
  for (const [name, share] of value) {
    const fault = checkFuelName(name);
    if (fault) return { ...fault, path: [name] };
    const percent = typeof share === 'number' ? share * 100 : parseQuantity(share, { unit: '%', min: 0, max: 100, example: '90 %' });
    if (isFault(percent)) return { ...percent, path: [name] };
    parts.set(name, percent / 100);
  }
  const total = [...parts.values()].reduce((sum, share) => sum + share, 0);
  if (Math.abs(total - 1) < 1e-6) return parts;
  return {
    code: 'FUEL_FRACTIONS',
    say: `the shares add up to ${Number((total * 100).toFixed(3))} %`,
    fix: 'Give shares by mass that add up to 100 %.',
  };
}

function checkFuelName(name: string): Fault | undefined {
  if (components.has(name)) return undefined;
  return { code: 'VALUE_NOT_KNOWN', say: `unknown fuel '${name}'`, fix: toSuggestion(name, fuelNames) };
}

/**
 * A fuel's figures. Of a mixture by mass: air needed adds by mass, volumes add (shrinkage on mixing, about 1 %, is left out).
 * Worked: half methanol, half petrol by mass needs (6.4734 + 14.7) / 2 = 10.5867 of air.
 */
export function toFuel(parts: FuelText): Fuel {
  let litresPerKg = 0;
  let airPerKg = 0;
  for (const [name, share] of parts) {
    const component = components.get(name) as Component;
    litresPerKg += share / component.densityKgPerL;
    airPerKg += share * component.stoichiometricAfr;
  }
  const name =
    parts.size === 1 ? ([...parts.keys()][0] as string) : [...parts].map(([part, share]) => `${part} ${share * 100} %`).join(', ');
  return { name, densityKgPerL: 1 / litresPerKg, stoichiometricAfr: airPerKg, parts };
}
