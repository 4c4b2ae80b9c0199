// The binary live packet: everything that a page needs a tick, in one message a client. Runs in the server and in the browser.
import type { AlarmsView } from './alarms.ts';
import type { StationStatus } from './status.ts';

/** Where the stream is served. It stands in this file so that pages can take it without the schemas. */
export const livePath = '/live';

/** Layout version, the packet's first byte. A page that meets another one reloads itself. */
export const packetVersion = 1;

/**
 * Quality of a plot bin beside those of `qualityNames`: no sample fell into the bin, and the value before it still held. Draw on
 * through such a bin; break the line at every bin whose quality carries no number.
 */
export const binHeld = 5;
/** Quality of a plot bin of a time of which nothing is known (before the first sample): nothing to draw. */
export const binNone = 6;

/** Newest values, struct of arrays by channel index. */
export interface PacketValues {
  /** Channel indices, ascending; of a packet of all channels 0, 1, 2, ... */
  channel: Uint16Array;
  /** In the channel's own unit; 0 and meaningless where the quality carries no number. */
  value: Float64Array;
  quality: Uint8Array;
  /** Extremes of all samples since the client's last packet; equal to `value` when there was at most one. */
  low: Float64Array;
  high: Float64Array;
}

/** Bins of one channel of a plot: bin `first + i` covers session time [(first + i) × widthUs, (first + i + 1) × widthUs). */
export interface PlotTrace {
  channel: number;
  low: Float64Array;
  high: Float64Array;
  /** Worst quality in the bin, or `binHeld`, `binNone`. `low` and `high` mean something when any sample of the bin had a number. */
  quality: Uint8Array;
}

/** New and changed bins of one subscribed plot. All traces have the same first bin and count. The last bin is still growing. */
export interface PlotBins {
  plot: number;
  widthUs: number;
  first: number;
  count: number;
  traces: PlotTrace[];
}

export interface LivePacket {
  /** Counts this client's packets from 1. */
  sequence: number;
  /** Changes when the channel list changes or session time starts anew: fetch /api/vehicle again and drop all bins. */
  epoch: number;
  /** Session time up to which everything has been applied, integer microseconds. */
  timeUs: number;
  /** Wall time of the server, milliseconds since 1970: a label. */
  wallMs: number;
  /** Number of the newest alarm event; a gap is fetched from /api/alarms. */
  alarmSequence: number;
  values: PacketValues;
  plots: PlotBins[];
  /** Present when anything about an alarm changed since this client's last packet, and in its first. */
  alarms?: AlarmsView;
  /** Present twice a second, when something in it changed at once, and in the first packet. */
  status?: StationStatus;
}

/**
 * Layout, little-endian, no alignment:
 *
 *     u8 version | u8 sections | u16 0 | u32 sequence | u32 epoch | u32 alarm sequence | f64 time us | f64 wall ms       32 bytes
 *     values:  u16 count | u8 all | [u16 channel × count, unless all] | u8 state × count | f64 ... as the states say
 *              state: bits 0..2 quality, bit 3 a value follows, bit 4 low and high follow it
 *     plots:   u16 count | per plot: u16 plot, u16 traces, u32 bins, f64 width us, f64 first | per trace: u16 channel, u8 state × bins, f64 ...
 *              state: bits 0..2 quality, bit 3 low follows, bit 4 high follows it (else it equals low)
 *     alarms, status: u32 bytes | JSON in UTF-8
 */
const headerBytes = 32;
const section = { alarms: 1, status: 2 } as const;
const stateBit = { quality: 7, value: 8, extremes: 16 } as const;

/** The part of a packet that is the same for all clients of a tick that see the same channels; made once. */
export function encodeValues(values: PacketValues, all: boolean): Uint8Array {
  const count = values.channel.length;
  const out = new Writer(3 + count * 27);
  out.u16(count);
  out.u8(all ? 1 : 0);
  if (!all) for (let i = 0; i < count; i++) out.u16(values.channel[i] as number);
  for (let i = 0; i < count; i++) out.u8(valueState(values, i));
  for (let i = 0; i < count; i++) {
    const state = valueState(values, i);
    if (state & stateBit.value) out.f64(values.value[i] as number);
    if (state & stateBit.extremes) {
      out.f64(values.low[i] as number);
      out.f64(values.high[i] as number);
    }
  }
  return out.bytes();
}

function valueState(values: PacketValues, i: number): number {
  const quality = values.quality[i] as number;
  if (quality > 1) return quality;
  const alike = values.low[i] === values.value[i] && values.high[i] === values.value[i];
  return quality | stateBit.value | (alike ? 0 : stateBit.extremes);
}

/** What `encodePacket` puts around the shared values. `alarms` and `status` are JSON made once a tick for all clients. */
export interface PacketParts {
  sequence: number;
  epoch: number;
  timeUs: number;
  wallMs: number;
  alarmSequence: number;
  /** From `encodeValues`. */
  values: Uint8Array;
  /** Bins from `encodePlot`, under the number that this client gave the plot. */
  plots: { plot: number; bins: Uint8Array }[];
  /** `AlarmsView` as JSON in UTF-8. */
  alarms?: Uint8Array | undefined;
  /** `StationStatus` as JSON in UTF-8. */
  status?: Uint8Array | undefined;
}

export function encodePacket(parts: PacketParts): Uint8Array {
  const plotBytes = parts.plots.reduce((sum, { bins }) => sum + 2 + bins.length, 2);
  const out = new Writer(headerBytes + parts.values.length + plotBytes + textBytes(parts.alarms) + textBytes(parts.status));
  out.u8(packetVersion);
  out.u8((parts.alarms ? section.alarms : 0) | (parts.status ? section.status : 0));
  out.u16(0);
  out.u32(parts.sequence);
  out.u32(parts.epoch);
  out.u32(parts.alarmSequence);
  out.f64(parts.timeUs);
  out.f64(parts.wallMs);
  out.raw(parts.values);
  out.u16(parts.plots.length);
  for (const { plot, bins } of parts.plots) {
    out.u16(plot);
    out.raw(bins);
  }
  if (parts.alarms) out.text(parts.alarms);
  if (parts.status) out.text(parts.status);
  return out.bytes();
}

function textBytes(text: Uint8Array | undefined): number {
  return text ? 4 + text.length : 0;
}

/** The part of a plot that is the same for all clients of a tick with the same channels and width; made once. */
export function encodePlot(plot: Omit<PlotBins, 'plot'>): Uint8Array {
  const out = new Writer(22 + plot.traces.length * (2 + 17 * plot.count));
  out.u16(plot.traces.length);
  out.u32(plot.count);
  out.f64(plot.widthUs);
  out.f64(plot.first);
  for (const trace of plot.traces) {
    out.u16(trace.channel);
    for (let i = 0; i < plot.count; i++) out.u8(binState(trace, i));
    for (let i = 0; i < plot.count; i++) {
      const state = binState(trace, i);
      if (state & stateBit.value) out.f64(trace.low[i] as number);
      if (state & stateBit.extremes) out.f64(trace.high[i] as number);
    }
  }
  return out.bytes();
}

function binState(trace: PlotTrace, i: number): number {
  const quality = trace.quality[i] as number;
  const low = trace.low[i] as number;
  const high = trace.high[i] as number;
  if (!(low <= high)) return quality;
  return quality | stateBit.value | (low === high ? 0 : stateBit.extremes);
}

/**
 * Reads a packet as it came over the wire.
 * @throws RangeError for a cut packet, Error for another layout version.
 */
export function decodePacket(bytes: Uint8Array | ArrayBuffer): LivePacket {
  const from = new Reader(bytes instanceof Uint8Array ? bytes : new Uint8Array(bytes));
  const version = from.u8();
  if (version !== packetVersion) throw new Error(`live packet of layout ${version}, this page knows ${packetVersion}`);
  const sections = from.u8();
  from.u16();
  const packet: LivePacket = {
    sequence: from.u32(),
    epoch: from.u32(),
    alarmSequence: from.u32(),
    timeUs: from.f64(),
    wallMs: from.f64(),
    values: readValues(from),
    plots: readPlots(from),
  };
  if (sections & section.alarms) packet.alarms = JSON.parse(from.text()) as AlarmsView;
  if (sections & section.status) packet.status = JSON.parse(from.text()) as StationStatus;
  return packet;
}

function readValues(from: Reader): PacketValues {
  const count = from.u16();
  const all = from.u8() === 1;
  const values: PacketValues = {
    channel: new Uint16Array(count),
    value: new Float64Array(count),
    quality: new Uint8Array(count),
    low: new Float64Array(count),
    high: new Float64Array(count),
  };
  for (let i = 0; i < count; i++) values.channel[i] = all ? i : from.u16();
  const states = from.raw(count);
  for (let i = 0; i < count; i++) {
    const state = states[i] as number;
    values.quality[i] = state & stateBit.quality;
    if ((state & stateBit.value) === 0) continue;
    const value = from.f64();
    values.value[i] = value;
    values.low[i] = state & stateBit.extremes ? from.f64() : value;
    values.high[i] = state & stateBit.extremes ? from.f64() : value;
  }
  return values;
}

function readPlots(from: Reader): PlotBins[] {
  const plots: PlotBins[] = [];
  for (let left = from.u16(); left > 0; left--) {
    const plot = from.u16();
    const traceCount = from.u16();
    const count = from.u32();
    const widthUs = from.f64();
    const first = from.f64();
    const traces: PlotTrace[] = [];
    for (let k = 0; k < traceCount; k++) traces.push(readTrace(from, count));
    plots.push({ plot, widthUs, first, count, traces });
  }
  return plots;
}

function readTrace(from: Reader, count: number): PlotTrace {
  const channel = from.u16();
  const states = from.raw(count);
  const trace = emptyTrace(channel, count);
  for (let i = 0; i < count; i++) {
    const state = states[i] as number;
    trace.quality[i] = state & stateBit.quality;
    if ((state & stateBit.value) === 0) continue;
    const low = from.f64();
    trace.low[i] = low;
    trace.high[i] = state & stateBit.extremes ? from.f64() : low;
  }
  return trace;
}

/** A trace of bins without numbers: `low` above `high` says that a bin has none. */
export function emptyTrace(channel: number, count: number): PlotTrace {
  return {
    channel,
    low: new Float64Array(count).fill(Number.POSITIVE_INFINITY),
    high: new Float64Array(count).fill(Number.NEGATIVE_INFINITY),
    quality: new Uint8Array(count).fill(binNone),
  };
}

class Writer {
  private readonly data: Uint8Array;
  private readonly view: DataView;
  private at = 0;

  constructor(bytesMax: number) {
    this.data = new Uint8Array(bytesMax);
    this.view = new DataView(this.data.buffer);
  }

  u8(value: number): void {
    this.view.setUint8(this.at, value);
    this.at += 1;
  }

  u16(value: number): void {
    this.view.setUint16(this.at, value, true);
    this.at += 2;
  }

  u32(value: number): void {
    this.view.setUint32(this.at, value, true);
    this.at += 4;
  }

  f64(value: number): void {
    this.view.setFloat64(this.at, value, true);
    this.at += 8;
  }

  raw(bytes: Uint8Array): void {
    this.data.set(bytes, this.at);
    this.at += bytes.length;
  }

  text(bytes: Uint8Array): void {
    this.u32(bytes.length);
    this.raw(bytes);
  }

  bytes(): Uint8Array {
    return this.data.subarray(0, this.at);
  }
}

class Reader {
  private readonly data: Uint8Array;
  private readonly view: DataView;
  private at = 0;

  constructor(data: Uint8Array) {
    this.data = data;
    this.view = new DataView(data.buffer, data.byteOffset, data.byteLength);
  }

  u8(): number {
    return this.view.getUint8(this.move(1));
  }

  u16(): number {
    return this.view.getUint16(this.move(2), true);
  }

  u32(): number {
    return this.view.getUint32(this.move(4), true);
  }

  f64(): number {
    return this.view.getFloat64(this.move(8), true);
  }

  raw(length: number): Uint8Array {
    const start = this.move(length);
    if (this.at > this.data.length) throw new RangeError('live packet ends early');
    return this.data.subarray(start, this.at);
  }

  text(): string {
    return new TextDecoder().decode(this.raw(this.u32()));
  }

  private move(bytes: number): number {
    const start = this.at;
    this.at += bytes;
    return start;
  }
}
