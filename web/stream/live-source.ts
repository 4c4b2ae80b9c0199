// Fills a feed from the live stream: connects, subscribes, notices silence, and fetches what was missed.
import { io, type Socket } from 'socket.io-client';
import type { AlarmHistory } from '../../server/contract/alarms.ts';
import type { ClientEvents, ServerEvents, SubscribeAnswer, Subscription } from '../../server/contract/live.ts';
import { decodePacket, type LivePacket, livePath } from '../../server/contract/packet.ts';
import type { VehicleView } from '../../server/contract/vehicle-view.ts';
import type { WhyView } from '../../server/contract/why.ts';
import type { WindowView } from '../../server/contract/window.ts';
import { getJson } from './api.ts';
import type { Feed, PlotRequest } from './feed.ts';
import { type Hole, RollingBins } from './rolling.ts';

const greyAfterMs = 750;
const lookEveryMs = 50;
const retryMs = 500;
const alarmEventsMax = 500;

export class LiveSource {
  private readonly feed: Feed;
  private readonly socket: Socket<ServerEvents, ClientEvents>;
  private lastPacketMs = Number.NEGATIVE_INFINITY;
  private vehicleFetch: Promise<void> | undefined;
  private subscribing = false;
  private subscribeAgain = false;
  private readonly filling = new Set<number>();
  private alarmFetch = false;
  /** Newest alarm event that was fetched; counts anew with each epoch. */
  private alarmsKnown = 0;

  constructor(feed: Feed) {
    this.feed = feed;
    this.socket = io(location.origin, {
      path: livePath,
      transports: ['websocket'],
      reconnectionDelay: retryMs,
      reconnectionDelayMax: 1000,
      randomizationFactor: 0.2,
      timeout: 4000,
    });
    this.socket.on('connect', () => this.refreshVehicle());
    this.socket.on('disconnect', () => {
      this.feed.link.value = 'lost';
      // A server that ends in order says so, and the library then waits to be told to come back.
      if (!this.socket.active) setTimeout(() => this.socket.connect(), retryMs);
    });
    this.socket.on('packet', (bytes, received) => {
      this.take(bytes);
      received();
    });
    feed.why = (channel) => getJson<WhyView>(`/api/why/${encodeURIComponent(channel)}`);
    feed.onPlotsChanged = () => this.subscribe();
    document.addEventListener('visibilitychange', () => this.subscribe());
    setInterval(() => this.lookForSilence(), lookEveryMs);
  }

  /** Milliseconds since the last packet. */
  ageMs(): number {
    return performance.now() - this.lastPacketMs;
  }

  private take(bytes: Uint8Array | ArrayBuffer): void {
    const packet = decodePacket(bytes);
    this.lastPacketMs = performance.now();
    const vehicle = this.feed.vehicle.peek();
    if (!vehicle || vehicle.epoch !== packet.epoch) {
      this.refreshVehicle();
      this.feed.link.value = 'live';
      if (packet.alarms) this.feed.alarms.value = packet.alarms;
      if (packet.status) this.takeStatus(packet);
      return;
    }
    if (packet.status) this.takeStatus(packet);
    this.feed.apply(packet);
    this.fetchAlarmsIfBehind(packet.alarmSequence);
    for (const [number, plot] of this.feed.plots) this.fillHoles(number, plot);
  }

  /** Saved definition files changed for the worse or the better: their errors are in the vehicle, not in the packet. */
  private takeStatus(packet: LivePacket): void {
    const before = this.feed.status.peek()?.definitionProblems;
    if (packet.status) this.feed.status.value = packet.status;
    if (before !== undefined && before !== packet.status?.definitionProblems) this.refreshVehicle();
  }

  private lookForSilence(): void {
    if (this.feed.link.peek() === 'live' && this.ageMs() > greyAfterMs) this.feed.link.value = 'silent';
  }

  private refreshVehicle(): void {
    this.vehicleFetch ??= getJson<VehicleView>('/api/vehicle')
      .then((vehicle) => {
        const known = this.feed.vehicle.peek();
        if (known?.epoch === vehicle.epoch && known.hash === vehicle.hash)
          this.feed.vehicle.value = { ...known, problems: vehicle.problems };
        else this.takeVehicle(vehicle);
        this.subscribe();
      })
      .catch(() => new Promise<void>((done) => setTimeout(done, retryMs)))
      .finally(() => {
        this.vehicleFetch = undefined;
        if (!this.feed.vehicle.peek() && this.socket.connected) this.refreshVehicle();
      });
  }

  private takeVehicle(vehicle: VehicleView): void {
    this.feed.setVehicle(vehicle);
    this.feed.alarmEvents.value = [];
    this.alarmsKnown = 0;
  }

  private subscribe(): void {
    const vehicle = this.feed.vehicle.peek();
    if (!vehicle || !this.socket.connected) return;
    if (this.subscribing) {
      this.subscribeAgain = true;
      return;
    }
    this.subscribing = true;
    this.socket.timeout(4000).emit('subscribe', this.wanted(vehicle.epoch), (error: Error | null, answer: SubscribeAnswer) => {
      this.subscribing = false;
      if (!error && answer.ok) this.takeWidths(answer.widths);
      else if (!error && answer.epoch !== vehicle.epoch) this.refreshVehicle();
      else if (error) this.subscribeAgain = this.socket.connected;
      if (!this.subscribeAgain) return;
      this.subscribeAgain = false;
      this.subscribe();
    });
  }

  private wanted(epoch: number): Subscription {
    const plots = [...this.feed.plots].map(([plot, request]) => ({
      plot,
      channels: this.indices(request),
      spanUs: request.spanUs,
      pixels: request.pixels,
    }));
    return document.hidden ? { epoch, plots, paused: true } : { epoch, plots };
  }

  private indices(request: PlotRequest): number[] {
    return request.channels.map((name) => this.feed.indexOf(name)).filter((index) => index !== undefined);
  }

  private takeWidths(widths: Record<number, number>): void {
    for (const [number, plot] of this.feed.plots) {
      const widthUs = widths[number];
      if (widthUs === undefined) continue;
      if (plot.bins?.widthUs === widthUs) plot.bins.distrustNewest();
      else plot.bins = new RollingBins(this.indices(plot), widthUs, plot.spanUs);
    }
  }

  private fillHoles(number: number, plot: PlotRequest): void {
    const { bins } = plot;
    if (!bins || this.filling.has(number)) return;
    const hole = bins.holes()[0];
    if (!hole) return;
    this.filling.add(number);
    this.fetchHole(plot, bins, hole)
      .catch(() => new Promise<void>((done) => setTimeout(done, retryMs)))
      .finally(() => this.filling.delete(number));
  }

  private async fetchHole(plot: PlotRequest, bins: RollingBins, hole: Hole): Promise<void> {
    const query = new URLSearchParams({
      channels: plot.channels.join(','),
      from: String(hole.from * bins.widthUs),
      to: String(hole.to * bins.widthUs),
      width: String(bins.widthUs),
    });
    const window = await getJson<WindowView>(`/api/window?${query}`);
    if (window.epoch !== this.feed.vehicle.peek()?.epoch || window.widthUs !== bins.widthUs) return;
    bins.fillHoles(window);
    bins.giveUp(hole);
  }

  private fetchAlarmsIfBehind(sequence: number): void {
    const behind = this.alarmsKnown < sequence || this.feed.alarms.peek().sequence < sequence;
    if (!behind || this.alarmFetch) return;
    this.alarmFetch = true;
    const after = this.alarmsKnown;
    getJson<AlarmHistory>(`/api/alarms?after=${after}`)
      .then((history) => {
        if (after !== this.alarmsKnown) return;
        this.alarmsKnown = history.sequence;
        this.feed.alarmEvents.value = [...this.feed.alarmEvents.peek(), ...history.events].slice(-alarmEventsMax);
        if (history.sequence < this.feed.alarms.peek().sequence) return;
        this.feed.alarms.value = { sequence: history.sequence, active: history.active };
      })
      .catch(() => new Promise<void>((done) => setTimeout(done, retryMs)))
      .finally(() => {
        this.alarmFetch = false;
      });
  }
}
