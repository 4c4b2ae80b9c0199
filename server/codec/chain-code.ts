// The loop that every frame passes: finds the layout of frames whose ids have been met, and chains them by layout.
import { frameFlag } from '../bus/frame-batch.ts';
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
  /** Two integers a frame, as `LayoutReader` says. */
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

/**
 * Generated, though always the same text, so that the columns are constants of a function that belongs to one decoder: with columns that
 * could be any, the loop takes half as long again. For the same reason it calls nothing.
 */
export function compileChainer({ met, places, placeShift, heads, links, touched, ends }: ChainColumns): Chainer {
  const text = `'use strict';return function(bus,id,flags,length,from,i,to,n,chains){
from|=0;i|=0;to|=0;n|=0;chains|=0;
for(;i<to;i++){
const flag=flags[i],b=bus[i],key=id[i]|(flag&1)<<29|(flag&8)<<27;
const at=places[Math.imul(key^b<<24,${hashFactor})>>>${placeShift}]<<2,form=met[at+3];
if((met[at]^key|met[at+1]^b|flag&${noDataFlags}|length[i]^form>>16)!==0)break;
const head=met[at+2],before=heads[head],j=i-from<<1;
if(before<0)touched[chains++]=head;
links[j]=before;links[j+1]=n;
heads[head]=j;heads[head+1]=heads[head+1]+1;
n+=form&65535;
}
ends[0]=n;ends[1]=chains;return i;}`;
  return new Function('met', 'places', 'heads', 'links', 'touched', 'ends', text)(met, places, heads, links, touched, ends) as Chainer;
}
