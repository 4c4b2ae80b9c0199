// The probe check: one probe is warmed after the other, and what rises tells which port each channel really reads. Pure.
import type { SeriesSet } from '../channels/series.ts';
import type { ExhaustProbe, Vehicle } from '../definitions/vehicle.ts';
import { withUsersLimits } from './check-limits.ts';
import { amount, said } from './said.ts';
import { type Guide, type Stretch, stretchOf } from './step-state.ts';
import type { LimitsOf } from './usual-limits.ts';
import { toProbeStep } from './usual-procedures.ts';
import type { CheckResult, Verdict } from './verdict.ts';
import { findSwings, type Swing, toWarmings, type Warming } from './warming.ts';
import { medianOf, type Watched, watch } from './watch.ts';

/**
 * Judges a recording in which probes were warmed one at a time in the order given (from cylinder 1 upward by default), and perhaps their
 * connectors behind that. Each channel's first move is its probe's; what moves later, and the other way, moved with its connector.
 * @param guide Of a check that is led: each probe was warmed in the stretch of its own step, in any order.
 */
export function checkProbes(series: SeriesSet, vehicle: Vehicle, order?: readonly number[], guide?: Guide): CheckResult {
  const result: CheckResult = {
    check: 'probes',
    frames: series.frames,
    seconds: (series.endUs - series.startUs) / 1e6,
    verdicts: [],
    notJudged: [],
  };
  const probes = vehicle.engine?.exhaustTemps ?? [];
  if (probes.length === 0) {
    result.notJudged?.push({ what: 'the probes', line: 'engine: { exhaust_temps: { 1: { channel: ..., place: port } } }' });
    return result;
  }
  const limits = withUsersLimits('probes', vehicle, result);
  const check = new ProbeCheck(series, probes, order ?? probes.map(({ cylinder }) => cylinder), limits, result);
  const isLed = guide?.procedure.steps.some((step) => probes.some(({ cylinder }) => toProbeStep(cylinder) === step.name));
  if (guide && isLed) check.judgeLed(guide);
  else check.judge();
  return result;
}

/** With fewer warmings nobody knows how long one usually takes. */
const muchLaterFrom = 3;

const byKelvin = (a: Warming, b: Warming) => Math.abs(b.lead.kelvin) - Math.abs(a.lead.kelvin);

/** The stretch in which most of a swing lies: warming may begin a little before its step is tapped. */
function stretchAround({ fromUs, toUs }: Swing, stretches: readonly Stretch[]): Stretch | undefined {
  let best: Stretch | undefined;
  let bestUs = 0;
  for (const stretch of stretches) {
    const overlapUs = Math.min(toUs, stretch.toUs) - Math.max(fromUs, stretch.fromUs);
    if (overlapUs > bestUs) [best, bestUs] = [stretch, overlapUs];
  }
  return best;
}

class ProbeCheck {
  private readonly series: SeriesSet;
  private readonly probes: readonly ExhaustProbe[];
  /** Cylinders in the order in which they were warmed, those without a probe left out. */
  private readonly order: number[];
  private readonly limits: LimitsOf<'probes'>;
  private readonly result: CheckResult;
  private readonly temps: (Watched | undefined)[];

  constructor(
    series: SeriesSet,
    probes: readonly ExhaustProbe[],
    order: readonly number[],
    limits: LimitsOf<'probes'>,
    result: CheckResult,
  ) {
    this.series = series;
    this.probes = probes;
    this.order = order.filter((cylinder) => probes.some((probe) => probe.cylinder === cylinder));
    this.limits = limits;
    this.result = result;
    this.temps = probes.map(({ channel }) => watch(series, channel, 'degC'));
  }

  judge(): void {
    const warmings = this.findWarmings();
    const { tips, later } = this.split(warmings);
    if (tips.length === 0) {
      for (const cylinder of this.order) this.addDead(cylinder);
      return;
    }
    const assigned = this.assign(tips);
    for (const cylinder of this.order) {
      const warming = assigned.get(cylinder);
      if (warming) this.addFound(cylinder, warming);
      else
        this.addDead(
          cylinder,
          tips.find((tip) => this.cylinderOf(tip) === cylinder && ![...assigned.values()].includes(tip)),
        );
    }
    for (const warming of later) this.judgeConnector(warming, tips);
  }

  /** What moved in each probe's own step is that probe's; one that did nothing is dead once its step is over. */
  judgeLed(guide: Guide): void {
    const warmings = this.findWarmings();
    const stretchNamed = (name: string): Stretch[] => {
      const stretch = stretchOf(guide, name, this.series);
      return stretch && stretch !== 'whole' ? [stretch] : [];
    };
    const led = this.probes.flatMap(({ cylinder }) => stretchNamed(toProbeStep(cylinder)).map((stretch) => ({ cylinder, stretch })));
    const connectors = stretchNamed('connectors');
    const all = [...led.map(({ stretch }) => stretch), ...connectors];
    const during = (stretch: Stretch) => warmings.filter(({ lead }) => stretchAround(lead, all) === stretch).sort(byKelvin);
    const tips: Warming[] = [];
    for (const { cylinder, stretch } of led) {
      const [warming] = during(stretch);
      if (warming) {
        this.addFound(cylinder, warming);
        tips.push(warming);
      } else if (stretch.closed) this.addDead(cylinder);
    }
    for (const stretch of connectors) for (const warming of during(stretch)) this.judgeConnector(warming, tips);
  }

  private findWarmings(): Warming[] {
    const { limits, series } = this;
    return toWarmings(findSwings(this.temps, series.startUs, series.endUs, limits), limits);
  }

  /** A channel's first lead is its probe being warmed; a later one belongs to its connector, or is a warming done twice. */
  private split(warmings: readonly Warming[]): { tips: Warming[]; later: Warming[] } {
    const seen = new Set<number>();
    const tips: Warming[] = [];
    const later: Warming[] = [];
    for (const warming of warmings) {
      const first = !seen.has(warming.lead.probe);
      seen.add(warming.lead.probe);
      (first ? tips : later).push(warming);
    }
    return { tips, later };
  }

  /**
   * Which warming was whose: the alignment of the warmings with the order that costs least. A cylinder may be left out (its probe did not
   * move: likely where its channel never moved, or where a long rest lies), and warmings behind the last may be of
   * connectors.
   */
  private assign(tips: readonly Warming[]): Map<number, Warming> {
    const { limits, order } = this;
    const moved = new Set(tips.map((warming) => this.cylinderOf(warming)));
    const begins = tips.map((warming) => warming.lead.fromUs);
    const usualUs = medianOf(begins.slice(1).map((at, i) => at - (begins[i] as number))) ?? 0;
    const pausedBefore = (j: number) =>
      j > 0 && j < tips.length && (begins[j] as number) - (begins[j - 1] as number) > limits.longRestTimes * usualUs;
    // Warmings of connectors come behind all the tips: a channel that moves only then has a probe that is shorted in its cable.
    const cameMuchLater = (j: number) =>
      j >= muchLaterFrom &&
      (begins[j] as number) - (begins[j - 1] as number) > Math.max(limits.connectorRestLeastS * 1e6, limits.connectorRestTimes * usualUs);
    const skipCost = (i: number, j: number) => (!moved.has(order[i] as number) ? 0.1 : pausedBefore(j) || j === tips.length ? 0.4 : 2);
    const pairCost = (i: number, j: number) => (this.cylinderOf(tips[j] as Warming) === order[i] ? 0 : 1) + (cameMuchLater(j) ? 1.2 : 0);
    const trailingCost = (j: number) => (j === tips.length ? 0 : (pausedBefore(j) ? 0.4 : 2) + 0.2 * (tips.length - j));
    // best[i][j]: least cost of explaining the first j warmings with the first i cylinders; how: which step led there.
    const best = Array.from({ length: order.length + 1 }, () => new Array<number>(tips.length + 1).fill(Number.POSITIVE_INFINITY));
    const paired = Array.from({ length: order.length + 1 }, () => new Array<boolean>(tips.length + 1).fill(false));
    const cost = (i: number, j: number) => (best[i] as number[])[j] as number;
    (best[0] as number[])[0] = 0;
    for (let i = 1; i <= order.length; i++) {
      for (let j = 0; j <= tips.length; j++) {
        const skip = cost(i - 1, j) + skipCost(i - 1, j);
        const pair = j > 0 ? cost(i - 1, j - 1) + pairCost(i - 1, j - 1) : Number.POSITIVE_INFINITY;
        (best[i] as number[])[j] = Math.min(skip, pair);
        (paired[i] as boolean[])[j] = pair <= skip;
      }
    }
    let j = 0;
    for (let end = 0; end <= tips.length; end++)
      if (cost(order.length, end) + trailingCost(end) < cost(order.length, j) + trailingCost(j)) j = end;
    const assigned = new Map<number, Warming>();
    for (let i = order.length; i > 0; i--) if (paired[i]?.[j]) assigned.set(order[i - 1] as number, tips[--j] as Warming);
    return assigned;
  }

  private cylinderOf(warming: Warming): number {
    return (this.probes[warming.lead.probe] as ExhaustProbe).cylinder;
  }

  private add(verdict: Verdict): void {
    this.result.verdicts.push(verdict);
  }

  private at(timeUs: number): number {
    return Math.round(timeUs - this.series.startUs) / 1e6;
  }

  private channelOf(cylinder: number): string {
    return this.probes.find((probe) => probe.cylinder === cylinder)?.channel ?? '';
  }

  private addFound(cylinder: number, warming: Warming): void {
    const found = this.cylinderOf(warming);
    const { kelvin, fromUs } = warming.lead;
    const second = Math.max(0, ...warming.followers.map((follower) => Math.abs(follower.kelvin)));
    const common = {
      cylinder,
      channel: this.channelOf(cylinder),
      found,
      at: this.at(fromUs),
      measured: Number(kelvin.toFixed(1)),
      unit: 'K',
      confidence: Number(Math.min(0.99, 1 - (0.8 * second) / Math.abs(kelvin)).toFixed(2)),
    };
    if (kelvin < 0) {
      this.add({
        ...common,
        code: 'probe-reversed',
        ok: false,
        ...said`warming cylinder ${cylinder} makes ${this.channelOf(found)} fall by ${amount(-kelvin, 'K', 0)}: its wires are reversed at the probe`,
        next: 'Swap the two wires at the probe connector. Go by alloy and polarity, not by colour: the colour codes disagree.',
      });
      if (found === cylinder) return;
    }
    this.add(
      found === cylinder
        ? {
            ...common,
            code: 'probe-swapped',
            ok: true,
            ...said`warming cylinder ${cylinder} raises ${common.channel} by ${amount(kelvin, 'K', 0)}`,
          }
        : {
            ...common,
            code: 'probe-swapped',
            ok: false,
            say: `warming cylinder ${cylinder} moves ${this.channelOf(found)}, which the file gives to cylinder ${found}`,
            next: 'Swap the plugs, or the channels in exhaust_temps of vehicle.yaml.',
          },
    );
  }

  private addDead(cylinder: number, later?: Warming): void {
    const channel = this.channelOf(cylinder);
    const temp = this.temps[this.probes.findIndex((probe) => probe.cylinder === cylinder)];
    const silent = !temp || temp.timeUs.length < 3 || temp.badUs.length > temp.timeUs.length;
    this.add({
      code: 'probe-dead',
      ok: false,
      cylinder,
      channel,
      measured: silent ? null : 0,
      say: silent
        ? `${channel} gives no number: its probe is open`
        : later
          ? `${channel} did not move when cylinder ${cylinder} was warmed, and rose ${this.at(later.lead.fromUs).toFixed(0)} s from the start: it reads another place, as a probe shorted in its cable does`
          : `${channel} did not move when cylinder ${cylinder} was warmed`,
      ...(silent ? {} : { confidence: later ? 0.7 : 0.9 }),
      next: 'Measure the loop at the box (a probe has some ohms), look for an open wire, and for a short in the cable.',
    });
  }

  /** A right probe doesn't move when its connector is warmed. */
  private judgeConnector(warming: Warming, tips: readonly Warming[]): void {
    const first = tips.find((tip) => tip.lead.probe === warming.lead.probe);
    if (!first || warming.lead.kelvin >= 0 || first.lead.kelvin < 0) return;
    const cylinder = this.cylinderOf(warming);
    const isTold = this.result.verdicts.some((verdict) => verdict.code === 'extension-crossed' && verdict.cylinder === cylinder);
    if (isTold) return;
    this.add({
      code: 'extension-crossed',
      ok: false,
      cylinder,
      channel: this.channelOf(cylinder),
      at: this.at(warming.lead.fromUs),
      measured: Number(warming.lead.kelvin.toFixed(1)),
      unit: 'K',
      ...said`${this.channelOf(cylinder)} fell by ${amount(-warming.lead.kelvin, 'K', 0)} when its connector was warmed: the extension is crossed at both ends, or is copper`,
      next: 'Use extension wire of the same alloys, plus to plus. By twice what the connector was warmed means crossed, by once means copper.',
    });
  }
}
