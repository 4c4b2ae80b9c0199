// Fills a feed from a recorded session: one instant at a time, and the plots' bins up to it. Nothing is computed here.
import { type Signal, signal } from '@preact/signals';
import type { InstantView, SessionDetail, StepView } from '../../server/contract/replay.ts';
import type { WhyView } from '../../server/contract/why.ts';
import type { WindowView } from '../../server/contract/window.ts';
import { getJson } from '../stream/api.ts';
import type { Feed, PlotRequest } from '../stream/feed.ts';
import { RollingBins } from '../stream/rolling.ts';

const tickMs = 33;

export const speeds = [0.1, 0.25, 0.5, 1, 2, 5, 10, 20, 50] as const;

/** A stretch to play again and again. */
export interface Loop {
  fromUs: number;
  toUs: number;
}

export class ReplaySource {
  readonly detail: SessionDetail;
  readonly playing = signal(false);
  readonly speed: Signal<number> = signal(1);
  /** Where the replay stands, session time; what is shown may be a request behind. */
  readonly positionUs: Signal<number>;
  readonly loop: Signal<Loop | undefined> = signal(undefined);
  /** Why nothing is shown; empty when all is well. */
  readonly problem = signal('');
  private readonly feed: Feed;
  private readonly path: string;
  private readonly timer: ReturnType<typeof setInterval>;
  private tickedMs = performance.now();
  private shownUs = Number.NaN;
  private asking = false;
  private readonly filling = new Set<number>();

  constructor(feed: Feed, detail: SessionDetail) {
    this.feed = feed;
    this.detail = detail;
    this.path = `/api/sessions/${detail.session.session}`;
    this.positionUs = signal(detail.fromUs);
    feed.setVehicle(detail.vehicle);
    feed.why = (channel) =>
      getJson<WhyView>(`${this.path}/why/${encodeURIComponent(channel)}?${this.query({ at: Math.round(feed.timeUs.peek()) })}`);
    this.timer = setInterval(() => this.tick(), tickMs);
  }

  stop(): void {
    clearInterval(this.timer);
  }

  seek(us: number): void {
    this.positionUs.value = Math.max(this.detail.fromUs, Math.min(this.detail.toUs, Math.round(us)));
  }

  /** To the next or previous frame; pauses. */
  async step(to: 'next' | 'previous'): Promise<void> {
    this.playing.value = false;
    const { timeUs } = await getJson<StepView>(`${this.path}/step?${this.query({ at: this.positionUs.peek(), to })}`);
    if (timeUs !== null) this.seek(timeUs);
  }

  /** To the next or previous marker; pauses. */
  stepMarker(to: 'next' | 'previous'): void {
    this.playing.value = false;
    const now = this.positionUs.peek();
    const times = this.detail.markers.map((marker) => marker.timeUs);
    const found = to === 'next' ? times.find((time) => time > now) : times.findLast((time) => time < now);
    if (found !== undefined) this.seek(found);
  }

  togglePlay(): void {
    if (!this.playing.peek() && this.positionUs.peek() >= this.detail.toUs) this.seek(this.detail.fromUs);
    this.playing.value = !this.playing.peek();
  }

  private tick(): void {
    const nowMs = performance.now();
    const passedUs = (nowMs - this.tickedMs) * 1000 * this.speed.peek();
    this.tickedMs = nowMs;
    if (this.playing.peek()) this.advance(passedUs);
    const at = this.positionUs.peek();
    if (at !== this.shownUs && !this.asking && !document.hidden) void this.show(at);
    for (const [number, plot] of this.feed.plots) void this.fillPlot(number, plot);
  }

  private advance(passedUs: number): void {
    const next = this.positionUs.peek() + passedUs;
    const loop = this.loop.peek();
    if (loop && next >= loop.toUs) this.seek(loop.fromUs);
    else this.seek(next);
    if (!loop && next >= this.detail.toUs) this.playing.value = false;
  }

  private async show(at: number): Promise<void> {
    this.asking = true;
    try {
      this.feed.applyInstant(await getJson<InstantView>(`${this.path}/instant?${this.query({ at })}`));
      this.shownUs = at;
      this.problem.value = '';
    } catch (error) {
      this.problem.value = error instanceof Error ? error.message : String(error);
    }
    this.asking = false;
  }

  /** Holds bins of the stretch up to what is shown: what is missing at its end is fetched, after a jump all of it. */
  private async fillPlot(number: number, plot: PlotRequest): Promise<void> {
    const shownUs = this.feed.timeUs.peek();
    if (this.filling.has(number) || plot.channels.length === 0 || Number.isNaN(this.shownUs)) return;
    const range = plot.bins?.range();
    const width = plot.bins?.widthUs ?? 0;
    const end = plot.bins ? Math.floor(shownUs / width) + 1 : 0;
    const follows = range !== undefined && end >= range.to && end - range.to < range.to - range.from;
    if (follows && end === range.to) return;
    const fromUs = follows ? (range.to - 1) * width : shownUs - plot.spanUs;
    this.filling.add(number);
    try {
      const size = follows ? { width } : { pixels: plot.pixels };
      const query = this.query({
        channels: plot.channels.join(','),
        from: Math.max(0, Math.floor(fromUs)),
        to: Math.ceil(shownUs),
        ...size,
      });
      this.takeWindow(plot, await getJson<WindowView>(`${this.path}/window?${query}`), follows);
    } catch (error) {
      this.problem.value = error instanceof Error ? error.message : String(error);
    }
    this.filling.delete(number);
  }

  private takeWindow(plot: PlotRequest, window: WindowView, follows: boolean): void {
    if (!follows || plot.bins?.widthUs !== window.widthUs) {
      plot.bins = new RollingBins(
        window.traces.map((trace) => trace.index),
        window.widthUs,
        plot.spanUs,
      );
    }
    plot.bins.applyWindow(window);
  }

  private query(keys: Record<string, string | number>): URLSearchParams {
    const query = new URLSearchParams({ reading: String(this.detail.reading) });
    for (const [key, value] of Object.entries(keys)) query.set(key, String(value));
    return query;
  }
}
