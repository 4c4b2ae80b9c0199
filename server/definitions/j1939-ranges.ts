// SAE J1939's ranges of raw values that carry no measurement, by parameter size.
import type { RawRange } from './vehicle.ts';

const whole = (bitLength: number, top: bigint) => {
  const below = BigInt(bitLength - 8);
  return { from: top << below, to: ((top + 1n) << below) - 1n };
};

/**
 * Ranges for a parameter of so many bits, or undefined where the standard's rule for the size isn't known here.
 * From 8 bits up, by the top byte: FF not available; FE error; FB parameter specific and FC to FD reserved, which carry no
 * measurement either and count as faults. 2 bits: 2 error, 3 not available. 4 bits: E error, F not available.
 * Source: the ranges as an independent public decoder's tests have them.
 */
export function j1939Ranges(bitLength: number): { fault: RawRange[]; notAvailable: RawRange[] } | undefined {
  if (bitLength === 2 || bitLength === 4) {
    const last = (1n << BigInt(bitLength)) - 1n;
    return { fault: [{ from: last - 1n, to: last - 1n }], notAvailable: [{ from: last, to: last }] };
  }
  if (bitLength < 8 || bitLength > 32 || bitLength % 8 !== 0) return undefined;
  const fault = { from: whole(bitLength, 0xfbn).from, to: whole(bitLength, 0xfen).to };
  return { fault: [fault], notAvailable: [whole(bitLength, 0xffn)] };
}
