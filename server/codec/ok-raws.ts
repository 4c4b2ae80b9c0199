// The raw values of a signal whose samples are ok, so that a decoder can pass nearly all frames with one comparison of whole numbers.
import type { Signal } from '../definitions/vehicle.ts';
import { toRawRanges } from './bits.ts';

/** Inclusive range of raw values of at most 32 bits. */
export interface RawNumbers {
  from: number;
  to: number;
}

/** Every raw value that the bits of an integer signal of at most 32 bits can hold. */
export function allRaws({ bitLength, sign }: Signal): RawNumbers {
  const count = 2 ** bitLength;
  return sign === 'signed' ? { from: -count / 2, to: count / 2 - 1 } : { from: 0, to: count - 1 };
}

/** Raw values from `from` to `to`, without those of the holes, which lie inside, in rising order and apart from each other. */
export interface OkRaws extends RawNumbers {
  holes: RawNumbers[];
}

/**
 * Exactly the raw values that are no fault, not available or outside `min` to `max`. Undefined when there is none, and for floats,
 * signals of more than 32 bits and those whose values may be beyond what a double holds.
 *
 * Worked: 12 bits unsigned, fault 4095, not available 4094, factor 0.1, max 400 → 0 to 4000. 8 bits signed, fault 0xFF → −128 to 127
 * with a hole at −1.
 */
export function findOkRaws(signal: Signal): OkRaws | undefined {
  if (signal.sign === 'float' || signal.bitLength > 32) return undefined;
  const inside = findInsideLimits(signal);
  if (!inside || !Number.isFinite(toValue(signal, inside.from)) || !Number.isFinite(toValue(signal, inside.to))) return undefined;
  const bad = toRawRanges(signal, [...signal.fault, ...signal.notAvailable]).map(({ from, to }) => ({
    from: Number(from),
    to: Number(to),
  }));
  const pieces = cutOut(inside, bad);
  const [first, last] = [pieces[0], pieces.at(-1)];
  if (!first || !last) return undefined;
  const holes = pieces.slice(1).map((piece, k) => ({ from: (pieces[k] as RawNumbers).to + 1, to: piece.from - 1 }));
  return { from: first.from, to: last.to, holes };
}

/** What is left of a range, in rising order. */
function cutOut(range: RawNumbers, bad: readonly RawNumbers[]): RawNumbers[] {
  let pieces = [range];
  for (const { from, to } of bad) {
    pieces = pieces.flatMap((piece) => [
      { from: piece.from, to: Math.min(piece.to, from - 1) },
      { from: Math.max(piece.from, to + 1), to: piece.to },
    ]);
    pieces = pieces.filter((piece) => piece.from <= piece.to);
  }
  return pieces;
}

/** Raw values whose value is inside `min` to `max`: one range, because rounded products and sums never turn back as the raw rises. */
function findInsideLimits(signal: Signal): RawNumbers | undefined {
  const { factor, min, max } = signal;
  const all = allRaws(signal);
  const above = (raw: number): boolean => min === undefined || toValue(signal, raw) >= min;
  const below = (raw: number): boolean => max === undefined || toValue(signal, raw) <= max;
  const [rising, falling] = factor < 0 ? [below, above] : [above, below];
  const from = findFirst(all, rising);
  const to = findFirst(all, (raw) => !falling(raw)) - 1;
  return from <= to ? { from, to } : undefined;
}

function toValue({ factor, offset }: Signal, raw: number): number {
  return raw * factor + offset;
}

/** The first of the raws for which `holds`, which holds for all behind it too; one behind the last when it holds for none. */
function findFirst({ from, to }: RawNumbers, holds: (raw: number) => boolean): number {
  let low = from;
  let high = to + 1;
  while (low < high) {
    const middle = Math.floor((low + high) / 2);
    if (holds(middle)) high = middle;
    else low = middle + 1;
  }
  return low;
}
