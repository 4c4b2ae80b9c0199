// Fills a feed from a recorded session: one instant at a time, and the plots' bins up to it. Nothing is computed here.
import { type Signal, signal } from '@preact/signals';
import type { InstantView, SessionDetail, StepView } from '../../server/contract/replay.ts';
import type { WhyView } from '../../server/contract/why.ts';
import type { WindowView } from '../../server/contract/window.ts';
import { getJson, sendJson } from '../stream/api.ts';
import type { Feed, PlotRequest } from '../stream/feed.ts';
import { RollingBins } from '../stream/rolling.ts';

const tickMs = 33;
/** A session that is being recorded is stored in slices of ten seconds: what is new is looked for this often. */
const growthMs = 3000;
/** A request that failed is made again after this. */
const retryMs = 500;
/** So far apart two browsers may play without one of them jumping. */
const followSlackMs = 150;

export const speeds = [0.1, 0.25, 0.5, 1, 2, 5, 10, 20, 50] as const;

/** A stretch to play again and again. */
export interface Loop {
  fromUs: number;
  toUs: number;
}

export class ReplaySource {
  /** The session as it is known; of one that is still being recorded it grows. */
  readonly detail: Signal<SessionDetail>;
  readonly playing = signal(false);
  readonly speed: Signal<number> = signal(1);
  /** Where the replay stands, session time; what is shown may be a request behind. */
  readonly positionUs: Signal<number>;
  readonly loop: Signal<Loop | undefined> = signal(undefined);
  /** Why nothing is shown; empty when all is well. */
  readonly problem = signal('');
  /** Called when a person has moved it, or a loop has begun anew: not when it plays on. */
  onMoved: () => void = () => undefined;
  private readonly feed: Feed;
  private readonly path: string;
  private readonly timer: ReturnType<typeof setInterval>;
  private readonly growthTimer: ReturnType<typeof setInterval>;
  private tickedMs = performance.now();
  private shownUs = Number.NaN;
  private asking = false;
  private readonly filling = new Set<number>();

  constructor(feed: Feed, detail: SessionDetail) {
    this.feed = feed;
    this.detail = signal(detail);
    this.path = `/api/sessions/${detail.session.session}`;
    this.positionUs = signal(detail.fromUs);
    feed.setVehicle(detail.vehicle);
    feed.why = (channel) =>
      getJson<WhyView>(`${this.path}/why/${encodeURIComponent(channel)}?${this.query({ at: Math.round(feed.timeUs.peek()) })}`);
    this.timer = setInterval(() => this.tick(), tickMs);
    this.growthTimer = setInterval(() => void this.lookForGrowth(), growthMs);
  }

  stop(): void {
    clearInterval(this.timer);
    clearInterval(this.growthTimer);
  }

  seek(us: number): void {
    this.place(us);
    this.onMoved();
  }

  setSpeed(speed: number): void {
    this.speed.value = speed;
    this.onMoved();
  }

  /** Goes where another browser has gone. Speed 0 stands still. */
  async follow(reading: number, us: number, speed: number): Promise<void> {
    if (reading !== this.detail.peek().reading) await this.showReading(reading);
    if (speed > 0) this.speed.value = speed;
    this.playing.value = speed > 0;
    // What plays at the same speed is let run when it is nearly there.
    if (speed === 0 || Math.abs(us - this.positionUs.peek()) > followSlackMs * 1000 * Math.max(1, speed)) this.place(us);
  }

  /** Notes an instant, for everybody who opens the session. @throws ApiError */
  async note(text: string): Promise<void> {
    const { session } = this.detail.peek();
    const marks = [...session.marks, { timeUs: Math.round(this.positionUs.peek()), text }].sort((a, b) => a.timeUs - b.timeUs);
    await sendJson('PATCH', this.path, { marks });
    this.detail.value = await getJson<SessionDetail>(`${this.path}?${this.query({})}`);
  }

  private place(us: number): void {
    this.positionUs.value = Math.max(this.detail.peek().fromUs, Math.min(this.detail.peek().toUs, Math.round(us)));
  }

  private async showReading(reading: number): Promise<void> {
    this.detail.value = await getJson<SessionDetail>(`${this.path}?${new URLSearchParams({ reading: String(reading) })}`);
    this.feed.setVehicle(this.detail.peek().vehicle);
    this.shownUs = Number.NaN;
    for (const plot of this.feed.plots.values()) plot.bins = undefined;
  }

  /** To the next or previous frame; pauses. */
  async step(to: 'next' | 'previous'): Promise<void> {
    this.playing.value = false;
    const at = this.positionUs.peek();
    const { timeUs } = await getJson<StepView>(`${this.path}/step?${this.query({ at, to })}`);
    // Somebody who jumped elsewhere while the answer was on its way wants to be there.
    if (timeUs !== null && this.positionUs.peek() === at) this.seek(timeUs);
  }

  /** To the next or previous marker; pauses. */
  stepMarker(to: 'next' | 'previous'): void {
    this.playing.value = false;
    const now = this.positionUs.peek();
    const times = this.detail.peek().markers.map((marker) => marker.timeUs);
    const found = to === 'next' ? times.find((time) => time > now) : times.findLast((time) => time < now);
    if (found !== undefined) this.seek(found);
  }

  togglePlay(): void {
    if (!this.playing.peek() && this.positionUs.peek() >= this.detail.peek().toUs) this.place(this.detail.peek().fromUs);
    this.playing.value = !this.playing.peek();
    this.onMoved();
  }

  private tick(): void {
    const nowMs = performance.now();
    const passedUs = (nowMs - this.tickedMs) * 1000 * this.speed.peek();
    this.tickedMs = nowMs;
    if (this.playing.peek()) this.advance(passedUs);
    const { fromUs, toUs } = this.detail.peek();
    // Of a recording that has only begun nothing is stored yet.
    if (toUs <= fromUs) return;
    const at = this.positionUs.peek();
    if (at !== this.shownUs && !this.asking && !document.hidden) void this.show(at);
    for (const [number, plot] of this.feed.plots) void this.fillPlot(number, plot);
  }

  private async lookForGrowth(): Promise<void> {
    if (this.detail.peek().session.state !== 'open' || document.hidden) return;
    const grown = await getJson<SessionDetail>(`${this.path}?${this.query({})}`).catch(() => undefined);
    if (!grown || grown.toUs === this.detail.peek().toUs) return;
    this.detail.value = grown;
    this.place(this.positionUs.peek());
    // What was not stored yet when it was shown may be now.
    this.shownUs = Number.NaN;
    for (const plot of this.feed.plots.values()) plot.bins = undefined;
  }

  private advance(passedUs: number): void {
    const next = this.positionUs.peek() + passedUs;
    const loop = this.loop.peek();
    if (loop && next >= loop.toUs) this.seek(loop.fromUs);
    else this.place(next);
    if (!loop && next >= this.detail.peek().toUs) this.playing.value = false;
  }

  private async show(at: number): Promise<void> {
    this.asking = true;
    try {
      this.feed.applyInstant(await getJson<InstantView>(`${this.path}/instant?${this.query({ at })}`));
      this.shownUs = at;
      this.problem.value = '';
    } catch (error) {
      this.problem.value = error instanceof Error ? error.message : String(error);
      await new Promise((done) => setTimeout(done, retryMs));
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
        to: Math.floor(shownUs) + 1,
        ...size,
      });
      this.takeWindow(plot, await getJson<WindowView>(`${this.path}/window?${query}`), follows);
    } catch (error) {
      this.problem.value = error instanceof Error ? error.message : String(error);
      await new Promise((done) => setTimeout(done, retryMs));
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
    const query = new URLSearchParams({ reading: String(this.detail.peek().reading) });
    for (const [key, value] of Object.entries(keys)) query.set(key, String(value));
    return query;
  }
}
