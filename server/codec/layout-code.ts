// Turns the layout of one frame into one function that reads all its signals: generated once, from checked numbers and never from text.
import { strict as assert } from 'node:assert';
import { quality } from '../channels/quality.ts';
import type { Frame, RawRange, Signal } from '../definitions/vehicle.ts';
import { bytesNeeded, leftPosition, toRawRanges } from './bits.ts';
import { allRaws, findOkRaws, type RawNumbers } from './ok-raws.ts';

/**
 * Reads the frames of one layout into sample columns that have room for them: frame `from + j` of the batch, then `from + next[j]`, and
 * so on until −1. Samples of frame `from + j` go to `start[j]` and behind, in the order of its signals; the places in between belong to
 * other layouts. Returns the number of frames. Quality is 0 there before. A frame's bytes are at least as many as the layout's length and padded to whole 32-bit words.
 *
 * Frames are read layout by layout because the machine code of forty layouts is more than a processor's first cache holds: one after
 * the other as they come, each would wait for its code.
 */
export type LayoutReader = (
  j: number,
  from: number,
  next: Int32Array,
  start: Int32Array,
  view: DataView,
  offset: Uint32Array,
  time: Float64Array,
  channel: Uint16Array,
  timeUs: Float64Array,
  value: Float64Array,
  quality: Uint8Array,
) => number;

/** How many samples a multiplexed frame has whose bytes begin at `o`. */
export type SampleCounter = (view: DataView, o: number) => number;

export interface CompiledLayout {
  read: LayoutReader;
  /** Samples of a frame, always the same number; or what counts them. */
  samples: number | SampleCounter;
}

/** Compiles the layout of `frame`. Worth a few tens of microseconds; call it once a definition set. */
export function compileLayout(frame: Frame): CompiledLayout {
  const { signals } = frame;
  const multiplexed = signals.some(({ when }) => when.length > 0);
  const parameters = 'j,from,next,start,view,offset,time,channel,timeUs,value,quality';
  const body = new LayoutText(frame).readText();
  const each = `frames++;const o=offset[from+j],t=time[from+j];let n=start[j];\n${body}`;
  const text = `'use strict';return function(${parameters}){\nlet frames=0;for(;j>=0;j=next[j]){${each}}\nreturn frames;}`;
  const make = new Function('scratch', text);
  return {
    read: make(new DataView(new ArrayBuffer(8))) as LayoutReader,
    samples: multiplexed ? compileCounter(frame) : signals.length,
  };
}

function compileCounter(frame: Frame): SampleCounter {
  return new Function('view', 'o', `'use strict';let n=0;\n${new LayoutText(frame).countText()}return n;`) as SampleCounter;
}

/** Raw value of a signal as text: one 32-bit integer, or a high and a low half of a longer one (low half unsigned). */
type RawText = { name: string } | { high: string; low: string };

class LayoutText {
  private readonly frame: Frame;
  private readonly declarations: string[] = [];
  private readonly declared = new Set<string>();
  private readonly raws = new Map<Signal, RawText>();

  constructor(frame: Frame) {
    this.frame = frame;
    for (const signal of frame.signals) assertSound(signal, frame.lengthBytes);
  }

  readText(): string {
    return this.text((signal) => this.sample(signal));
  }

  countText(): string {
    return this.text(() => 'n++;\n');
  }

  private text(each: (signal: Signal) => string): string {
    let body = '';
    let open = '';
    for (const signal of this.frame.signals) {
      const condition = this.presence(signal);
      if (condition !== open) {
        if (open) body += '}\n';
        if (condition) body += `if(${condition}){\n`;
        open = condition;
      }
      body += each(signal);
    }
    if (open) body += '}\n';
    return this.declarations.join('') + body;
  }

  /** Condition under which a multiplexed signal is in the frame; '' for always. */
  private presence(signal: Signal): string {
    const conditions = signal.when.map(({ signal: name, ranges }) => {
      const selector = this.frame.signals.find((other) => other.name === name);
      assert(selector && selector !== signal, `selector of ${signal.name} is not another signal of its frame`);
      return inRanges(this.raw(selector), toRawRanges(selector, ranges));
    });
    return conditions.join('&&');
  }

  private sample(signal: Signal): string {
    const place = `channel[n]=${integer(signal.channel)};timeUs[n]=t;`;
    const ok = findOkRaws(signal);
    if (!ok) return `${place}${this.judged(signal)}n++;\n`;
    const raw = numberText(this.raw(signal));
    const inside = rawTest(raw, ok, signal);
    const value = `value[n]=${scaled(raw, signal)};`;
    return `${place}${inside === '' ? value : `if(${inside})${value}else ${this.judged(signal)}`}n++;\n`;
  }

  /** A sample whose raw value may be anything. */
  private judged(signal: Signal): string {
    const fault = inRanges(signal.fault.length > 0 ? this.raw(signal) : undefined, toRawRanges(signal, signal.fault));
    const absent = inRanges(signal.notAvailable.length > 0 ? this.raw(signal) : undefined, toRawRanges(signal, signal.notAvailable));
    let text = '';
    if (fault !== 'false') text += `if(${fault}){value[n]=0;quality[n]=${quality.fault};}else `;
    if (absent !== 'false') text += `if(${absent}){value[n]=0;quality[n]=${quality.missing};}else `;
    return `${text}{${this.conversion(signal)}}`;
  }

  private conversion(signal: Signal): string {
    const raw = signal.sign === 'float' ? this.float(signal) : numberText(this.raw(signal));
    const text = `const v=${scaled(raw, signal)};`;
    const range = rangeTest(signal);
    const within = `value[n]=v;${range === '' ? '' : `quality[n]=${range};`}`;
    if (!mayBeInfinite(signal)) return text + within;
    // Not a number, or beyond what a double holds: v − v is 0 for finite v only.
    return `${text}if(v-v!==0){value[n]=0;quality[n]=${quality.fault};}else{${within}}`;
  }

  /** Declares the signal's raw value, once, before everything that uses it. */
  private raw(signal: Signal): RawText {
    const known = this.raws.get(signal);
    if (known) return known;
    const index = this.frame.signals.indexOf(signal);
    const signed = signal.sign === 'signed';
    const bits = signal.bitLength;
    let made: RawText;
    if (bits <= 32) {
      made = { name: `r${index}` };
      this.declarations.push(`const r${index}=${this.field(signal, 0, bits, signed)};\n`);
    } else {
      made = { high: `h${index}`, low: `l${index}` };
      this.declarations.push(`const h${index}=${this.field(signal, 32, bits - 32, signed)};\n`);
      this.declarations.push(`const l${index}=${this.field(signal, 0, 32, false)};\n`);
    }
    this.raws.set(signal, made);
    return made;
  }

  private float(signal: Signal): string {
    const little = signal.byteOrder === 'little';
    const get = signal.bitLength === 32 ? 'getFloat32' : 'getFloat64';
    const from = little ? signal.startBit : leftPosition(signal.startBit);
    if (from % 8 === 0) return `view.${get}(o+${integer(from / 8)},${little})`;
    const raw = this.raw(signal);
    if ('name' in raw) return `(scratch.setUint32(0,${raw.name}),scratch.getFloat32(0))`;
    return `(scratch.setUint32(0,${raw.high}),scratch.setUint32(4,${raw.low}),scratch.getFloat64(0))`;
  }

  /**
   * Text of `count` (1 to 32) bits of a signal, of which the lowest has weight 2^`skip`, taken from one or two 32-bit words.
   *
   *     little:  word k + 1 | word k       the signal's lower part lies in the lower word
   *     big:     word k − 1 | word k       words loaded big-endian; the lower part lies in the later word
   */
  private field(signal: Signal, skip: number, count: number, signed: boolean): string {
    const little = signal.byteOrder === 'little';
    const low = little ? signal.startBit + skip : leftPosition(signal.startBit) + signal.bitLength - 1 - skip;
    const word = low >> 5;
    const shift = little ? low & 31 : 31 - (low & 31);
    const first = this.word(word, little);
    if (shift + count <= 32) {
      if (signed) return shifted(`${first}<<${32 - shift - count}`, '>>', 32 - count);
      return shift + count === 32 ? `${first}>>>${shift}` : masked(shift === 0 ? first : `${first}>>>${shift}`, count);
    }
    const joined = `${first}>>>${shift}|${this.word(little ? word + 1 : word - 1, little)}<<${32 - shift}`;
    if (signed) return shifted(`(${joined})<<${32 - count}`, '>>', 32 - count);
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

function shifted(text: string, operator: '>>', by: number): string {
  return by === 0 ? `(${text})|0` : `(${text})${operator}${by}`;
}

function masked(text: string, count: number): string {
  return `(${text})&${2 ** count - 1}`;
}

function numberText(raw: RawText): string {
  return 'name' in raw ? raw.name : `(${raw.high}*4294967296+${raw.low})`;
}

/** `raw * factor + offset`, leaving out only what can't change the result. */
function scaled(raw: string, { factor, offset, sign }: Signal): string {
  if (sign === 'float') return `${raw}*${double(factor)}+${double(offset)}`;
  const product = factor === 1 ? raw : `${raw}*${double(factor)}`;
  // A zero offset still turns the −0 that a negative factor makes into 0.
  return offset === 0 && factor > 0 ? product : `${product}+${double(offset)}`;
}

/** Quality of a value as text, '' when it is always ok. Without a branch, which noise around a limit would make the processor guess wrong. */
function rangeTest({ min, max }: Signal): string {
  const tests: string[] = [];
  if (min !== undefined) tests.push(`(v<${double(min)})`);
  if (max !== undefined) tests.push(`(v>${double(max)})`);
  assert(quality.ok === 0 && quality.outOfRange === 1, 'the truth of a comparison is the quality');
  return tests.length === 0 ? '' : `${tests.join('|')}|0`;
}

function mayBeInfinite({ sign, bitLength, factor, offset }: Signal): boolean {
  return sign === 'float' || !Number.isFinite(2 ** bitLength * Math.abs(factor) + Math.abs(offset));
}

/** Text that is true when a raw value lies in the range; '' when it always does. */
function rawTest(raw: string, { from, to }: RawNumbers, signal: Signal): string {
  const all = allRaws(signal);
  const tests = [...(from > all.from ? [`${raw}>=${from}`] : []), ...(to < all.to ? [`${raw}<=${to}`] : [])];
  return tests.join('&&');
}

/** Text that is true when the raw value lies in one of the ranges. */
function inRanges(raw: RawText | undefined, ranges: readonly RawRange[]): string {
  if (raw === undefined || ranges.length === 0) return 'false';
  const tests = ranges.map(({ from, to }) => ('name' in raw ? inRange(raw.name, from, to) : inLongRange(raw.high, raw.low, from, to)));
  return tests.length === 1 ? (tests[0] as string) : `(${tests.join('||')})`;
}

function inRange(raw: string, from: bigint, to: bigint): string {
  return from === to ? `${raw}===${from}` : `(${raw}>=${from}&&${raw}<=${to})`;
}

function inLongRange(high: string, low: string, from: bigint, to: bigint): string {
  const [fromHigh, fromLow] = halves(from);
  const [toHigh, toLow] = halves(to);
  if (from === to) return `(${low}===${fromLow}&&${high}===${fromHigh})`;
  const above = `(${high}>${fromHigh}||${high}===${fromHigh}&&${low}>=${fromLow})`;
  const below = `(${high}<${toHigh}||${high}===${toHigh}&&${low}<=${toLow})`;
  return `(${above}&&${below})`;
}

function halves(raw: bigint): [high: bigint, low: bigint] {
  return [raw >> 32n, raw & 0xffffffffn];
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
