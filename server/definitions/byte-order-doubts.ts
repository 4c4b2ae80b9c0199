// Warns of signals that jump on a recording where the other byte order would run smooth.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import { type Fault, ProblemList } from './problem.ts';
import type { Frame, Problem, Signal, Vehicle } from './vehicle.ts';

/** Samples and changes below which nothing is said. */
const samplesMin = 50;
const changesMin = 10;
/**
 * How many times rougher the declared order must be. A wrong order makes of a step of 1 one of 256 (or more), a right one the
 * reverse, and noise is as rough either way: 8 is the middle of a wide gap.
 */
const roughnessRatioMin = 8;

interface Watched {
  frame: Frame;
  signal: Signal;
  /** The signal's bytes, in the order in which they lie. */
  first: number;
  count: number;
  samples: number;
  changes: number;
  /** Last raw values and sums of steps, in the declared order and in the other. */
  declared: { last: number; steps: number };
  other: { last: number; steps: number };
}

/** Gathers evidence from frames; whole bytes of 2 to 4, not multiplexed, not floating point. */
export class ByteOrderDoubts {
  private readonly vehicle: Vehicle;
  private readonly watched = new Map<string, Watched[]>();
  private readonly groups = new Map<string, Watched[]>();

  constructor(vehicle: Vehicle) {
    this.vehicle = vehicle;
    for (const frame of vehicle.buses.flatMap((bus) => bus.frames)) {
      const watched = frame.signals.flatMap((signal) => watch(frame, signal) ?? []);
      if (watched.length === 0) continue;
      if (frame.id !== undefined) this.watched.set(`${frame.bus} ${frame.extended} ${frame.id}`, watched);
      else this.groups.set(`${frame.bus} ${frame.pgn}`, watched);
    }
  }

  take(batch: FrameBatch): void {
    for (let i = 0; i < batch.count; i++) {
      const flags = batch.flags[i] as number;
      if ((flags & (frameFlag.error | frameFlag.remote)) !== 0) continue;
      const extended = (flags & frameFlag.extended) !== 0;
      const id = batch.id[i] as number;
      const bus = batch.bus[i] as number;
      const watched =
        this.watched.get(`${bus} ${extended} ${id}`) ?? (extended ? this.groups.get(`${bus} ${toParameterGroup(id)}`) : undefined);
      for (const one of watched ?? []) step(one, batch.bytesOf(i));
    }
  }

  /** Warnings at the signals' places, in the order of the files. */
  findings(): Problem[] {
    const problems = new ProblemList();
    for (const one of [...this.watched.values(), ...this.groups.values()].flat()) {
      const { samples, changes, declared, other, signal } = one;
      if (samples < samplesMin || changes < changesMin || declared.steps < roughnessRatioMin * other.steps) continue;
      problems.add(this.placeOf(signal), toFault(one));
    }
    return problems.sorted();
  }

  private placeOf({ at, name }: Signal) {
    const text = this.vehicle.files.find((file) => file.path === at.file)?.text ?? '';
    const found = (text.split('\n')[at.line - 1] ?? name).slice(at.column - 1).trimEnd();
    return { ...at, endColumn: at.column + Math.max(1, found.length), found };
  }
}

/** J1939: the parameter group of a 29-bit id; below PDU format 240 the low byte is a destination and no part of it. */
function toParameterGroup(id: number): number {
  const pgn = (id >> 8) & 0x3ffff;
  return ((pgn >> 8) & 0xff) < 240 ? pgn & 0x3ff00 : pgn;
}

function watch(frame: Frame, signal: Signal): Watched | undefined {
  const { startBit, bitLength, byteOrder, sign, when } = signal;
  const wholeBytes = bitLength % 8 === 0 && startBit % 8 === (byteOrder === 'little' ? 0 : 7);
  if (!wholeBytes || bitLength < 16 || bitLength > 32 || sign === 'float' || when.length > 0) return undefined;
  const nothing = () => ({ last: 0, steps: 0 });
  return { frame, signal, first: startBit >> 3, count: bitLength / 8, samples: 0, changes: 0, declared: nothing(), other: nothing() };
}

function step(one: Watched, bytes: Uint8Array): void {
  const { signal, first, count, frame } = one;
  if (bytes.length < frame.lengthBytes) return;
  let little = 0;
  let big = 0;
  for (let k = 0; k < count; k++) {
    little += (bytes[first + k] as number) * 256 ** k;
    big = big * 256 + (bytes[first + k] as number);
  }
  const pattern = BigInt(signal.byteOrder === 'little' ? little : big);
  // What the signal itself calls no measurement is no step.
  if ([...signal.fault, ...signal.notAvailable].some(({ from, to }) => pattern >= from && pattern <= to)) return;
  const span = 256 ** count;
  const signed = (raw: number) => (signal.sign === 'signed' && raw >= span / 2 ? raw - span : raw);
  const raws = signal.byteOrder === 'little' ? [little, big] : [big, little];
  for (const [i, order] of [one.declared, one.other].entries()) {
    const raw = signed(raws[i] as number);
    if (one.samples > 0) order.steps += Math.abs(raw - order.last);
    if (i === 0 && one.samples > 0 && raw !== order.last) one.changes++;
    order.last = raw;
  }
  one.samples++;
}

function toFault({ signal, samples, declared, other }: Watched): Fault {
  const better = signal.byteOrder === 'little' ? 'big' : 'little';
  const ratio = other.steps === 0 ? 'far' : `${Math.round(declared.steps / other.steps)} times`;
  const say = `'${signal.name}' jumps: in ${samples} frames of this recording it is ${ratio} rougher than with the other byte order`;
  return { code: 'BYTE_ORDER_DOUBTFUL', say, fix: `Try 'byte_order: ${better}'.` };
}
