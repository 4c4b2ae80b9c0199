// The form of every check's answer, on pages, in reports and in `check --json`: a contract (docs/checks.md).
import type { LimitInForce } from './check-limits.ts';
import type { Said } from './said.ts';

/** One verdict. Keys that don't apply are left out; `device`, `frame`, `channel` are the vehicle's names. */
export interface Verdict {
  code: string;
  ok: boolean;
  bus?: string;
  device?: string;
  frame?: string;
  channel?: string;
  cylinder?: number;
  /** Two neighbours on the trunk joined by ` - `. */
  stretch?: string;
  /** Seconds from the first frame. */
  at?: number;
  /** 0 to 1. */
  confidence?: number;
  measured?: number | string | null;
  limit?: number | string | null;
  /** Of `measured` and `limit`, where there is a choice of units; K is a difference. */
  unit?: string;
  /** What was found, in a sentence. */
  say: string;
  /** The same, with its amounts apart from the words. */
  sayParts?: Said['sayParts'];
  /** What to do next. */
  next?: string;
  /** More keys belong to the check that made it (`found`, `id`, `set`, `alternatives`, `evidence`, ...). */
  [key: string]: unknown;
}

/** The checks that are judged on a recording alone; others are what their steps say. */
export type JudgedCheck = 'bus' | 'key-on' | 'probes' | 'first-start';

/** `check --json`. */
export interface CheckResult {
  /** A judged check, or the name of another procedure of the vehicle. */
  check: string;
  frames: number;
  /** From the first frame to the last. */
  seconds: number;
  /** Of the bus check: mean load of the busiest bus, percent. */
  loadPercent?: number;
  verdicts: Verdict[];
  /** What the vehicle file does not let the check judge, with the line that would let it. */
  notJudged?: {
    what: string;
    /** The same, with its amounts apart from the words. */
    whatParts?: Said['sayParts'];
    line: string;
  }[];
  /** The limits it was judged by, each with its source. */
  limits?: LimitInForce[];
  /** Of a check that is led: names of the steps whose condition has come. */
  met?: string[];
  /** A deadline that has not come, seconds from the first frame: a recording that grows is judged again as soon as it does. */
  due?: number;
  /** Of the first start: every turn of the engine, in order. */
  bouts?: CrankingBout[];
}

/** One turn of the engine by its starter, and what followed. */
export interface CrankingBout {
  /** Seconds from the first frame. */
  at: number;
  /** How long the starter turned it, seconds. */
  seconds: number;
  /** Cranked without fuel and spark. */
  dry: boolean;
  /** It ran by itself. */
  ran: boolean;
  /** It still turns. */
  turning: boolean;
  /** Longer than a starter should be held. */
  tooLong: boolean;
  /** How long the starter must rest after it, seconds. */
  restWantedS: number;
  /** Rest before it, seconds; null before the first. */
  restS: number | null;
  /** Highest oil pressure while the starter turned; null when it gave no number. */
  oilKpa: number | null;
}
