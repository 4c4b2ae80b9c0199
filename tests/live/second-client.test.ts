// Another program at the live stream: socket.io's own client, and a reader of packets written from docs/api.md alone, with nothing of ours in it.
import { io, type Socket } from 'socket.io-client';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { Serving } from '../browser/serving.ts';
import { until } from '../waiting.ts';

/** What the table in docs/api.md says, byte by byte. */
interface Packet {
  version: number;
  sequence: number;
  epoch: number;
  timeUs: number;
  wallMs: number;
  values: { channel: number; quality: number; value?: number; low?: number; high?: number }[];
  plots: {
    plot: number;
    widthUs: number;
    first: number;
    bins: number;
    traces: { channel: number; states: number[]; low: number[]; high: number[] }[];
  }[];
  alarms?: unknown;
  status?: { buses: { bus: string; frames?: number }[] };
}

class Reader {
  private at = 0;
  private readonly bytes: DataView;

  constructor(buffer: ArrayBuffer | Uint8Array) {
    this.bytes = buffer instanceof Uint8Array ? new DataView(buffer.buffer, buffer.byteOffset, buffer.byteLength) : new DataView(buffer);
  }

  u8 = () => this.bytes.getUint8(this.skip(1));
  u16 = () => this.bytes.getUint16(this.skip(2), true);
  u32 = () => this.bytes.getUint32(this.skip(4), true);
  f64 = () => this.bytes.getFloat64(this.skip(8), true);
  json() {
    const length = this.u32();
    const text = new TextDecoder().decode(new Uint8Array(this.bytes.buffer, this.bytes.byteOffset + this.at, length));
    this.at += length;
    return JSON.parse(text);
  }
  /** Goes on by so many bytes, and tells where they began. */
  private skip(length: number): number {
    this.at += length;
    return this.at - length;
  }
  get isDone() {
    return this.at === this.bytes.byteLength;
  }
}

function many<T>(count: number, read: () => T): T[] {
  return Array.from({ length: count }, read);
}

function read(buffer: ArrayBuffer | Uint8Array): Packet {
  const r = new Reader(buffer);
  const version = r.u8();
  const sections = r.u8();
  r.u16();
  const [sequence, epoch] = [r.u32(), r.u32()];
  r.u32();
  const [timeUs, wallMs] = [r.f64(), r.f64()];
  const count = r.u16();
  const all = r.u8() === 1;
  const channels = all ? many(count, () => 0).map((_, i) => i) : many(count, r.u16);
  const states = many(count, r.u8);
  const values = states.map((state, i) => ({
    channel: channels[i] as number,
    quality: state & 7,
    ...(state & 8 ? { value: r.f64() } : {}),
    ...(state & 16 ? { low: r.f64(), high: r.f64() } : {}),
  }));
  const plots = many(r.u16(), () => {
    const [plot, traces, bins] = [r.u16(), r.u16(), r.u32()];
    const [widthUs, first] = [r.f64(), r.f64()];
    return {
      plot,
      widthUs,
      first,
      bins,
      traces: many(traces, () => {
        const channel = r.u16();
        const binStates = many(bins, r.u8);
        const [low, high] = [[] as number[], [] as number[]];
        for (const state of binStates) {
          const from = state & 8 ? r.f64() : Number.NaN;
          low.push(from);
          high.push(state & 16 ? r.f64() : from);
        }
        return { channel, states: binStates, low, high };
      }),
    };
  });
  const packet: Packet = { version, sequence, epoch, timeUs, wallMs, values, plots };
  if (sections & 1) packet.alarms = r.json();
  if (sections & 2) packet.status = r.json();
  // A packet that is longer or shorter than the table says would be read wrong somewhere.
  expect(r.isDone).toBe(true);
  return packet;
}

describe('a second program at the live stream', () => {
  let serving: Serving;
  let socket: Socket;
  const packets: Packet[] = [];

  beforeAll(async () => {
    serving = await Serving.start();
    const headers = { origin: `http://127.0.0.1:${serving.port}` };
    socket = io(`http://127.0.0.1:${serving.port}`, { path: '/live', transports: ['websocket'], extraHeaders: headers });
    socket.on('packet', (buffer: ArrayBuffer | Uint8Array, taken: () => void) => {
      packets.push(read(buffer));
      taken();
    });
    await new Promise<void>((done, fail) => socket.once('connect', done).once('connect_error', fail));
  });
  afterAll(async () => {
    socket.close();
    await serving.stop();
  });

  const getJson = async (path: string) => (await fetch(`http://127.0.0.1:${serving.port}${path}`)).json();

  it('reads values by the names that the vehicle gives their indices, as the pages do', async () => {
    await until(() => packets.some(({ status }) => status !== undefined) && packets.length > 20, 'twenty packets');
    const vehicle = (await getJson('/api/vehicle')) as {
      epoch: number;
      channels: { index: number; name: string; min?: number; max?: number }[];
    };
    const [first] = packets;
    expect(first).toMatchObject({ version: 1, epoch: vehicle.epoch });
    expect(first?.values.map(({ channel }) => channel)).toEqual(vehicle.channels.map(({ index }) => index));
    const speed = vehicle.channels.find(({ name }) => name === 'engine_speed');
    const seen = packets.flatMap(({ values }) => values.filter((one) => one.channel === speed?.index && one.quality === 0));
    expect(seen.length).toBeGreaterThan(0);
    for (const { value = Number.NaN } of seen) {
      expect(value).toBeGreaterThanOrEqual(speed?.min ?? 0);
      expect(value).toBeLessThanOrEqual(speed?.max ?? 20_000);
    }
    expect(packets.map(({ sequence }) => sequence)).toEqual(packets.map((_, i) => (first?.sequence ?? 0) + i));
    const times = packets.map(({ timeUs }) => timeUs);
    expect([...times].sort((a, b) => a - b)).toEqual(times);
  });

  it('subscribes to a plot, and its bins are those of /api/window', async () => {
    const vehicle = (await getJson('/api/vehicle')) as { epoch: number; channels: { index: number; name: string }[] };
    const index = vehicle.channels.find(({ name }) => name === 'engine_speed')?.index as number;
    const plots = [{ plot: 7, channels: [index], spanUs: 30_000_000, pixels: 300 }];
    const answer = await socket.emitWithAck('subscribe', { epoch: vehicle.epoch, channels: [index], plots });
    const from = packets.length;
    expect(answer).toMatchObject({ ok: true, epoch: vehicle.epoch });
    const widthUs = answer.widths['7'];
    await until(() => packets.slice(from).flatMap((packet) => packet.plots).length > 30, 'thirty packets with bins');
    const bins = new Map<number, [low: number, high: number]>();
    const sent = packets.slice(from).flatMap((packet) => packet.plots);
    for (const plot of sent) {
      expect([plot.plot, plot.widthUs]).toEqual([7, widthUs]);
      const [trace] = plot.traces;
      trace?.states.forEach((state, i) => {
        if (state & 8) bins.set(plot.first + i, [trace.low[i] as number, trace.high[i] as number]);
      });
    }
    // The newest still grows; the ones before it are what the server holds.
    const whole = [...bins.keys()].sort((a, b) => a - b).slice(1, -2);
    expect(whole.length).toBeGreaterThan(3);
    const query = `channels=engine_speed&from=${(whole[0] ?? 0) * widthUs}&to=${((whole.at(-1) ?? 0) + 1) * widthUs}&width=${widthUs}`;
    const window = (await getJson(`/api/window?${query}`)) as { first: number; traces: { low: number[]; high: number[] }[] };
    for (const bin of whole) {
      const k = bin - window.first;
      expect([bin, window.traces[0]?.low[k], window.traces[0]?.high[k]]).toEqual([bin, ...(bins.get(bin) as [number, number])]);
    }
  });
});
