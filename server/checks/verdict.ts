// The form of every check's answer, on pages, in reports and in `check --json`: a contract (docs/checks.md).

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
  /** What was found, in a sentence. */
  say: string;
  /** What to do next. */
  next?: string;
  /** More keys belong to the check that made it (`found`, `id`, `set`, `alternatives`, `evidence`, ...). */
  [key: string]: unknown;
}

/** `check --json`. */
export interface CheckResult {
  check: 'bus' | 'key-on' | 'probes' | 'first-start';
  frames: number;
  /** From the first frame to the last. */
  seconds: number;
  /** Of the bus check: mean load of the busiest bus, percent. */
  loadPercent?: number;
  verdicts: Verdict[];
  /** What the vehicle file does not let the check judge, with the line that would let it. */
  notJudged?: { what: string; line: string }[];
}
