// One browser on the live stream: what it asked for, what it has been given, and what it missed. No sockets here.
import type { PlotSubscription, Subscription } from '../contract/live.ts';
import { liveBinsPerPacketMax, liveDropAfterMs, livePauseAfterMs } from '../limits.ts';
import type { RollingStore } from './rolling-store.ts';

interface Plot {
  plot: number;
  channels: number[];
  widthUs: number;
  /** First bin that may still change or hasn't been sent. */
  from: number;
}

/** Bins that go with a client's next packet. */
export interface WantedBins extends Omit<Plot, 'from'> {
  first: number;
  count: number;
}

export class LiveClient {
  send: (bytes: Uint8Array) => void = () => undefined;
  drop: () => void = () => undefined;
  /** Packets sent and not yet acknowledged. */
  inFlight = 0;
  /** Undefined: all channels. */
  channels: Uint16Array | undefined;
  /** Clients of one key see the same channels. */
  channelsKey = '';
  /** Versions of the alarm state and of the status that it was last sent. */
  alarmVersion = -1;
  statusVersion = -1;
  private sequence = 0;
  private answeredMs: number;
  private hidden = false;
  private plots: Plot[] = [];
  /** Extremes of the ticks that it missed. */
  private missed: { low: Float64Array; high: Float64Array } | undefined;
  /** Oldest session time of a change in the ticks that it missed. */
  private changedFromUs = Number.POSITIVE_INFINITY;

  constructor(nowMs: number) {
    this.answeredMs = nowMs;
  }

  /** @returns The bins' width of each plot, by its number. */
  subscribe(wanted: Subscription, store: RollingStore): Record<number, number> {
    this.hidden = wanted.paused === true;
    this.channels = wanted.channels && Uint16Array.from([...new Set(wanted.channels)].sort((a, b) => a - b));
    this.channelsKey = this.channels?.join() ?? '';
    this.missed = undefined;
    this.plots = wanted.plots.map((plot) => startPlot(plot, store));
    return Object.fromEntries(this.plots.map((plot) => [plot.plot, plot.widthUs]));
  }

  /** The channel list changed: its indices mean nothing any more. */
  forgetPlots(): void {
    this.plots = [];
    this.channels = undefined;
    this.channelsKey = '';
    this.missed = undefined;
  }

  nextSequence(): number {
    this.inFlight++;
    this.sequence++;
    return this.sequence;
  }

  received(nowMs: number): void {
    this.inFlight = Math.max(0, this.inFlight - 1);
    this.answeredMs = nowMs;
  }

  /** Nothing is made for a hidden page, or for one that owes an answer for long. */
  paused(nowMs: number): boolean {
    return this.hidden || (this.inFlight > 0 && nowMs - this.answeredMs > livePauseAfterMs);
  }

  /** It owes an answer for so long that it is as good as gone. */
  tooSilent(nowMs: number): boolean {
    return this.inFlight > 0 && nowMs - this.answeredMs > liveDropAfterMs;
  }

  /** Keeps a tick's extremes and changes for the next packet, so that a spike isn't lost to a slow connection. */
  missTick(store: RollingStore): void {
    this.changedFromUs = Math.min(this.changedFromUs, store.changedFromUs);
    if (!this.missed || this.missed.low.length !== store.channels) {
      this.missed = { low: store.tickLow.slice(), high: store.tickHigh.slice() };
      return;
    }
    const { low, high } = this.missed;
    for (let c = 0; c < store.channels; c++) {
      if ((store.tickLow[c] as number) < (low[c] as number)) low[c] = store.tickLow[c] as number;
      if ((store.tickHigh[c] as number) > (high[c] as number)) high[c] = store.tickHigh[c] as number;
    }
  }

  /** Extremes since its last packet when it missed ticks, this tick's included; undefined when it missed none. */
  takeMissed(store: RollingStore): { low: Float64Array; high: Float64Array } | undefined {
    if (!this.missed) return undefined;
    this.missTick(store);
    const { missed } = this;
    this.missed = undefined;
    return missed;
  }

  /** Which bins of its plots are new or may have changed since its last packet. Older ones than a packet holds are a hole that the page fetches. */
  takePlots(store: RollingStore): WantedBins[] {
    const changedFromUs = Math.min(this.changedFromUs, store.changedFromUs);
    this.changedFromUs = Number.POSITIVE_INFINITY;
    return this.plots.map((plot) => {
      const newest = store.binAt(plot.widthUs);
      const changed = Number.isFinite(changedFromUs) ? store.binAt(plot.widthUs, changedFromUs) : newest;
      const first = Math.max(0, Math.min(plot.from, changed), newest - liveBinsPerPacketMax + 1);
      plot.from = newest;
      return { plot: plot.plot, channels: plot.channels, widthUs: plot.widthUs, first, count: newest - first + 1 };
    });
  }
}

function startPlot(wanted: PlotSubscription, store: RollingStore): Plot {
  const widthUs = store.widthFor(wanted.spanUs, wanted.pixels);
  return { plot: wanted.plot, channels: wanted.channels, widthUs, from: store.binAt(widthUs) };
}
