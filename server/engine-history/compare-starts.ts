// A start beside earlier starts like it; below three of them nothing is said. Pure.
import studentT from '@stdlib/stats-base-dists-t';
import { amount, type Said, said } from '../checks/said.ts';
import type { PlacedDigest } from './heat-cycles.ts';
import type { StartDigest } from './starts.ts';

/** Fewer like starts than this say nothing: 'lit 1.2 s later than last time' is noise (common practice). */
export const likeStartsMin = 3;
/** Starts are alike when the engine was about as warm. */
const likeWithinK = 15;
/** 99 %: many things are compared at once. */
const quantile = 0.995;

export interface PlacedStart extends StartDigest {
  session: number;
  startedWallMs: number;
}

export interface StartMeasure {
  what: string;
  unit: string;
  now: number;
  /** Of the like starts before. */
  mean: number;
  low: number;
  high: number;
  starts: number;
  /** Outside of where one more like start falls 99 times out of 100. */
  verdict: 'as usual' | 'more' | 'less';
}

export interface StartComparison extends Said {
  start: PlacedStart;
  /** Earlier starts that are like it. */
  like: { session: number; atS: number }[];
  measures: StartMeasure[];
}

export function listStarts(sessions: readonly PlacedDigest[]): PlacedStart[] {
  return sessions.flatMap(({ session, startedWallMs, digest }) =>
    digest.starts.map((start) => ({ ...start, session, startedWallMs: Math.round(startedWallMs + start.atS * 1000) })),
  );
}

/** The last start that ran, beside those before it. Undefined: none ever ran. @param starts Oldest first. */
export function compareLastStart(starts: readonly PlacedStart[]): StartComparison | undefined {
  const ran = starts.filter(({ ran: did }) => did);
  const start = ran.at(-1);
  if (!start) return undefined;
  const like = ran.slice(0, -1).filter((other) => isLike(other, start));
  const named = like.map(({ session, atS }) => ({ session, atS }));
  if (like.length < likeStartsMin) {
    const count =
      like.length === 0 ? 'No earlier start was' : like.length === 1 ? 'One earlier start was' : `${like.length} earlier starts were`;
    const told =
      start.startC === null
        ? said`Nothing says how warm the engine was: starts can not be told to be alike`
        : said`${count} like this one (within ${amount(likeWithinK, 'K')} of ${amount(start.startC, 'degC', 0)}): ${likeStartsMin} are needed before a difference means anything`;
    return { start, like: named, measures: [], ...told };
  }
  const measures = quantities(start).flatMap((quantity) => measure(quantity, start, like) ?? []);
  const unusual = measures.filter(({ verdict }) => verdict !== 'as usual');
  const say = unusual.length === 0 ? `As usual, beside ${like.length} like starts` : toSentence(unusual.map(toWords).join('; '));
  return { start, like: named, measures, say };
}

function isLike(a: PlacedStart, b: PlacedStart): boolean {
  return a.startC !== null && b.startC !== null && Math.abs(a.startC - b.startC) <= likeWithinK;
}

interface Quantity {
  what: string;
  unit: string;
  /** How finely it can be known: starts that happen to be alike to the digit don't make the next one unusual. */
  leastSigma: number;
  of(start: StartDigest): number | null;
}

function quantities(start: PlacedStart): Quantity[] {
  return [
    { what: 'time to fire', unit: 's', leastSigma: 0.1, of: ({ crankedS }) => crankedS },
    { what: 'battery while cranking', unit: 'V', leastSigma: 0.05, of: ({ crankingV }) => crankingV },
    { what: 'time to oil pressure', unit: 's', leastSigma: 0.1, of: ({ oilAfterS }) => oilAfterS },
    ...start.lit.map(({ cylinder }) => ({
      what: `cylinder ${cylinder} lit`,
      unit: 's',
      leastSigma: 0.15,
      of: ({ lit }: StartDigest) => lit.find((one) => one.cylinder === cylinder)?.afterS ?? null,
    })),
  ];
}

/** Where one more like start is expected: mean ± t × s × √(1 + 1/n). */
function measure({ what, unit, leastSigma, of }: Quantity, start: PlacedStart, like: readonly PlacedStart[]): StartMeasure | undefined {
  const now = of(start);
  const before = like.flatMap((other) => of(other) ?? []);
  const n = before.length;
  if (now === null || n < likeStartsMin) return undefined;
  const mean = before.reduce((sum, value) => sum + value, 0) / n;
  const scatter = Math.sqrt(before.reduce((sum, value) => sum + (value - mean) ** 2, 0) / (n - 1));
  const half = studentT.quantile(quantile, n - 1) * Math.max(scatter, leastSigma) * Math.sqrt(1 + 1 / n);
  // No time is shorter than none.
  const [low, high] = [unit === 's' ? Math.max(0, mean - half) : mean - half, mean + half];
  return { what, unit, now, mean, low, high, starts: n, verdict: now > high ? 'more' : now < low ? 'less' : 'as usual' };
}

const toSentence = (text: string) => text.charAt(0).toUpperCase() + text.slice(1);

function toWords({ what, unit, now, mean, verdict }: StartMeasure): string {
  const digits = unit === 'V' ? 2 : 1;
  return `${what} ${now.toFixed(digits)} ${unit}, ${verdict === 'more' ? 'more' : 'less'} than the usual ${mean.toFixed(digits)} ${unit}`;
}
