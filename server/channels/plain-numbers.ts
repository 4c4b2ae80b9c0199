// Numbers as JSON without loss: JSON has no -0, NaN or infinities, and a saved state must come back bit for bit.

type Plain = number | string;

/** Numbers to JSON. */
export function toPlain(numbers: ArrayLike<number>): Plain[] {
  return Array.from(numbers, (x) => (Object.is(x, -0) ? '-0' : Number.isFinite(x) ? x : String(x)));
}

/** What `toPlain` gave, as numbers. */
export function fromPlain(plain: unknown): number[] {
  return (plain as Plain[]).map(Number);
}
