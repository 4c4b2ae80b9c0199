// The loop that every frame passes: finds the layout of frames whose ids have been met, and chains them by layout.
import { frameFlag } from '../bus/frame-batch.ts';
import { ownCopy } from '../own-copy.ts';
import { hashFactor } from './id-table.ts';

/** Frames without data that a layout could read. */
export const noDataFlags = frameFlag.remote | frameFlag.error;

/** What the loop reads and writes. */
export interface ChainColumns {
  /**
   * What ids mean that have come, four integers an id: key (`idKey`), bus, twice the index of the definition, and its length in bytes
   * << 16 | its number of samples. The first four stand for none. Close together, and found through `places`, so that they stay in a
   * processor's first cache.
   */
  met: Int32Array;
  /** A quarter of the place of an id in `met`, at the upper bits of its key's product with `hashFactor`, 32 − `placeShift` of them. */
  places: Uint16Array;
  placeShift: number;
  /** Two integers a definition: place of its newest frame in `links`, −1 for none, and how many frames are chained. */
  heads: Int32Array;
  /** Two integers a frame, as `PlainReader` says. */
  links: Int32Array;
  /** The definitions that have a chain, twice their index. */
  touched: Int32Array;
  /** What the loop gives back: where the samples end, and how many definitions have a chain. */
  ends: Int32Array;
}

/**
 * Chains the frames `i` and behind of a batch up to the first whose id hasn't been met, or that needs a second look for its flags or
 * length; returns its index, or `to`. `from` is the first frame of the stretch, `n` where the next samples go, `chains` how many
 * definitions have a chain so far.
 */
export type Chainer = (
  bus: Uint8Array,
  id: Uint32Array,
  flags: Uint8Array,
  length: Uint8Array | Uint16Array,
  from: number,
  i: number,
  to: number,
  n: number,
  chains: number,
) => number;

/** Makes the loop of one decoder. */
export function makeChainer(columns: ChainColumns): Chainer {
  return ownCopy(chainerOf)(columns, hashFactor, noDataFlags);
}

/** For `ownCopy`. The loop calls nothing: what it holds in registers would have to be loaded anew for each frame. */
function chainerOf(columns: ChainColumns, factor: number, withoutData: number): Chainer {
  const { met, places, placeShift, heads, links, touched, ends } = columns;
  return (bus, id, flags, length, from, first, to, samples, chainsBefore) => {
    let i = first | 0;
    let n = samples | 0;
    let chains = chainsBefore | 0;
    const begin = from | 0;
    const end = to | 0;
    for (; i < end; i++) {
      const flag = flags[i] as number;
      const b = bus[i] as number;
      // As `idKey`.
      const key = (id[i] as number) | ((flag & 1) << 29) | ((flag & 8) << 27);
      const at = (places[Math.imul(key ^ (b << 24), factor) >>> placeShift] as number) << 2;
      const form = met[at + 3] as number;
      const other =
        ((met[at] as number) ^ key) | ((met[at + 1] as number) ^ b) | (flag & withoutData) | ((length[i] as number) ^ (form >> 16));
      if (other !== 0) break;
      const head = met[at + 2] as number;
      const before = heads[head] as number;
      const j = (i - begin) << 1;
      if (before < 0) touched[chains++] = head;
      links[j] = before;
      links[j + 1] = n;
      heads[head] = j;
      heads[head + 1] = (heads[head + 1] as number) + 1;
      n += form & 0xffff;
    }
    ends[0] = n;
    ends[1] = chains;
    return i;
  };
}
