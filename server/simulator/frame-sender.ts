// One frame of a simulated device: when it is due, and its bytes made from the readings of its signals, page by page.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import type { Bus, Frame, Signal } from '../definitions/vehicle.ts';
import type { LineEvent } from './line.ts';
import type { Random } from './random.ts';
import type { Reading, Readings } from './readings.ts';
import { compileRawWriter, compileWriter, type WriteValue } from './signal-writer.ts';

const fdLengths = [8, 12, 16, 20, 24, 32, 48, 64];
const pagesOfOneRangeMax = 16;
/** Frames without a period come on events, on average this long apart. */
const eventGapS = 3;

interface Entry {
  write: WriteValue;
  read: Reading;
}

/** One page of a multiplexed frame: its selectors' raw values and the signals present with them. */
interface Page {
  selectors: [write: (bytes: Uint8Array, raw: number) => void, raw: number][];
  entries: Entry[];
}

/** Where a frame goes when it is due. */
export interface Transmitter {
  transmit(sender: FrameSender, nowUs: number, batch: FrameBatch): void;
}

export class FrameSender implements LineEvent {
  dueUs = Number.POSITIVE_INFINITY;
  readonly priority: number;
  readonly frame: Frame;
  readonly id: number;
  readonly flags: number;
  readonly bytes: Uint8Array;
  /** Time on the wire, microseconds: a nominal length with some stuffing. */
  readonly wireUs: number;
  /** How many frames its counter says were sent. */
  count = 0;
  private readonly pages: Page[];
  private readonly counters: { write: (bytes: Uint8Array, raw: number) => void; modulo: number }[];
  private readonly random: Random;
  private readonly transmitter: Transmitter;
  private readonly periodUs: number | undefined;
  private gridUs = 0;
  private pageIndex = 0;

  constructor(frame: Frame, bus: Bus, address: number, readings: Readings, random: Random, transmitter: Transmitter) {
    this.frame = frame;
    this.transmitter = transmitter;
    this.random = random;
    this.id = idOf(frame, address);
    this.priority = this.id;
    const fd = frame.fd ? frameFlag.fd | (bus.dataBitRate ? frameFlag.bitRateSwitch : 0) : 0;
    this.flags = (this.id > 0x7ff || frame.extended ? frameFlag.extended : 0) | fd;
    const length = frame.fd ? (fdLengths.find((n) => n >= frame.lengthBytes) ?? 64) : Math.min(8, frame.lengthBytes);
    this.bytes = new Uint8Array(frame.fd && frame.lengthBytes <= 8 ? frame.lengthBytes : length);
    const headBits = (this.flags & frameFlag.extended) !== 0 ? 67 : 47;
    this.wireUs = Math.ceil(((headBits + 8 * this.bytes.length) * 1.08 * 1e6) / bus.bitRate);
    this.counters = frame.signals.filter((signal) => isCounter(frame, signal)).map(counterOf);
    this.pages = pagesOf(frame, readings, random);
    // Each device has a crystal of its own.
    this.periodUs = frame.periodUs === undefined ? undefined : frame.periodUs * (1 + random.between(-4e-5, 4e-5));
  }

  fire(nowUs: number, batch: FrameBatch): void {
    this.transmitter.transmit(this, nowUs, batch);
  }

  /** Begins sending: counters from zero, first frame within a period. Returns when it is due. */
  begin(nowUs: number): number {
    this.count = 0;
    this.pageIndex = 0;
    this.gridUs = nowUs + this.random.between(0, this.periodUs ?? 1e6);
    return Math.ceil(this.gridUs);
  }

  /** When the frame after the one due at `dueUs` is due. @param stretch 1, or more for a device that is late. */
  nextDue(nowUs: number, stretch: number): number {
    if (this.periodUs === undefined) return Math.ceil(nowUs + 50_000 + this.random.wait(eventGapS * 1e6));
    this.gridUs += this.periodUs * stretch;
    // A device that was held up goes on from now instead of catching up.
    if (this.gridUs < nowUs) this.gridUs = nowUs + 0.1 * this.periodUs;
    const jitterUs = this.random.normal(Math.min(400, 0.004 * this.periodUs));
    return Math.max(nowUs + 1, Math.round(this.gridUs + jitterUs));
  }

  /** Makes the bytes of the next frame. @param counting How far the counter goes on: 1, 0 when stuck. */
  build(counting: number): Uint8Array {
    const { bytes } = this;
    const page = this.pages[this.pageIndex] as Page;
    this.pageIndex = (this.pageIndex + 1) % this.pages.length;
    bytes.fill(0);
    for (const [write, raw] of page.selectors) write(bytes, raw);
    for (let i = 0; i < page.entries.length; i++) {
      const entry = page.entries[i] as Entry;
      entry.write(bytes, entry.read());
    }
    for (const counter of this.counters) counter.write(bytes, this.count % counter.modulo);
    this.count += counting;
    return bytes;
  }
}

function idOf(frame: Frame, address: number): number {
  if (frame.pgn === undefined) return frame.id ?? 0;
  const source = frame.sourceAddresses?.[0]?.from ?? address;
  const destination = ((frame.pgn >> 8) & 0xff) < 240 ? 0xff : 0;
  return ((6 << 26) | (frame.pgn << 8) | (destination << 8) | source) >>> 0;
}

function isCounter(frame: Frame, signal: Signal): boolean {
  if (signal.name === frame.counter) return true;
  const named = /(^|_)(counter|alive|sequence)(_|$)/.test(signal.name);
  return (
    named &&
    frame.counter === undefined &&
    signal.states.size === 0 &&
    signal.bitLength <= 16 &&
    signal.when.length === 0 &&
    signal.unit === ''
  );
}

function counterOf(signal: Signal): { write: (bytes: Uint8Array, raw: number) => void; modulo: number } {
  const span = 2 ** Math.min(32, signal.bitLength);
  const byMax = signal.max === undefined ? span : Math.round((signal.max - signal.offset) / signal.factor) + 1;
  return { write: compileRawWriter(signal), modulo: Math.max(2, Math.min(span, byMax)) };
}

/** Every page that the frame's `when` conditions make, each with what it carries. A frame without any has one page. */
function pagesOf(frame: Frame, readings: Readings, random: Random): Page[] {
  const selectorNames = new Set(frame.signals.flatMap((signal) => signal.when.map((condition) => condition.signal)));
  const settings: Map<string, bigint>[] = [];
  for (const signal of frame.signals) if (signal.when.length > 0) addSettings(settings, signal);
  if (settings.length === 0) settings.push(new Map());
  const entries = new Map(frame.signals.map((signal) => [signal, entryOf(signal, readings, random)]));
  return settings.map((setting) => {
    const present = frame.signals.filter((signal) => isPresent(signal, setting));
    return {
      selectors: present.flatMap((signal): Page['selectors'] => {
        const raw = setting.get(signal.name);
        return raw === undefined ? [] : [[compileRawWriter(signal), Number(raw)]];
      }),
      entries: present
        .filter((signal) => !selectorNames.has(signal.name) && !isCounter(frame, signal))
        .map((signal) => entries.get(signal) as Entry),
    };
  });
}

function entryOf(signal: Signal, readings: Readings, random: Random): Entry {
  const read = readings.of(signal);
  let last = 0;
  // An open input without burn-out detection drifts about from where it was.
  const floats = (): number => {
    last += random.normal(6 * Math.abs(signal.factor) + 4);
    return last;
  };
  const write = compileWriter(signal, floats);
  return {
    read,
    write: (bytes, value) => {
      if (!Number.isNaN(value)) last = value;
      write(bytes, value);
    },
  };
}

/** Adds the selector settings under which a signal is present, those of its first ranges and all values of its last condition. */
function addSettings(settings: Map<string, bigint>[], signal: Signal): void {
  let made: Map<string, bigint>[] = [new Map()];
  for (const condition of signal.when) {
    const values = condition.ranges.flatMap(({ from, to }) => {
      const count = Math.min(pagesOfOneRangeMax, Number(to - from) + 1);
      return Array.from({ length: count }, (_, i) => from + BigInt(i));
    });
    made = made.flatMap((setting) => values.slice(0, pagesOfOneRangeMax).map((value) => new Map(setting).set(condition.signal, value)));
  }
  for (const setting of made.slice(0, 256)) {
    const same = settings.some((old) => old.size === setting.size && [...setting].every(([name, value]) => old.get(name) === value));
    if (!same) settings.push(setting);
  }
}

function isPresent(signal: Signal, setting: ReadonlyMap<string, bigint>): boolean {
  return signal.when.every((condition) => {
    const raw = setting.get(condition.signal);
    return raw !== undefined && condition.ranges.some(({ from, to }) => raw >= from && raw <= to);
  });
}
