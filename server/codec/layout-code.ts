// Turns the layout of one frame into one function that reads all its signals: generated once, from checked numbers and never from text.
import { strict as assert } from 'node:assert';
import type { Frame, Signal } from '../definitions/vehicle.ts';
import { bytesNeeded, leftPosition, toRawRanges } from './bits.ts';
import { allRaws, findOkRaws, type OkRaws } from './ok-raws.ts';

/**
 * Reads frames of one layout into sample columns that have room for them, up to the first of which a sample isn't plainly ok
 * (`findOkRaws`): returns its j, or −1 at the end. Frame `from + k` of the batch is at j = 2 k of `links`, which has two integers a frame:
 * the j of the frame before it that has the same layout, or −1, and where its samples go, in the order of its signals; the places in
 * between belong to other layouts. Quality is 0 there before. Goes from j down to −1. A frame's bytes are at least as many as the layout's
 * length and padded to whole 32-bit words.
 *
 * Frames are read layout by layout because the machine code of forty layouts is more than a processor's first cache holds: one after
 * the other as they come, each would wait for its code. And there is nothing rare in it, because a processor has too few registers for
 * both, and the code of four hundred layouts is more than its second cache holds.
 */
export type PlainReader = (
  j: number,
  from: number,
  view: DataView,
  offset: Uint32Array,
  time: Float64Array,
  channel: Uint16Array,
  timeUs: Float64Array,
  value: Float64Array,
) => number;

/**
 * Compiles the layout of `frame`; undefined where whole numbers of 32 bits can't tell of a signal whether its samples are ok.
 * Worth a few tens of microseconds; call it once a definition set.
 */
export function compilePlainReader(frame: Frame, links: Int32Array): PlainReader | undefined {
  for (const signal of frame.signals) assertSound(signal, frame.lengthBytes);
  const body = new LayoutText(frame).plainText();
  if (body === undefined) return undefined;
  // Whole numbers from the start: V8 would carry them as any value through the loop, and check them each time.
  const text = `'use strict';return function(j,from,view,offset,time,channel,timeUs,value){
j|=0;from|=0;
for(;j>=0;j=links[j]){const i=from+(j>>1),o=offset[i];
${body}}
return j;}`;
  return new Function('links', text)(links) as PlainReader;
}

class LayoutText {
  private readonly signals: readonly Signal[];
  private readonly declarations: string[] = [];
  private readonly declared = new Set<string>();

  constructor({ signals }: Frame) {
    this.signals = signals;
  }

  /** All samples of a frame if none needs a second look, else `break`; undefined where that can't be told from whole numbers. */
  plainText(): string | undefined {
    const tests: string[] = [];
    let samples = '';
    let open = '';
    /** Samples written behind `n`. */
    let behind = 0;
    for (const signal of this.signals) {
      const ok = findOkRaws(signal);
      const condition = this.presence(signal);
      if (!ok || condition === undefined) return undefined;
      if (condition !== open) {
        samples += `n+=${behind};${open === '' ? '' : '}'}\n${condition === '' ? '' : `if(${condition}){`}`;
        behind = 0;
        open = condition;
      }
      const raw = this.raw(signal);
      const needed = slacks(raw, ok, signal);
      if (needed.length > 0) tests.push(condition === '' ? needed.join('|') : `(${condition}?${needed.join('|')}:0)`);
      const at = behind === 0 ? 'n' : `n+${behind}`;
      samples += `channel[${at}]=${integer(signal.channel)};timeUs[${at}]=t;value[${at}]=${scaled(raw, signal)};\n`;
      behind++;
    }
    // Negative when any of them is: one branch instead of one a signal.
    const test = tests.length === 0 ? '' : `if((${tests.join('|')})<0)break;\n`;
    // n without its two highest bits, so that adding to it needs no check.
    return `${this.declarations.join('')}${test}const t=time[i];let n=links[j+1]&0x3fffffff;\n${samples}${open === '' ? '' : '}'}`;
  }

  /** Condition under which a multiplexed signal is in the frame; '' for always, undefined where a selector has more than 32 bits. */
  private presence({ when }: Signal): string | undefined {
    const conditions: string[] = [];
    for (const { signal: name, ranges } of when) {
      const selector = this.signals.find((other) => other.name === name);
      if (!selector || selector.bitLength > 32 || selector.sign === 'float') return undefined;
      const raw = this.raw(selector);
      const tests = toRawRanges(selector, ranges).map(({ from, to }) => `${raw}>=${double(Number(from))}&&${raw}<=${double(Number(to))}`);
      conditions.push(tests.length === 0 ? 'false' : `(${tests.join('||')})`);
    }
    return conditions.join('&&');
  }

  /** Declares the signal's raw value, once, before everything that uses it. */
  private raw(signal: Signal): string {
    const name = `r${this.signals.indexOf(signal)}`;
    if (!this.declared.has(name)) {
      this.declared.add(name);
      const text = this.field(signal);
      this.declarations.push(`const ${name}=${text};\n`);
    }
    return name;
  }

  /**
   * Text of the raw value of a signal of 1 to 32 bits, taken from one or two 32-bit words.
   *
   *     little:  word k + 1 | word k       the signal's lower part lies in the lower word
   *     big:     word k − 1 | word k       words loaded big-endian; the lower part lies in the later word
   */
  private field({ byteOrder, startBit, bitLength: count, sign }: Signal): string {
    const little = byteOrder === 'little';
    const low = little ? startBit : leftPosition(startBit) + count - 1;
    const word = low >> 5;
    const shift = little ? low & 31 : 31 - (low & 31);
    const first = this.word(word, little);
    if (shift + count <= 32) {
      if (sign === 'signed') return shifted(`${first}<<${32 - shift - count}`, 32 - count);
      return shift + count === 32 ? `${first}>>>${shift}` : masked(shift === 0 ? first : `${first}>>>${shift}`, count);
    }
    const joined = `${first}>>>${shift}|${this.word(little ? word + 1 : word - 1, little)}<<${32 - shift}`;
    if (sign === 'signed') return shifted(`(${joined})<<${32 - count}`, 32 - count);
    return count === 32 ? `(${joined})>>>0` : masked(joined, count);
  }

  private word(index: number, little: boolean): string {
    const name = `${little ? 'w' : 'b'}${integer(index)}`;
    if (!this.declared.has(name)) {
      this.declared.add(name);
      this.declarations.push(`const ${name}=view.getInt32(o+${index * 4},${little});\n`);
    }
    return name;
  }
}

function shifted(text: string, by: number): string {
  return by === 0 ? `(${text})|0` : `(${text})>>${by}`;
}

function masked(text: string, count: number): string {
  return `(${text})&${2 ** count - 1}`;
}

/** `raw * factor + offset`, leaving out only what can't change the result. */
function scaled(raw: string, { factor, offset }: Signal): string {
  const product = factor === 1 ? raw : `${raw}*${double(factor)}`;
  // A zero offset still turns the −0 that a negative factor makes into 0.
  return offset === 0 && factor > 0 ? product : `${product}+${double(offset)}`;
}

/**
 * Texts of 32-bit numbers of which one at least is negative when a raw value isn't ok. Differences of 31-bit numbers keep their sign in
 * 32 bits; longer ones are compared.
 */
function slacks(raw: string, { from, to, holes }: OkRaws, signal: Signal): string[] {
  const all = allRaws(signal);
  const above = (end: number): string => (signal.bitLength < 32 ? `(${raw}-${double(end)})` : `(${raw}>=${double(end)}?0:-1)`);
  const below = (end: number): string => (signal.bitLength < 32 ? `(${double(end)}-${raw})` : `(${raw}<=${double(end)}?0:-1)`);
  return [
    ...(from > all.from ? [above(from)] : []),
    ...(to < all.to ? [below(to)] : []),
    ...holes.map((hole) => `~(${above(hole.from)}|${below(hole.to)})`),
  ];
}

function integer(value: number): string {
  assert(Number.isSafeInteger(value) && value >= 0, 'a whole number goes into generated text');
  return String(value);
}

function double(value: number): string {
  assert(Number.isFinite(value), 'a finite number goes into generated text');
  return value < 0 || Object.is(value, -0) ? `(-${-value})` : String(value);
}

function assertSound(signal: Signal, lengthBytes: number): void {
  const { name, startBit, bitLength, sign } = signal;
  assert(Number.isInteger(bitLength) && bitLength >= 1 && bitLength <= 64, `${name} has 1 to 64 bits`);
  assert(Number.isInteger(startBit) && startBit >= 0, `${name} starts at a bit`);
  assert(bytesNeeded(signal) <= lengthBytes, `${name} lies inside its frame`);
  assert(sign !== 'float' || bitLength === 32 || bitLength === 64, `${name} is a float of 32 or 64 bits`);
}
