// The pull in progress for every page that looks: samples in, a line ten times a second out, and what is said of a pull as soon as it is over.
import type { Channel } from '../channels/channel-list.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';
import { findUnit, toUnit } from '../channels/unit.ts';
import type { PullNowView } from '../contract/pull-now.ts';
import type { FigureView } from '../contract/why.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { besideBefore } from '../dyno/pull-summary.ts';
import { PullWatch, type ReadNow } from '../dyno/pull-watch.ts';
import { pullHeldMaxS, pullStreamMs } from '../limits.ts';
import type { DrivenWindow } from '../recording/dyno-messages.ts';
import type { FirstPull } from './first-pull.ts';
import { HeldSamples } from './held-samples.ts';

/** What it asks of the running station. */
export interface PulledStation {
  vehicle: Vehicle;
  /** Session time of the newest input, microseconds. */
  timeUs(): number;
  status(): { recording: { session: number | null } };
}

/** Judges what has just been driven, in a worker; the last of its kind first. */
export interface PullJudge {
  window(window: DrivenWindow): Promise<OverPull[]>;
  /** A figure of what it judged: it alone holds that. */
  figure(of: string): Promise<FigureView>;
}

/** A probe's peak comes up to 3 s after the lift: so long a pull's figures may still change. */
const settlesAfterUs = 3_300_000;
const judgeEveryUs = 600_000;
const leadUs = 4_000_000;

type OverPull = NonNullable<PullNowView['over']>['pull'];

interface Ending {
  fromUs: number;
  endedUs: number;
  judgedUs: number;
}

/** Hooks of the station: never block, never throw. */
export class LivePulls {
  private readonly station: PulledStation;
  private readonly judge: PullJudge;
  private watch: PullWatch;
  private held: HeldSamples;
  private phase: PullNowView['now']['phase'] = 'none';
  private sinceUs = 0;
  private ending: Ending | undefined;
  private judging = false;
  private over: PullNowView['over'] = null;
  private overVersion = 0;
  private count = 0;
  private firstIsPull = false;
  private readonly kept: FirstPull | undefined;
  private timer: NodeJS.Timeout | undefined;
  private readonly listeners = new Map<(view: PullNowView) => void, number>();

  /** @param kept Where the first pull's start outlives the program; undefined: nowhere. */
  constructor(station: PulledStation, channels: readonly Channel[], judge: PullJudge, kept?: FirstPull) {
    this.station = station;
    this.judge = judge;
    this.watch = new PullWatch(station.vehicle);
    this.kept = kept;
    const before = kept?.read(station.vehicle.name);
    this.watch.first = before?.start;
    this.firstIsPull = before?.isPull ?? false;
    this.held = new HeldSamples(wantedChannels(station.vehicle, channels), pullHeldMaxS * 1e6);
  }

  start(): void {
    this.timer = setInterval(() => this.step(), pullStreamMs);
    this.timer.unref();
  }

  close(): void {
    clearInterval(this.timer);
  }

  samples(batch: SampleBatch): void {
    this.held.take(batch);
  }

  /** Other definitions are in force: what was held belongs to other channels. The evening goes on. */
  define(vehicle: Vehicle, channels: readonly Channel[]): void {
    const { first, last } = this.watch;
    this.watch = new PullWatch(vehicle);
    this.watch.first = first;
    this.watch.last = last;
    this.held = new HeldSamples(wantedChannels(vehicle, channels), pullHeldMaxS * 1e6);
    this.ending = undefined;
  }

  /** Everything as it is now. */
  view(): PullNowView {
    const timeUs = this.station.timeUs();
    return { timeUs, now: this.watch.step(timeUs, this.read), count: this.count, overVersion: this.overVersion, over: this.over ?? null };
  }

  /**
   * Why a figure of a pull that was driven is what it is.
   * @throws EvenburnError FIGURE_UNKNOWN
   */
  figure(of: string): Promise<FigureView> {
    return this.judge.figure(of);
  }

  /** Calls back ten times a second; what is said of the last pull comes once for each change. Returns what ends it. */
  listen(listener: (view: PullNowView) => void): () => void {
    this.listeners.set(listener, -1);
    return () => this.listeners.delete(listener);
  }

  private readonly read: ReadNow = (channel, unit) => {
    const now = channel === undefined ? undefined : this.held.now(channel);
    if (!now || unit === undefined || now.unit === unit || now.unit === '') return now?.value;
    return findUnit(now.unit)?.dimension === findUnit(unit)?.dimension ? toUnit(now.value, now.unit, unit) : undefined;
  };

  private step(): void {
    const timeUs = this.station.timeUs();
    const now = this.watch.step(timeUs, this.read);
    if (this.phase !== 'none' && now.phase !== this.phase) this.ending = { fromUs: this.sinceUs, endedUs: timeUs, judgedUs: 0 };
    this.phase = now.phase;
    if (now.sinceUs !== null) this.sinceUs = now.sinceUs;
    this.judgeEnding(timeUs);
    for (const [listener, seen] of this.listeners) {
      const whole = seen !== this.overVersion;
      this.listeners.set(listener, this.overVersion);
      const over = whole ? { over: this.over ?? null } : {};
      listener({ timeUs, now, count: this.count, overVersion: this.overVersion, ...over });
    }
  }

  private judgeEnding(timeUs: number): void {
    const { ending } = this;
    if (!ending || this.judging || timeUs - ending.judgedUs < judgeEveryUs) return;
    ending.judgedUs = timeUs;
    const settled = timeUs - ending.endedUs >= settlesAfterUs;
    if (settled) this.ending = undefined;
    this.judging = true;
    void this.judgeWindow(ending, timeUs, settled).finally(() => {
      this.judging = false;
    });
  }

  /** A worker that failed leaves the last pull as it was: its session has it all the same. */
  private async judgeWindow({ fromUs, endedUs }: Ending, nowUs: number, settled: boolean): Promise<void> {
    const startUs = Math.max(0, fromUs - leadUs);
    const window: DrivenWindow = {
      vehicle: this.watch.vehicle,
      session: this.station.status().recording.session,
      startUs,
      endUs: nowUs,
      series: this.held.within(startUs, nowUs),
    };
    const pulls = await this.judge.window(window).catch((error: Error) => {
      process.stderr.write(`evenburn: the pull that ended could not be judged: ${error.message}\n`);
      return [];
    });
    const found = pulls.findLast(({ from, to }) => startUs + from * 1e6 < endedUs && startUs + to * 1e6 > fromUs);
    if (found) this.take(found, startUs + found.from * 1e6, settled);
  }

  private take(pull: OverPull, fromUs: number, settled: boolean): void {
    const isSame = this.over && Math.abs(this.over.fromUs - fromUs) < 2e6;
    if (!isSame) {
      this.count++;
      this.before = this.lastComplete[pull.kind];
    }
    const { before } = this;
    const beside = before ? besideBefore([{ profile: before }, { profile: pull }], 1) : undefined;
    this.over = {
      fromUs,
      settled,
      pull: { ...pull, number: this.count, beside: beside && before ? { ...beside, before: before.number } : null },
    };
    if (settled && pull.complete) this.lastComplete[pull.kind] = this.over.pull;
    this.overVersion++;
    // A hold's start stands in until the evening's first pull: that is what the next ones are held to.
    if (!this.watch.first || (!this.firstIsPull && pull.kind === 'sweep')) {
      this.watch.first = pull.start;
      this.firstIsPull = pull.kind === 'sweep';
      this.kept?.write(this.watch.vehicle.name, pull.start, this.firstIsPull);
    }
    this.watch.last[pull.kind] = { profile: pull, fromUs };
  }

  /** Of each kind, for those that come; and the one that the last is set beside. */
  private readonly lastComplete: Partial<Record<OverPull['kind'], OverPull>> = {};
  private before: OverPull | undefined;
}

/** All that judging a pull reads: signals with a part, and built-in channels of probes and sets. */
function wantedChannels(vehicle: Vehicle, channels: readonly Channel[]): Channel[] {
  const { engine, injectorSets } = vehicle;
  const named = new Set<string | undefined>([
    ...Object.values(engine?.roles ?? {}),
    ...(engine?.exhaustTemps ?? []).map(({ channel }) => channel),
    ...(engine?.lambda.values() ?? []),
    ...injectorSets.flatMap(({ pulse, rail, discharge }) => [pulse, rail, discharge]),
    ...(engine?.barometer && 'channel' in engine.barometer ? [engine.barometer.channel] : []),
  ]);
  const usual = /temp|torque|power|^exhaust_|^duty_|^flow_|^fuel_delta_/;
  return channels.filter(({ name }) => named.has(name) || usual.test(name));
}
