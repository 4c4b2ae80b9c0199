// Which bits of an id the vehicle's definitions claim already.
import { compileDecoder } from '../codec/decoder.ts';
import { bitsOf } from '../definitions/bit-layout.ts';
import type { Frame, Vehicle } from '../definitions/vehicle.ts';
import { bitsFromLowest, type Field } from './field-search.ts';

/** Bits of an id that some signal takes, as byte × 8 + bit. */
export function claimedBits(vehicle: Vehicle): (of: { bus: number; id: number; flags: number }) => ReadonlySet<number> {
  const find = finderOf(vehicle);
  return (of) => new Set(find(of)?.signals.flatMap((signal) => bitsOf(signal)));
}

/** Names of the signals that lie in a field's bits. */
export function definedAs(vehicle: Vehicle, field: Field & { bus: number; id: number; flags: number; lengthBytes: number }): string[] {
  const bits = new Set(bitsFromLowest(field, field.lengthBytes * 8));
  const signals = finderOf(vehicle)(field)?.signals ?? [];
  return signals.filter((signal) => bitsOf(signal).some((bit) => bits.has(bit))).map(({ name }) => name);
}

function finderOf(vehicle: Vehicle): (of: { bus: number; id: number; flags: number }) => Frame | undefined {
  const decoder = compileDecoder(vehicle);
  return ({ bus, id, flags }) => decoder.findFrame(bus, id, flags);
}
