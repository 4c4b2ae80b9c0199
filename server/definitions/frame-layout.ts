// A device file resolved: frames and signals with defaults filled in, and every check that needs no vehicle.
import { findUnit } from '../channels/unit.ts';
import { bytesNeeded } from '../codec/bits.ts';
import { areExclusive, type BitPlace, bitsOf, toBitPlace, toBitsInWords } from './bit-layout.ts';
import { checkShape, type Read } from './check-shape.ts';
import { deviceSchema, type frameSchema, type signalSchema } from './device-schema.ts';
import { j1939Ranges } from './j1939-ranges.ts';
import { toSuggestion } from './nearest-name.ts';
import type { ProblemList } from './problem.ts';
import { checkRawRanges, type RawBits, rawLimits, toPattern } from './raw-values.ts';
import type { RawRange, Signal, When } from './vehicle.ts';
import type { Path, YamlText } from './yaml-text.ts';

type FrameText = Read<typeof frameSchema>;
type SignalText = Read<typeof signalSchema>;

/** A signal as its device file has it; name and `when` without prefix. */
export interface SignalLayout {
  path: Path;
  name: string;
  /** Undefined when its place is faulty: nothing that needs bits is checked then. */
  signal?: Omit<Signal, 'channel' | 'at'>;
}

export interface FrameLayout {
  path: Path;
  name: string;
  id?: number;
  pgn?: number;
  sourceAddresses?: { from: number; to: number }[];
  extended: boolean;
  fd: boolean;
  lengthBytes: number;
  periodUs?: number;
  counter?: string;
  signals: SignalLayout[];
}

export interface DeviceLayout {
  file: YamlText;
  name: string;
  title: string;
  frames: FrameLayout[];
}

const fdLengths = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64];

/** Reads one device file; undefined when it can't even be said which device it is. */
export function readDevice(file: YamlText, problems: ProblemList): DeviceLayout | undefined {
  const text = checkShape(deviceSchema, file, problems);
  if (text?.device === undefined) return undefined;
  const reader = new DeviceReader(file, problems, text.j1939 ?? false);
  const frames: FrameLayout[] = [];
  for (const [i, frame] of (text.frames ?? []).entries()) {
    if (frame?.name !== undefined) frames.push(reader.readFrame(frame, frame.name, ['frames', i]));
  }
  reader.checkNamesDiffer(frames, 'frame');
  reader.checkNamesDiffer(
    frames.flatMap((frame) => frame.signals),
    'channel',
  );
  return { file, name: text.device, title: text.title ?? text.device, frames };
}

class DeviceReader {
  private readonly file: YamlText;
  private readonly problems: ProblemList;
  private readonly j1939: boolean;

  constructor(file: YamlText, problems: ProblemList, j1939: boolean) {
    this.file = file;
    this.problems = problems;
    this.j1939 = j1939;
  }

  readFrame(text: FrameText, name: string, path: Path): FrameLayout {
    this.checkId(text, path);
    const extended = text.extended ?? text.pgn !== undefined;
    const lengthBytes = text.length ?? 0;
    const fd = text.fd ?? (lengthBytes > 8 && text.pgn === undefined);
    const lengthOk = text.length !== undefined && this.checkLength(text, fd, path);
    const j1939 = text.j1939 ?? this.j1939;
    const signals = this.readSignals(text, path, lengthOk ? lengthBytes : undefined, j1939);
    this.checkCounter(text, signals, path);
    return {
      path,
      name,
      ...(text.id !== undefined && text.pgn === undefined && { id: text.id }),
      ...(text.pgn !== undefined && { pgn: text.pgn }),
      ...(text.source_address !== undefined && { sourceAddresses: text.source_address }),
      extended,
      fd,
      lengthBytes,
      ...(text.period !== undefined && { periodUs: Math.round(text.period * 1e6) }),
      ...(text.counter !== undefined && { counter: text.counter }),
      signals,
    };
  }

  private checkId(text: FrameText, path: Path): void {
    const { file, problems } = this;
    const has = (key: string) => file.rangeOfKey([...path, key]) !== undefined;
    if (has('id') && has('pgn')) {
      problems.addAtKey(file, [...path, 'pgn'], { code: 'KEY_CONFLICT', say: "both 'id' and 'pgn' are given", fix: 'Keep one of them.' });
    } else if (!has('id') && !has('pgn') && !['id', 'pgn'].some((key) => problems.isMeant(file, [...path, key]))) {
      const fix = "Add 'id:', or 'pgn:' for a J1939 parameter group.";
      problems.addAtKey(file, path, { code: 'KEY_MISSING', say: "'id' or 'pgn' is needed here", fix });
    }
    if (text.id !== undefined && text.id > 0x7ff && text.extended !== true) {
      const say = `id ${hex(text.id)} has more than 11 bits`;
      problems.addAtValue(file, [...path, 'id'], { code: 'FRAME_ID_NEEDS_EXTENDED', say, fix: 'Add `extended: true`, or mend the id.' });
    }
    if (text.pgn === undefined) {
      if (!has('pgn') && has('source_address')) {
        const say = "'source_address' goes with 'pgn' only";
        problems.addAtKey(file, [...path, 'source_address'], {
          code: 'KEY_CONFLICT',
          say,
          fix: 'Remove it, or give the pgn instead of the id.',
        });
      }
      return;
    }
    if (text.extended === false) {
      const say = 'a parameter group has a 29-bit id';
      problems.addAtValue(file, [...path, 'extended'], { code: 'KEY_CONFLICT', say, fix: "Remove 'extended: false'." });
    }
    if (((text.pgn >> 8) & 0xff) < 240 && (text.pgn & 0xff) !== 0) {
      const say = `${text.pgn} (${hex(text.pgn)}) is no parameter group: below PDU format 240 its low byte is the destination`;
      const fix = `Write ${text.pgn & ~0xff}.`;
      problems.addAtValue(file, [...path, 'pgn'], { code: 'VALUE_OUT_OF_RANGE', say, fix });
    }
  }

  private checkLength(text: FrameText, fd: boolean, path: Path): boolean {
    const length = text.length ?? 0;
    const broadcast = text.pgn !== undefined && !fd;
    if (broadcast || (fd ? fdLengths.includes(length) : length <= 8)) return true;
    const next = fdLengths.find((one) => one >= length);
    const [say, fix] = fd
      ? [`a CAN FD frame can't have ${length} bytes`, next ? `The next length it can have is ${next}.` : 'It has at most 64.']
      : [`a frame that is not CAN FD has at most 8 bytes, not ${length}`, "Write 8 at most, or remove 'fd: false'."];
    this.problems.addAtValue(this.file, [...path, 'length'], { code: 'FRAME_LENGTH_NOT_ALLOWED', say, fix });
    return false;
  }

  private readSignals(text: FrameText, path: Path, lengthBytes: number | undefined, j1939: boolean): SignalLayout[] {
    const texts = (text.signals ?? []).map((signal, i) => ({ signal, path: [...path, 'signals', i] }));
    const layouts: (SignalLayout & { text: SignalText })[] = [];
    for (const { signal, path: at } of texts) {
      if (signal === undefined) continue;
      const read = this.readSignal(signal, at, lengthBytes, signal.j1939 ?? j1939);
      if (signal.name !== undefined) layouts.push({ path: at, name: signal.name, text: signal, ...(read && { signal: read }) });
    }
    this.resolveWhens(layouts);
    this.checkOverlaps(layouts);
    return layouts.map(({ path: at, name, signal }) => ({ path: at, name, ...(signal && { signal }) }));
  }

  private readSignal(text: SignalText, path: Path, lengthBytes: number | undefined, j1939: boolean): SignalLayout['signal'] {
    const place = this.readPlace(text, path);
    this.checkConversion(text, path);
    if (!place) return undefined;
    const needed = bytesNeeded({ ...place, sign: 'unsigned' });
    if (lengthBytes !== undefined && needed > lengthBytes) {
      const say = `'${text.name ?? 'this signal'}' reaches to byte ${needed - 1}, and the frame has ${lengthBytes} bytes (0 to ${lengthBytes - 1})`;
      const fix = "Move the signal, or mend the frame's length.";
      this.problems.addAtValue(this.file, this.placePath(path), { code: 'SIGNAL_OUTSIDE_FRAME', say, fix });
    }
    const sign = text.sign ?? 'unsigned';
    if (sign === 'float' && place.bitLength !== 32 && place.bitLength !== 64) {
      const say = `a float has 32 or 64 bits, not ${place.bitLength}`;
      this.problems.addAtValue(this.file, [...path, 'sign'], { code: 'SIGNAL_FLOAT_LENGTH', say, fix: 'Mend the length, or the sign.' });
    }
    const bits: RawBits = { bitLength: place.bitLength, sign };
    this.checkReach(text, bits, path);
    const byStandard = j1939 && sign === 'unsigned' ? j1939Ranges(place.bitLength) : undefined;
    return {
      name: text.name ?? '',
      ...place,
      sign,
      factor: text.factor ?? 1,
      offset: text.offset ?? 0,
      unit: text.unit ?? '',
      ...(text.reference !== undefined && { reference: text.reference }),
      ...(text.min !== undefined && { min: text.min }),
      ...(text.max !== undefined && { max: text.max }),
      fault: this.readRaw(text.fault, bits, [...path, 'fault']) ?? byStandard?.fault ?? [],
      notAvailable: this.readRaw(text.not_available, bits, [...path, 'not_available']) ?? byStandard?.notAvailable ?? [],
      states: this.readStates(text, bits, path),
      when: [],
    };
  }

  /** `bytes`, or `start_bit` with `bit_length`: one of them, whole. */
  private readPlace(text: SignalText, path: Path): BitPlace | undefined {
    const { file, problems } = this;
    const has = (key: string) => file.rangeOfKey([...path, key]) !== undefined;
    const byteOrder = text.byte_order ?? 'little';
    if (has('bytes') && (has('start_bit') || has('bit_length'))) {
      const say = 'its place is given twice, as bytes and as bits';
      const key = has('start_bit') ? 'start_bit' : 'bit_length';
      const fix = "Keep 'bytes', or 'start_bit' with 'bit_length'.";
      problems.addAtKey(file, [...path, key], { code: 'KEY_CONFLICT', say, fix });
      return undefined;
    }
    if (has('bytes')) return text.bytes && toBitPlace(text.bytes.first, text.bytes.last, byteOrder);
    // A mistyped key is told already.
    if (['bytes', 'start_bit', 'bit_length'].some((key) => problems.isMeant(file, [...path, key]))) return undefined;
    const missing = ['start_bit', 'bit_length'].filter((key) => !has(key));
    if (missing.length === 0) {
      if (text.start_bit === undefined || text.bit_length === undefined) return undefined;
      return { startBit: text.start_bit, bitLength: text.bit_length, byteOrder };
    }
    const [say, fix] =
      missing.length === 2
        ? [
            "where it lies is not said: 'bytes', or 'start_bit' with 'bit_length', is needed",
            "Add 'bytes: 0..1', or 'start_bit: 0' and 'bit_length: 16'.",
          ]
        : [`'${missing[0]}' is needed here`, `Add '${missing[0]}:'.`];
    problems.addAtKey(file, path, { code: 'KEY_MISSING', say, fix });
    return undefined;
  }

  private placePath(path: Path): Path {
    const key = ['bytes', 'start_bit'].find((one) => this.file.rangeOfKey([...path, one]));
    return key === undefined ? path : [...path, key];
  }

  private checkConversion(text: SignalText, path: Path): void {
    const { file, problems } = this;
    if (text.factor === 0) {
      const say = 'a factor of 0 makes every value the same';
      problems.addAtValue(file, [...path, 'factor'], { code: 'VALUE_OUT_OF_RANGE', say, fix: 'Write another factor, 1 by default.' });
    }
    if (text.min !== undefined && text.max !== undefined && text.min > text.max) {
      const say = `max ${text.max} is below min ${text.min}`;
      problems.addAtValue(file, [...path, 'max'], { code: 'VALUE_OUT_OF_RANGE', say, fix: 'Swap them.' });
    }
    if (text.reference !== undefined && file.rangeOfKey([...path, 'unit']) && text.unit === undefined) return;
    if (text.reference !== undefined && findUnit(text.unit ?? '')?.dimension !== 'pressure') {
      const say = `only a pressure is ${text.reference}, and the unit is ${text.unit ? `'${text.unit}'` : 'not given'}`;
      const fix = "Remove 'reference', or give a unit of pressure like kPa.";
      problems.addAtValue(file, [...path, 'reference'], { code: 'REFERENCE_NOT_PRESSURE', say, fix });
    }
  }

  /** Warns of a `min` or `max` that the bits can't reach. */
  private checkReach(text: SignalText, bits: RawBits, path: Path): void {
    if (bits.sign === 'float') return;
    const limits = rawLimits(bits);
    const ends = [limits.from, limits.to].map((raw) => Number(raw) * (text.factor ?? 1) + (text.offset ?? 0));
    const [low, high] = [Math.min(...ends), Math.max(...ends)];
    const slack = Math.abs(text.factor ?? 1) / 2;
    for (const key of ['min', 'max'] as const) {
      const value = text[key];
      if (value === undefined || (value >= low - slack && value <= high + slack)) continue;
      const say = `${key} ${value} is outside what ${bits.bitLength} bits can hold (${round(low)} to ${round(high)})`;
      const fix = 'Look at factor, offset, length and sign again.';
      this.problems.addAtValue(this.file, [...path, key], { code: 'RANGE_BEYOND_BITS', say, fix });
    }
  }

  private readRaw(ranges: RawRange[] | undefined, bits: RawBits, path: Path): RawRange[] | undefined {
    if (!ranges) return undefined;
    const patterns = checkRawRanges(ranges, bits);
    if (Array.isArray(patterns)) return patterns;
    const inList = this.file.rangeOfValue([...path, patterns.index]) !== undefined;
    this.problems.addAtValue(this.file, inList ? [...path, patterns.index] : path, patterns.fault);
    return [];
  }

  private readStates(text: SignalText, bits: RawBits, path: Path): Map<bigint, string> {
    const states = new Map<bigint, string>();
    for (const [raw, name] of text.states ?? []) {
      const pattern = toPattern(raw, bits);
      if (pattern !== undefined) states.set(pattern, name);
      else {
        const key = this.findStateKey([...path, 'states'], raw);
        const say = `raw value ${raw} does not fit into ${bits.bitLength} ${bits.sign} bits`;
        this.problems.addAtKey(this.file, key, { code: 'RAW_VALUE_OUTSIDE_BITS', say, fix: 'Mend the value, or the signal’s length.' });
      }
    }
    return states;
  }

  private findStateKey(path: Path, raw: bigint): Path {
    const spellings = [String(raw), `0x${raw.toString(16)}`, `0x${raw.toString(16).toUpperCase()}`];
    return [...path, spellings.find((key) => this.file.rangeOfKey([...path, key])) ?? ''];
  }

  /** Fills in `when` of every signal, conditions of its conditions included. */
  private resolveWhens(layouts: (SignalLayout & { text: SignalText })[]): void {
    const byName = new Map(layouts.map((layout) => [layout.name, layout]));
    const own = new Map<string, When[]>();
    for (const layout of layouts) own.set(layout.name, this.readWhen(layout, byName));
    for (const layout of layouts) {
      if (!layout.signal) continue;
      const merged = new Map<string, RawRange[]>();
      const cyclic = !collectWhens(layout.name, own, merged, []);
      const at: Path = [...layout.path, 'when'];
      if (cyclic) {
        const say = `'${layout.name}' is present only when it is present itself`;
        this.problems.addAtValue(this.file, at, { code: 'WHEN_CYCLE', say, fix: 'Break the circle of conditions.' });
        continue;
      }
      const never = [...merged].find(([, ranges]) => ranges.length === 0);
      if (never) {
        const say = `'${layout.name}' can never be present: the conditions on '${never[0]}' exclude each other`;
        this.problems.addAtValue(this.file, at, { code: 'WHEN_NEVER', say, fix: 'Mend the values here or where that signal is defined.' });
      }
      layout.signal.when = [...merged].map(([signal, ranges]) => ({ signal, ranges }));
    }
  }

  private readWhen(layout: SignalLayout & { text: SignalText }, byName: Map<string, SignalLayout>): When[] {
    const whens: When[] = [];
    for (const [name, ranges] of layout.text.when ?? []) {
      const at: Path = [...layout.path, 'when', name];
      const other = byName.get(name);
      if (!other) {
        const fix = `${toSuggestion(name, byName.keys())} It must be a signal of the same frame.`;
        this.problems.addAtKey(this.file, at, { code: 'WHEN_SIGNAL_UNKNOWN', say: `no signal '${name}' in this frame`, fix });
      } else if (other.signal) whens.push({ signal: name, ranges: this.readRaw(ranges, other.signal, at) ?? [] });
      else whens.push({ signal: name, ranges });
    }
    return whens;
  }

  private checkOverlaps(layouts: SignalLayout[]): void {
    const placed = layouts.flatMap(({ signal, path }) => {
      const bits = signal && bitsOf(signal);
      return signal && bits ? [{ signal, path, bits, taken: new Set(bits) }] : [];
    });
    for (const [i, later] of placed.entries()) {
      for (const earlier of placed.slice(0, i)) {
        const both = later.bits.filter((bit) => earlier.taken.has(bit));
        if (both.length === 0 || areExclusive(earlier.signal.when, later.signal.when)) continue;
        const line = this.file.placeOfValue(earlier.path).line;
        const say = `'${later.signal.name}' overlaps '${earlier.signal.name}' (line ${line}) in ${toBitsInWords(both)}`;
        const fix = 'Move one of them, or say `when` each is present.';
        this.problems.addAtValue(this.file, this.placePath(later.path), { code: 'SIGNALS_OVERLAP', say, fix });
      }
    }
  }

  private checkCounter(text: FrameText, signals: SignalLayout[], path: Path): void {
    const { counter } = text;
    if (counter === undefined || signals.some((signal) => signal.name === counter)) return;
    const fix = toSuggestion(
      counter,
      signals.map((signal) => signal.name),
    );
    this.problems.addAtValue(this.file, [...path, 'counter'], {
      code: 'COUNTER_UNKNOWN',
      say: `no signal '${counter}' in this frame`,
      fix,
    });
  }

  checkNamesDiffer(named: { name: string; path: Path }[], what: string): void {
    const first = new Map<string, Path>();
    for (const { name, path } of named) {
      const earlier = first.get(name);
      if (!earlier) first.set(name, path);
      else {
        const line = this.file.placeOfValue([...earlier, 'name']).line;
        const say = `a second ${what} '${name}' (first in line ${line})`;
        this.problems.addAtValue(this.file, [...path, 'name'], { code: 'NAME_DUPLICATE', say, fix: 'Choose another name.' });
      }
    }
  }
}

/** Gathers conditions along the chain of `when`; false on a circle. */
function collectWhens(name: string, own: Map<string, When[]>, into: Map<string, RawRange[]>, trail: string[]): boolean {
  if (trail.includes(name)) return false;
  for (const { signal, ranges } of own.get(name) ?? []) {
    const sofar = into.get(signal);
    into.set(signal, sofar ? meet(sofar, ranges) : ranges);
    if (!collectWhens(signal, own, into, [...trail, name])) return false;
  }
  return true;
}

function meet(a: RawRange[], b: RawRange[]): RawRange[] {
  return a.flatMap((one) =>
    b.flatMap((other) => {
      let { from, to } = one;
      if (other.from > from) from = other.from;
      if (other.to < to) to = other.to;
      return from <= to ? [{ from, to }] : [];
    }),
  );
}

export function hex(id: number): string {
  return `0x${id.toString(16).toUpperCase()}`;
}

function round(value: number): number {
  return Number(value.toPrecision(7));
}
