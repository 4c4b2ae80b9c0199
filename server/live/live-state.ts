// What is known now of one definition set: newest values, bins, seen ids. Fed by the pipeline, asked by pages.
import type { Channel } from '../channels/channel-list.ts';
import type { ChannelTable } from '../channels/channel-table.ts';
import { quality } from '../channels/quality.ts';
import type { FramesView } from '../contract/frames.ts';
import type { VehicleView } from '../contract/vehicle-view.ts';
import type { WhyView } from '../contract/why.ts';
import type { WindowQuery, WindowView } from '../contract/window.ts';
import type { Problem, Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { windowBinsMax, windowChannelsMax } from '../limits.ts';
import { toFramesView } from './frames-view.ts';
import { isBinWidth, RollingStore } from './rolling-store.ts';
import type { SeenFrames } from './seen-frames.ts';
import { toVehicleView } from './vehicle-to-view.ts';
import { explainChannel, InstantSnapshot } from './why.ts';

export class LiveState {
  readonly vehicle: Vehicle;
  readonly channels: readonly Channel[];
  /** Names this set of channel indices and this run of session time. */
  readonly epoch: number;
  readonly store: RollingStore;
  readonly seen: SeenFrames;
  readonly snapshot: InstantSnapshot;
  private readonly byName: ReadonlyMap<string, Channel>;

  constructor(vehicle: Vehicle, channels: readonly Channel[], epoch: number, seen: SeenFrames) {
    this.vehicle = vehicle;
    this.channels = channels;
    this.epoch = epoch;
    this.store = new RollingStore(channels.length);
    this.seen = seen;
    this.snapshot = new InstantSnapshot(channels.length, quality.missing);
    this.byName = new Map(channels.map((channel) => [channel.name, channel]));
  }

  /** Takes over what the pipeline kept of the definitions before. */
  adopt(table: ChannelTable, timeUs: number): void {
    for (let c = 0; c < table.count; c++) {
      const sampleTimeUs = table.timeUs[c] as number;
      if (sampleTimeUs >= 0) this.store.add(c, sampleTimeUs, table.value[c] as number, table.quality[c] as number);
    }
    this.store.advance(timeUs);
    this.snapshot.adopt(table, timeUs);
  }

  vehicleView(diskProblems: readonly Problem[]): VehicleView {
    return toVehicleView(this.vehicle, this.channels, this.epoch, diskProblems);
  }

  framesView(): FramesView {
    return toFramesView(this.vehicle, this.store, this.seen, this.epoch);
  }

  /** @throws EvenburnError LIVE_CHANNEL_UNKNOWN */
  why(name: string, wallOf: (timeUs: number) => number): WhyView {
    const nodes = explainChannel(this, this.getChannel(name));
    const { timeUs } = this.snapshot;
    return { epoch: this.epoch, timeUs, wallMs: wallOf(timeUs), nodes };
  }

  /**
   * Bins of some channels: between two times at a width that the store keeps or for so many pixels, or of the last `span` for so many pixels.
   * @throws EvenburnError LIVE_CHANNEL_UNKNOWN, REQUEST_WRONG
   */
  window(query: WindowQuery): WindowView {
    const channels = query.channels.split(',').map((name) => this.getChannel(name.trim()));
    if (channels.length > windowChannelsMax) throw new EvenburnError('REQUEST_WRONG', { what: `more than ${windowChannelsMax} channels` });
    const { store } = this;
    const { fromUs, toUs, widthUs } = stretchOf(query, store);
    const first = Math.max(0, store.binAt(widthUs, fromUs));
    const count = Math.max(0, Math.min(store.binAt(widthUs, toUs), store.binAt(widthUs)) - first + 1);
    if (count > windowBinsMax) throw new EvenburnError('REQUEST_WRONG', { what: `more than ${windowBinsMax} bins` });
    const traces = channels.map((channel) => {
      const { low, high, quality } = store.bins(channel.index, widthUs, first, count);
      return { channel: channel.name, index: channel.index, unit: channel.unit, ...numbersOf(low, high), quality: [...quality] };
    });
    return { epoch: this.epoch, timeUs: store.timeUs, widthUs, first, count, traces };
  }

  channelNamed(name: string): Channel | undefined {
    return this.byName.get(name);
  }

  private getChannel(name: string): Channel {
    const channel = this.byName.get(name);
    if (!channel) throw new EvenburnError('LIVE_CHANNEL_UNKNOWN', { channel: name });
    return channel;
  }
}

function stretchOf(query: WindowQuery, store: RollingStore): { fromUs: number; toUs: number; widthUs: number } {
  const { from, to = store.timeUs, width, span, pixels } = query;
  if (span !== undefined && pixels !== undefined && from === undefined && width === undefined) {
    return { fromUs: to - span, toUs: to, widthUs: store.widthFor(span, pixels) };
  }
  if (from !== undefined && pixels !== undefined && span === undefined && width === undefined) {
    if (to < from) throw new EvenburnError('REQUEST_WRONG', { what: '`to` must not lie before `from`' });
    return { fromUs: from, toUs: to, widthUs: store.widthFor(to - from, pixels) };
  }
  if (from === undefined || width === undefined || span !== undefined || pixels !== undefined) {
    const what = 'give `from` and `width` or `pixels` (and `to`), or `span` and `pixels`';
    throw new EvenburnError('REQUEST_WRONG', { what });
  }
  if (!isBinWidth(width)) throw new EvenburnError('REQUEST_WRONG', { what: `no bins of ${width} us are kept` });
  return { fromUs: from, toUs: to, widthUs: width };
}

/** JSON has no infinity: a bin without a number is null. */
function numbersOf(low: Float64Array, high: Float64Array): { low: (number | null)[]; high: (number | null)[] } {
  const has = (_: unknown, i: number) => (low[i] as number) <= (high[i] as number);
  return {
    low: Array.from(low, (value, i) => (has(value, i) ? value : null)),
    high: Array.from(high, (value, i) => (has(value, i) ? value : null)),
  };
}
