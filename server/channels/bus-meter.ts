// Load and error frames of each bus, as channels: how long its frames took on the wire in the last second, and how many errors it reported.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import { wireBits, wireSeconds } from '../codec/wire-length.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { BuiltIn } from './built-in.ts';
import type { ChannelTable } from './channel-table.ts';
import { fromPlain, toPlain } from './plain-numbers.ts';
import { quality } from './quality.ts';
import type { SampleBatch } from './sample-batch.ts';

/** A value each 100 ms, over the last second; shorter after the first frame. */
const stepUs = 100_000;
const stepsOfWindow = 10;

interface Meter {
  bitRate: number;
  dataBitRate: number | undefined;
  load: number | undefined;
  errors: number | undefined;
  /** Bit times on the wire in the step that runs, and in the last ten; the newest is last. */
  busyBits: number;
  history: number[];
  errorCount: number;
  seenErrors: number;
  /** Of the first frame; -1 before it. */
  firstUs: number;
}

export class BusMeters {
  private readonly meters: Meter[];
  /** End of the step that runs; Infinity while every bus is silent. */
  private nextUs = Number.POSITIVE_INFINITY;

  constructor(vehicle: Vehicle, builtIns: readonly BuiltIn[], indexOf: ReadonlyMap<string, number>) {
    const channelOf = (bus: number, counts: 'load' | 'errors') => {
      const found = builtIns.find((builtIn) => builtIn.bus?.index === bus && builtIn.bus.counts === counts);
      return found && indexOf.get(found.name);
    };
    this.meters = vehicle.buses.map(({ index, bitRate, dataBitRate }) => ({
      bitRate,
      dataBitRate,
      load: channelOf(index, 'load'),
      errors: channelOf(index, 'errors'),
      busyBits: 0,
      history: [],
      errorCount: 0,
      seenErrors: -1,
      firstUs: -1,
    }));
  }

  /** When `step` should run next; Infinity: not before more frames. */
  get dueUs(): number {
    return this.nextUs;
  }

  /** Counts frames `from` up to, not including, `to`; none is behind the next step, since steps are instants. */
  count(frames: FrameBatch, from: number, to: number): void {
    // The first frame behind a silence decides, so that where a batch is cut changes nothing.
    if (this.nextUs === Number.POSITIVE_INFINITY && to > from) this.nextUs = Math.ceil((frames.timeUs[from] as number) / stepUs) * stepUs;
    const { timeUs, bus, id, flags, length, offset, data } = frames;
    for (let i = from; i < to; i++) {
      const meter = this.meters[bus[i] as number];
      if (meter === undefined) continue;
      if (meter.firstUs < 0) meter.firstUs = timeUs[i] as number;
      const flag = flags[i] as number;
      if ((flag & frameFlag.error) !== 0) meter.errorCount++;
      else if ((flag & frameFlag.bitRateSwitch) !== 0) meter.busyBits += switchedBits(frames, i, meter);
      else meter.busyBits += wireBits(id[i] as number, flag, data, length[i] as number, offset[i] as number);
    }
  }

  /** At the end of a step: one sample of load for each bus with traffic in its window, and of errors where there were new ones. */
  step(timeUs: number, table: ChannelTable, samples: SampleBatch): void {
    if (timeUs < this.nextUs) return;
    let busy = false;
    for (const meter of this.meters) {
      if (meter.firstUs < 0) continue;
      this.stepMeter(meter, timeUs, table, samples);
      busy ||= meter.history.some((bits) => bits > 0);
    }
    this.nextUs = busy ? (Math.floor(timeUs / stepUs) + 1) * stepUs : Number.POSITIVE_INFINITY;
  }

  private stepMeter(meter: Meter, timeUs: number, table: ChannelTable, samples: SampleBatch): void {
    const wasBusy = meter.busyBits > 0 || meter.history.some((bits) => bits > 0);
    meter.history.push(meter.busyBits);
    if (meter.history.length > stepsOfWindow) meter.history.shift();
    meter.busyBits = 0;
    const windowS = Math.min(stepsOfWindow * stepUs, timeUs - meter.firstUs) / 1e6;
    const busyS = meter.history.reduce((sum, bits) => sum + bits, 0) / meter.bitRate;
    // A window of less than a step says nothing yet.
    if (wasBusy && timeUs - meter.firstUs >= stepUs) publish(meter.load, (100 * busyS) / windowS, timeUs, table, samples);
    if (meter.errorCount !== meter.seenErrors) {
      meter.seenErrors = meter.errorCount;
      publish(meter.errors, meter.errorCount, timeUs, table, samples);
    }
  }

  save(): unknown {
    const meters = this.meters.map(({ busyBits, history, errorCount, seenErrors, firstUs }) => [
      toPlain([busyBits, errorCount, seenErrors, firstUs]),
      toPlain(history),
    ]);
    return { meters, nextUs: toPlain([this.nextUs]) };
  }

  restore(saved: unknown): void {
    const { meters, nextUs } = saved as { meters: [unknown, unknown][]; nextUs: unknown };
    for (const [i, [numbers, history]] of meters.entries()) {
      const meter = this.meters[i];
      if (!meter) continue;
      [meter.busyBits, meter.errorCount, meter.seenErrors, meter.firstUs] = fromPlain(numbers) as [number, number, number, number];
      meter.history = fromPlain(history);
    }
    [this.nextUs] = fromPlain(nextUs) as [number];
  }
}

/** Time on the wire of a frame that switches its bit rate, in bits of the bus's own rate. */
function switchedBits(frames: FrameBatch, i: number, { bitRate, dataBitRate }: Meter): number {
  const { id, flags, length } = frames;
  return wireSeconds(id[i] as number, flags[i] as number, frames.bytesOf(i), length[i] as number, bitRate, dataBitRate) * bitRate;
}

function publish(channel: number | undefined, value: number, timeUs: number, table: ChannelTable, samples: SampleBatch): void {
  if (channel === undefined) return;
  table.set(channel, value, quality.ok, timeUs);
  samples.push(channel, timeUs, value, quality.ok);
}
