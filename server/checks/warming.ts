// Finds when a probe's reading was warmed, and which reading rose first and most: the evidence of the probe check. Pure.
import type { LimitsOf } from './usual-limits.ts';
import { medianOf, type Watched } from './watch.ts';

/** One channel moving away from where it rested. */
export interface Swing {
  /** Index of the probe in the list given. */
  probe: number;
  fromUs: number;
  /** When it stopped moving away. */
  toUs: number;
  /** Positive for a rise, negative for a fall below everything it had read before. */
  kelvin: number;
}

/** One warming: the swing that leads and those that follow it by conduction or stray air. */
export interface Warming {
  lead: Swing;
  followers: Swing[];
}

const stepUs = 200_000;
const smoothSteps = 5;
const slopeSteps = 10;
const baseSteps = 10;
const steepSteps = 5;
/** Warmed just now: within ten seconds. */
const justSteps = 50;

type ProbeLimits = LimitsOf<'probes'>;

/** All swings of all probes, in order of time. */
export function findSwings(temps: readonly (Watched | undefined)[], startUs: number, endUs: number, limits: ProbeLimits): Swing[] {
  const grids = temps.map((temp) => (temp && temp.timeUs.length > 0 ? toGrid(temp, startUs, endUs) : undefined));
  const drift = commonDrift(
    grids.filter((grid) => grid !== undefined),
    limits,
  );
  return grids
    .flatMap((grid, probe) =>
      grid
        ? swingsOf(
            grid.map((value, i) => value - (drift[i] ?? 0)),
            probe,
            startUs,
            limits,
          )
        : [],
    )
    .sort((a, b) => a.fromUs - b.fromUs);
}

/** With fewer probes at rest the one being warmed would count as weather. */
const driftProbesMin = 3;

/**
 * What all probes do together (an engine that cools, weather): the median of the steps of those that stand where they began. One that was
 * warmed takes minutes to fade, and would drag the others below their rest.
 */
function commonDrift(grids: readonly Float64Array[], { movedLeastK }: ProbeLimits): Float64Array {
  const [first] = grids;
  if (!first) return new Float64Array(0);
  const drift = new Float64Array(first.length);
  let resting = [...grids];
  let perStep = 0;
  for (let i = 1; i < drift.length; i++) {
    const before = drift[i - 1] as number;
    resting = resting.filter((grid) => Math.abs((grid[i] as number) - (grid[0] as number) - before) < movedLeastK);
    const steps = resting.map((grid) => (grid[i] as number) - (grid[i - 1] as number));
    // Only cooling is common: what warms them together is stray heat of the one that is warmed, and would make the others look like falling.
    if (steps.length >= driftProbesMin) perStep = Math.min(0, (before + (medianOf(steps) as number)) / i);
    // With too few left at rest an engine that cools goes on.
    drift[i] = steps.length >= driftProbesMin ? perStep * i : before + perStep;
  }
  return drift;
}

/** Smoothed on an even grid; the last value is carried. */
function toGrid(temp: Watched, startUs: number, endUs: number): Float64Array {
  const grid = new Float64Array(Math.max(0, Math.floor((endUs - startUs) / stepUs) + 1));
  let next = 0;
  let last = temp.value[0] ?? Number.NaN;
  for (let i = 0; i < grid.length; i++) {
    while (next < temp.timeUs.length && (temp.timeUs[next] as number) <= startUs + i * stepUs) last = temp.value[next++] as number;
    grid[i] = last;
  }
  return grid.map((_, i) => {
    const from = Math.max(0, i - (smoothSteps >> 1));
    const part = grid.subarray(from, Math.min(grid.length, i + (smoothSteps >> 1) + 1));
    return part.reduce((sum, value) => sum + value, 0) / part.length;
  });
}

function swingsOf(grid: Float64Array, probe: number, startUs: number, limits: ProbeLimits): Swing[] {
  const least = Math.max(limits.movedLeastK, limits.movedNoiseTimes * noiseOf(grid));
  return [...risesOf(grid, least, limits), ...fallsOf(grid, least, limits)].map(({ from, to }) => ({
    probe,
    fromUs: startUs + from * stepUs,
    toUs: startUs + to * stepUs,
    kelvin: (grid[to] as number) - (grid[from] as number),
  }));
}

/** Standard deviation of the noise, from the median of the steps between neighbours. */
function noiseOf(grid: Float64Array): number {
  const steps = Float64Array.from({ length: Math.max(0, grid.length - 1) }, (_, i) =>
    Math.abs((grid[i + 1] as number) - (grid[i] as number)),
  );
  steps.sort();
  return (steps[steps.length >> 1] ?? 0) * 1.05;
}

interface Stretch {
  from: number;
  to: number;
}

function movingStretches(grid: Float64Array, sign: 1 | -1, { movingKPerS, pauseS }: ProbeLimits): Stretch[] {
  const found: Stretch[] = [];
  const perStep = (movingKPerS * stepUs) / 1e6;
  for (let i = 0; i + slopeSteps < grid.length; i++) {
    const moved = sign * ((grid[i + slopeSteps] as number) - (grid[i] as number));
    if (moved < perStep * slopeSteps) continue;
    const last = found[found.length - 1];
    if (last && (i - last.to) * stepUs < pauseS * 1e6) last.to = i + slopeSteps;
    else found.push({ from: i, to: i + slopeSteps });
  }
  return found.map(({ from, to }) => trimmed(grid, from, to, sign));
}

/** From the last rest before the move to its far end. */
function trimmed(grid: Float64Array, from: number, to: number, sign: 1 | -1): Stretch {
  let start = from;
  let end = from;
  for (let i = from; i <= to; i++) {
    if (sign * ((grid[i] as number) - (grid[end] as number)) > 0) end = i;
  }
  for (let i = from; i <= end; i++) if (sign * ((grid[i] as number) - (grid[start] as number)) < 0) start = i;
  return { from: start, to: end };
}

function risesOf(grid: Float64Array, least: number, limits: ProbeLimits): Stretch[] {
  const base = medianOf(grid.subarray(0, baseSteps)) as number;
  return movingStretches(grid, 1, limits)
    .flatMap((stretch) => splitAtSteepest(grid, stretch, 1, limits))
    .filter(({ from, to }) => {
      const rise = (grid[to] as number) - (grid[from] as number);
      // Coming back from a fall is no rise of its own, nor a little beyond it.
      const beyond = Math.max(least, limits.creepShare * (base - (grid[from] as number)));
      return rise >= least && (grid[to] as number) >= base + beyond;
    });
}

/**
 * A probe that creeps while its neighbour is warmed and is then warmed itself moves twice: the second time begins where the slope comes
 * up to a share of its steepest.
 */
function splitAtSteepest(grid: Float64Array, { from, to }: Stretch, sign: 1 | -1, { secondRiseShare, pauseS }: ProbeLimits): Stretch[] {
  const slopeAt = (i: number) => sign * ((grid[Math.min(to, i + steepSteps)] as number) - (grid[i] as number));
  let steepest = from;
  for (let i = from; i + steepSteps <= to; i++) if (slopeAt(i) > slopeAt(steepest)) steepest = i;
  let begin = steepest;
  while (begin > from && slopeAt(begin - 1) > secondRiseShare * slopeAt(steepest)) begin--;
  return (begin - from) * stepUs > pauseS * 1e6
    ? [
        { from, to: begin },
        { from: begin, to },
      ]
    : [{ from, to }];
}

/**
 * A fall below all that came before: heat that fades only comes back to where it was, or, on an engine that cools, goes on below it ever
 * more slowly; a fall of its own gets faster again.
 */
function fallsOf(grid: Float64Array, least: number, limits: ProbeLimits): Stretch[] {
  const base = medianOf(grid.subarray(0, baseSteps)) as number;
  return movingStretches(grid, -1, limits)
    .filter(({ from, to }) => (grid[to] as number) <= lowestBefore(grid, from) - least)
    .flatMap(({ from, to }) => {
      const low = lowestBefore(grid, from);
      const begin = firstBelow(grid, from, to, low);
      const rose = (grid[from] as number) - Math.min(...grid.subarray(Math.max(0, from - justSteps), from + 1));
      const wasWarmed = rose > least && (grid[from] as number) > Math.max(low, base) + least;
      const perS = ((grid[begin] as number) - (grid[to] as number)) / (((to - begin) * stepUs) / 1e6);
      return perS < limits.movingKPerS || (wasWarmed && onlyFades(grid, from, to, limits))
        ? []
        : splitAtSteepest(grid, { from: begin, to }, -1, limits).filter(
            (part) => (grid[part.from] as number) - (grid[part.to] as number) >= least,
          );
    });
}

/** Whether it falls ever more slowly from its steepest on. */
function onlyFades(grid: Float64Array, from: number, to: number, { movingKPerS }: ProbeLimits): boolean {
  const perStep = (movingKPerS * stepUs) / 1e6;
  const slopeAt = (i: number) => (grid[i] as number) - (grid[Math.min(to, i + slopeSteps)] as number);
  let steepest = 0;
  let slowest = Number.POSITIVE_INFINITY;
  for (let i = from; i + slopeSteps <= to; i++) {
    const slope = slopeAt(i);
    steepest = Math.max(steepest, slope);
    if (slope < 0.7 * steepest) slowest = Math.min(slowest, slope);
    if (slope > 1.5 * slowest + 2 * perStep * slopeSteps) return false;
  }
  return true;
}

function lowestBefore(grid: Float64Array, index: number): number {
  let low = grid[0] as number;
  for (let i = 0; i < index; i++) low = Math.min(low, grid[i] as number);
  return low;
}

function firstBelow(grid: Float64Array, from: number, to: number, level: number): number {
  let i = from;
  while (i < to && (grid[i] as number) > level) i++;
  return i;
}

/**
 * Joins swings that overlap in time into warmings. The lead is the one that moved most; when two moved alike, the one that moved first.
 */
export function toWarmings(swings: readonly Swing[], limits: ProbeLimits): Warming[] {
  const open = withoutCreep(swings, limits).sort((a, b) => Math.abs(b.kelvin) - Math.abs(a.kelvin) || a.fromUs - b.fromUs);
  const warmings: Warming[] = [];
  for (const swing of open) {
    const owner = warmings.find((warming) => follows(warming.lead, swing, limits));
    if (owner) owner.followers.push(swing);
    else warmings.push({ lead: swing, followers: [] });
  }
  return warmings.sort((a, b) => a.lead.fromUs - b.lead.fromUs);
}

/**
 * Without what a channel did beside a warm neighbour, long before and behind too: next to nothing beside what was warmed meanwhile; or much
 * less than it did in its own turn, the same way (a reversed one comes back from its falls), and than what is warmed as a rule.
 */
function withoutCreep(swings: readonly Swing[], { creepShare }: ProbeLimits): Swing[] {
  const largest = new Map<number, Swing>();
  for (const swing of swings) if (Math.abs(swing.kelvin) > Math.abs(largest.get(swing.probe)?.kelvin ?? 0)) largest.set(swing.probe, swing);
  const usual = medianOf([...largest.values()].map(({ kelvin }) => Math.abs(kelvin))) ?? 0;
  const warmedMeanwhile = ({ probe, fromUs, toUs }: Swing) =>
    Math.max(
      0,
      ...swings
        .filter((other) => other.probe !== probe && other.fromUs < toUs && fromUs < other.toUs)
        .map(({ kelvin }) => Math.abs(kelvin)),
    );
  return swings.filter((swing) => {
    const size = Math.abs(swing.kelvin);
    const meanwhile = warmedMeanwhile(swing);
    if (size < nextToNothing * creepShare * meanwhile) return false;
    const own = largest.get(swing.probe)?.kelvin ?? 0;
    const isItsWay = own * swing.kelvin > 0 || own < 0;
    const isCreep = (share: number, beside: number) => isItsWay && size < share * Math.min(Math.abs(own), beside);
    return !isCreep(creepShare, meanwhile) && !isCreep(unseenShare * creepShare, usual);
  });
}

/** Of the share that counts as creeping: where nothing tells of the channel's own turn, and where nothing else moved meanwhile. */
const nextToNothing = 0.3;
const unseenShare = 0.6;

/** Stray heat moves a neighbour later and less, while the lead is being warmed; a bigger move of its own is another warming. */
function follows(lead: Swing, swing: Swing, { strayShare, strayAheadS }: ProbeLimits): boolean {
  if (lead.probe === swing.probe) return false;
  const overlapUs = Math.min(lead.toUs, swing.toUs) - Math.max(lead.fromUs, swing.fromUs);
  return overlapUs > strayShare * (swing.toUs - swing.fromUs) && swing.fromUs >= lead.fromUs - strayAheadS * 1e6;
}
