// One of the checks over frames that are handed to it, from a recording or from a live bus: it can be judged at any moment.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { SeriesSet } from '../channels/series.ts';
import { GrowingSeries } from '../collect-series.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { checkBus } from './bus-check.ts';
import { TrafficLog } from './bus-traffic.ts';
import { checkFirstStart } from './first-start.ts';
import { checkKeyOn } from './key-on.ts';
import { checkProbes } from './probe-check.ts';
import type { Guide } from './step-state.ts';
import { emptyResult, judgeSteps } from './step-verdicts.ts';
import { checkSupplyTest } from './supply-test.ts';
import type { CheckResult, JudgedCheck } from './verdict.ts';
import { withSamples } from './verdict-samples.ts';

export interface JudgeOptions {
  /** Probe check: cylinders in the order in which their probes were warmed; from 1 upward when not given. */
  order?: number[];
  /** The steps that a person is led through, and how far they are; without it the whole recording is judged. */
  guide?: Guide;
}

/** Gathers what a check needs. Memory grows with the frames: `evidence` says how far. Pure. */
export class GatheredCheck {
  readonly check: CheckResult['check'];
  private readonly vehicle: Vehicle;
  /** May change while frames come: a step ends, another begins. */
  options: JudgeOptions;
  private readonly traffic: TrafficLog;
  /** Absent for the bus check, which needs no channels. */
  private readonly series: GrowingSeries | undefined;
  /** Session time of the deadline that the last judgement waits for. */
  private dueUs = Number.POSITIVE_INFINITY;
  private untilUs = Number.NEGATIVE_INFINITY;

  constructor(check: CheckResult['check'], vehicle: Vehicle, options: JudgeOptions = {}) {
    this.check = check;
    this.vehicle = vehicle;
    this.options = options;
    this.traffic = new TrafficLog(vehicle);
    const needsNone = check === 'bus' && !options.guide?.procedure.steps.some((step) => step.watch?.until !== undefined);
    this.series = needsNone ? undefined : new GrowingSeries(vehicle);
  }

  /** Frames and samples held. */
  get evidence(): number {
    return this.traffic.frames + (this.series?.samples ?? 0);
  }

  /** The deadline that was waited for has come: judging again says something new. */
  get isDue(): boolean {
    return this.untilUs >= this.dueUs;
  }

  take(batch: FrameBatch): void {
    if (batch.count > 0) this.untilUs = Math.max(this.untilUs, batch.timeUs[batch.count - 1] as number);
    this.traffic.take(batch);
    this.series?.take(batch);
  }

  /** Time goes on (or the listening begins) without a frame. */
  pass(timeUs: number): void {
    this.untilUs = Math.max(this.untilUs, timeUs);
    this.traffic.listened(timeUs);
    this.series?.pass(timeUs);
  }

  /** No more frames will come. */
  finish(): void {
    this.series?.finish();
  }

  /** The verdicts on what has come so far. Never throws. */
  judge(): CheckResult {
    return this.judgeOn(this.series?.toSeriesSet());
  }

  /** The same with the samples around each verdict. */
  judgeWithSamples(): CheckResult {
    const series = this.series?.toSeriesSet();
    return withSamples(this.judgeOn(series), series);
  }

  private judgeOn(series: SeriesSet | undefined): CheckResult {
    const { check, vehicle, traffic, options } = this;
    const { guide } = options;
    if (check === 'bus' || !series) {
      const result = checkBus(traffic);
      return guide ? judgeSteps(result, guide, series) : result;
    }
    const judge = judges[check as keyof typeof judges] as Judge | undefined;
    const result = judge ? judge(series, vehicle, traffic, options) : emptyResult(check, series);
    this.dueUs = result.due === undefined ? Number.POSITIVE_INFINITY : series.startUs + result.due * 1e6;
    return guide ? judgeSteps(result, guide, series) : result;
  }
}

type Judge = (series: SeriesSet, vehicle: Vehicle, traffic: TrafficLog, options: JudgeOptions) => CheckResult;

/** `supplies` needs to be told when what was switched: it is led, and no recording is judged by it. */
const judges: Record<Exclude<JudgedCheck, 'bus'> | 'supplies', Judge> = {
  supplies: (series, vehicle, _traffic, { guide }) => checkSupplyTest(series, vehicle, guide),
  'key-on': (series, vehicle, _traffic, { guide }) => checkKeyOn(series, vehicle, guide),
  probes: (series, vehicle, _traffic, { order, guide }) => checkProbes(series, vehicle, order, guide),
  'first-start': (series, vehicle, traffic) => checkFirstStart(series, vehicle, traffic),
};
