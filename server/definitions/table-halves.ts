// The two bytes of one number, where a manual gives each a row of its own: `Speed (high byte)`, `Speed (low byte)`.
import type { TableSignal } from './table-rows.ts';

/** Which byte of a number a name says it is. */
export interface ByteHalf {
  /** The name without that. */
  name: string;
  half: 'high' | 'low';
}

// `high` and `low` alone are left out: they also name limits and switches.
const halves: readonly [half: ByteHalf['half'], words: string][] = [
  ['high', 'msb|ms byte|most significant byte|high[ _-]?byte|hi[ _-]?byte|upper byte|hbyte|hb'],
  ['low', 'lsb|ls byte|least significant byte|low[ _-]?byte|lo[ _-]?byte|lower byte|lbyte|lb'],
];

/** `RPM MSB`, `Speed (low byte)`, `hb_temp`; undefined for any other name. */
export function parseHalf(name: string): ByteHalf | undefined {
  for (const [half, words] of halves) {
    const behind = new RegExp(String.raw`^(.*?\S)[\s_,:.([-]+(?:${words})\s*[)\]]?$`, 'i').exec(name);
    const before = new RegExp(String.raw`^(?:${words})[\s_,:.)-]+(?:of\s+)?(\S.*)$`, 'i').exec(name);
    const rest = behind?.[1] ?? before?.[1];
    if (rest !== undefined) return { name: rest.replace(/[\s_,:.([-]+$/, ''), half };
  }
  return undefined;
}

/** Two signals as the one number that they are, or undefined: then they stay two. */
export function joinHalves(a: TableSignal, b: TableSignal): TableSignal | undefined {
  const [high, low] = a.half === 'high' ? [a, b] : [b, a];
  if (high.half !== 'high' || low.half !== 'low' || high.wholeName !== low.wholeName || !high.wholeName) return undefined;
  const [highAt, lowAt] = [placeOf(high), placeOf(low)];
  if (!highAt || !lowAt || highAt.counts !== lowAt.counts) return undefined;
  const apart = highAt.counts === 'bytes' ? 1 : 8;
  if (Math.abs(highAt.first - lowAt.first) !== apart) return undefined;
  const first = Math.min(highAt.first, lowAt.first);
  const last = first + 2 * apart - 1;
  // What only one of the rows says holds for both.
  const told = high.factor !== 1 || high.offset !== 0 || high.unit !== '' ? high : low;
  const { half, wholeName, ...rest } = told;
  return {
    ...low,
    ...high,
    ...rest,
    row: a.row,
    name: wholeName as string,
    place: highAt.counts === 'bytes' ? { byte: { first, last } } : { bit: { first, last } },
    bitLength: 16,
    byteOrder: highAt.first < lowAt.first ? 'big' : 'little',
    sign: high.sign === 'unsigned' ? low.sign : high.sign,
  };
}

/** Where the one byte begins that a signal fills, counted as the table does; undefined when it is of another size. */
function placeOf({ place, bitLength }: TableSignal): { counts: 'bytes' | 'bits'; first: number } | undefined {
  const { byte, bit } = place;
  if (byte && !bit)
    return (bitLength ?? 8) === 8 && (byte.last ?? byte.first) === byte.first ? { counts: 'bytes', first: byte.first } : undefined;
  if (!bit || byte) return undefined;
  const bits = bit.last === undefined ? bitLength : bit.last - bit.first + 1;
  return bits === 8 ? { counts: 'bits', first: bit.first } : undefined;
}
