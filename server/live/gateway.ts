// Sends the live stream: one binary packet a tick to each browser, acknowledged, two on their way at most, nothing queued.
import type { Server as HttpServer, IncomingMessage } from 'node:http';
import { Server, type Socket } from 'socket.io';
import type { AlarmsView } from '../contract/alarms.ts';
import { type ClientEvents, livePath, type ServerEvents, type SubscribeAnswer, subscription } from '../contract/live.ts';
import { encodePacket, encodePlot, encodeValues, type PacketValues } from '../contract/packet.ts';
import type { StationStatus } from '../contract/status.ts';
import {
  liveClientsMax,
  liveClientsPerHolderMax,
  liveInFlightMax,
  liveJoinMaxMs,
  liveMessageBytesMax,
  livePacketsPerSecondMax,
  liveSilenceMs,
  liveStatusMs,
} from '../limits.ts';
import { instantUs } from '../pipeline-input.ts';
import { LiveClient, type WantedBins } from './live-client.ts';
import type { RollingStore } from './rolling-store.ts';

/** What the gateway shows: the station's state, read at each tick. */
export interface LiveFeed {
  readonly store: RollingStore;
  readonly epoch: number;
  wallMs(): number;
  /** Milliseconds for intervals. */
  monotonicMs(): number;
  /** Counts every change of alarm state, acknowledgements included. */
  readonly alarmVersion: number;
  readonly alarmSequence: number;
  alarms(): AlarmsView;
  status(): StationStatus;
}

type LiveServer = Server<ClientEvents, ServerEvents>;
type LiveSocket = Socket<ClientEvents, ServerEvents>;

export interface GatewayOptions {
  /** Whether a request may open a stream, and keep it: its Host, Origin and login. */
  allow(request: IncomingMessage): boolean;
  /** Whose streams count together; undefined, as it is by default: bounded with all alone. */
  holderOf?(request: IncomingMessage): string | undefined;
}

const urgentGapMs = instantUs / 1000;

/** What is made once a tick for all clients. */
interface Tick {
  nowMs: number;
  wallMs: number;
  /** By the key of the channels that a client sees. */
  values: Map<string, Uint8Array>;
  /** By channels, width and stretch. */
  plots: Map<string, Uint8Array>;
  alarms: Uint8Array | undefined;
  status: Uint8Array | undefined;
}

export class LiveGateway {
  private readonly io: LiveServer;
  private readonly feed: LiveFeed;
  private readonly options: GatewayOptions;
  private readonly clients = new Set<LiveClient>();
  private timer: NodeJS.Timeout | undefined;
  private sentMs = Number.NEGATIVE_INFINITY;
  private sentTimeUs = -1;
  private statusMs = Number.NEGATIVE_INFINITY;
  private statusVersion = 0;
  private urgent: NodeJS.Timeout | undefined;
  private urgentMs = Number.NEGATIVE_INFINITY;
  /** Packets not sent because two were on their way, over all clients. */
  skipped = 0;

  constructor(http: HttpServer, feed: LiveFeed, options: GatewayOptions) {
    this.feed = feed;
    this.options = options;
    this.io = new Server(http, {
      path: livePath,
      transports: ['websocket'],
      serveClient: false,
      perMessageDeflate: false,
      httpCompression: false,
      maxHttpBufferSize: liveMessageBytesMax,
      connectTimeout: liveJoinMaxMs,
      allowRequest: (request, answer) => answer(null, this.hasRoom(request) && options.allow(request)),
    });
    this.io.on('connection', (socket) => this.welcome(socket));
    this.timer = setInterval(() => this.onTimer(), 1000 / livePacketsPerSecondMax);
  }

  /** Connections count before they have joined, too. */
  private hasRoom(request: IncomingMessage): boolean {
    const { engine } = this.io;
    if (engine.clientsCount >= liveClientsMax) return false;
    const holder = this.options.holderOf?.(request);
    if (holder === undefined) return true;
    const open = Object.values((engine as unknown as { clients: Record<string, { request: IncomingMessage }> }).clients);
    return open.filter((other) => this.options.holderOf?.(other.request) === holder).length < liveClientsPerHolderMax;
  }

  get clientCount(): number {
    return this.clients.size;
  }

  /** The channel list has changed: clients subscribe anew when they see the new epoch. */
  channelsChanged(): void {
    this.sentTimeUs = -1;
    for (const client of this.clients) client.forgetPlots();
  }

  /**
   * An alarm changed: its packet leaves now, not at the next tick. A file read at full speed may raise alarms by the hundred: those within
   * an instant of the last one go together.
   */
  alarmChanged(): void {
    const waitMs = this.urgentMs + urgentGapMs - this.feed.monotonicMs();
    if (waitMs <= 0) this.sendUrgent();
    else this.urgent ??= setTimeout(() => this.sendUrgent(), waitMs);
  }

  /** The state of a source or of the recording changed: it goes with the next packet. */
  statusChanged(): void {
    this.statusMs = Number.NEGATIVE_INFINITY;
  }

  /** Cuts off whoever may not watch any longer. The connection breaks, so that a page tries again and learns why. */
  recheck(): void {
    for (const socket of this.io.sockets.sockets.values()) {
      if (!this.options.allow(socket.request)) socket.conn.close();
    }
  }

  /** Ends the stream; resolves when every connection is closed. */
  async close(): Promise<void> {
    clearInterval(this.timer);
    clearTimeout(this.urgent);
    this.io.disconnectSockets(true);
    await this.io.close();
  }

  private welcome(socket: LiveSocket): void {
    const client = new LiveClient(this.feed.monotonicMs());
    this.clients.add(client);
    client.send = (bytes) => socket.emit('packet', bytes, () => this.received(client));
    client.drop = () => socket.disconnect(true);
    socket.on('disconnect', () => this.clients.delete(client));
    socket.on('subscribe', (wanted, answer) => {
      if (typeof answer === 'function') answer(this.subscribe(client, wanted));
    });
    this.sendTo(client, this.beginTick());
  }

  private subscribe(client: LiveClient, wanted: unknown): SubscribeAnswer {
    const parsed = subscription.safeParse(wanted);
    const epoch = this.feed.epoch;
    if (!parsed.success) return { ok: false, epoch, error: parsed.error.issues[0]?.message ?? 'not a subscription' };
    if (parsed.data.epoch !== epoch) return { ok: false, epoch, error: 'the channel list has changed' };
    const { store } = this.feed;
    const named = [...(parsed.data.channels ?? []), ...parsed.data.plots.flatMap((plot) => plot.channels)];
    const unknown = named.find((channel) => channel >= store.channels);
    if (unknown !== undefined) return { ok: false, epoch, error: `no channel ${unknown}` };
    return { ok: true, epoch, widths: client.subscribe(parsed.data, store) };
  }

  private received(client: LiveClient): void {
    client.received(this.feed.monotonicMs());
    // An alarm that could not be sent while two packets were on their way goes as soon as one has arrived.
    if (client.alarmVersion !== this.feed.alarmVersion) this.sendTo(client, this.beginTick());
  }

  private onTimer(): void {
    const silentMs = this.feed.monotonicMs() - this.sentMs;
    if (this.feed.store.timeUs === this.sentTimeUs && silentMs < liveSilenceMs) return;
    this.sendAll();
  }

  private sendUrgent(): void {
    clearTimeout(this.urgent);
    this.urgent = undefined;
    this.urgentMs = this.feed.monotonicMs();
    this.sendAll();
  }

  private sendAll(): void {
    const tick = this.beginTick();
    for (const client of this.clients) this.sendTo(client, tick);
    this.sentMs = tick.nowMs;
    this.sentTimeUs = this.feed.store.timeUs;
    this.feed.store.beginTick();
  }

  private beginTick(): Tick {
    const nowMs = this.feed.monotonicMs();
    if (nowMs - this.statusMs >= liveStatusMs) {
      this.statusMs = nowMs;
      this.statusVersion++;
    }
    return { nowMs, wallMs: this.feed.wallMs(), values: new Map(), plots: new Map(), alarms: undefined, status: undefined };
  }

  private sendTo(client: LiveClient, tick: Tick): void {
    const { feed } = this;
    if (client.tooSilent(tick.nowMs)) {
      client.drop();
      return;
    }
    if (client.paused(tick.nowMs)) return;
    if (client.inFlight >= liveInFlightMax) {
      this.skipped++;
      client.missTick(feed.store);
      return;
    }
    const alarms = client.alarmVersion !== feed.alarmVersion;
    const status = client.statusVersion !== this.statusVersion;
    if (alarms) tick.alarms ??= Buffer.from(JSON.stringify(feed.alarms()));
    if (status) tick.status ??= Buffer.from(JSON.stringify(feed.status()));
    const bytes = encodePacket({
      sequence: client.nextSequence(),
      epoch: feed.epoch,
      timeUs: feed.store.timeUs,
      wallMs: tick.wallMs,
      alarmSequence: feed.alarmSequence,
      values: this.valuesFor(client, tick),
      plots: client.takePlots(feed.store).map((wanted) => ({ plot: wanted.plot, bins: this.binsFor(wanted, tick) })),
      alarms: alarms ? tick.alarms : undefined,
      status: status ? tick.status : undefined,
    });
    client.alarmVersion = feed.alarmVersion;
    client.statusVersion = this.statusVersion;
    client.send(Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength));
  }

  private binsFor(wanted: WantedBins, tick: Tick): Uint8Array {
    const { channels, widthUs, first, count } = wanted;
    const key = `${widthUs} ${first} ${count} ${channels}`;
    let bins = tick.plots.get(key);
    if (!bins) {
      const traces = channels.map((channel) => this.feed.store.bins(channel, widthUs, first, count));
      bins = encodePlot({ widthUs, first, count, traces });
      tick.plots.set(key, bins);
    }
    return bins;
  }

  private valuesFor(client: LiveClient, tick: Tick): Uint8Array {
    const { store } = this.feed;
    const missed = client.takeMissed(store);
    if (missed) return encodeValues(valuesOf(store, client.channels, missed.low, missed.high), client.channels === undefined);
    let values = tick.values.get(client.channelsKey);
    if (!values) {
      values = encodeValues(valuesOf(store, client.channels, store.tickLow, store.tickHigh), client.channels === undefined);
      tick.values.set(client.channelsKey, values);
    }
    return values;
  }
}

function valuesOf(store: RollingStore, channels: Uint16Array | undefined, low: Float64Array, high: Float64Array): PacketValues {
  const channel = channels ?? Uint16Array.from({ length: store.channels }, (_, i) => i);
  const values: PacketValues = {
    channel,
    value: new Float64Array(channel.length),
    quality: new Uint8Array(channel.length),
    low: new Float64Array(channel.length),
    high: new Float64Array(channel.length),
  };
  for (let i = 0; i < channel.length; i++) {
    const c = channel[i] as number;
    const value = store.value[c] as number;
    values.value[i] = value;
    values.quality[i] = store.quality[c] as number;
    values.low[i] = Math.min(value, low[c] as number);
    values.high[i] = Math.max(value, high[c] as number);
  }
  return values;
}
