// A derived figure that explains itself: the rule and its source, the rule with its numbers, the stretch, the channels and figures behind it. Pure.

/** A stretch of a recording that a figure was computed over; times are the recording's own, microseconds. */
export interface Stretch {
  /** Null: what was driven is not recorded. */
  session: number | null;
  fromUs: number;
  toUs: number;
  what: string;
}

/** A channel behind a figure: its chain down to the wire can be asked for as of `atUs`. */
export interface FigureChannel {
  session: number | null;
  channel: string;
  atUs: number;
  /** What of it went in: `median of 1.5 s, 86.2 degC`. */
  what: string;
}

/** Another figure that this one was computed from. */
export interface FigureLink {
  /** As `toAddress` makes it. */
  figure: string;
  title: string;
  value: number | null;
  unit: string;
}

export interface Figure {
  title: string;
  /** Null: there is no number, and `doubts` says why. */
  value: number | null;
  unit: string;
  /** A difference: of temperatures it is converted as one. */
  isDifference: boolean;
  /** What was computed, in a sentence. */
  rule: string;
  /** A standard, a handbook, a paper; or `common practice, no source`. */
  source: string;
  /** The rule with its numbers, a line each, in the units of the files. */
  worked: string[];
  /** Quality and uncertainty: how many samples, what was left out, which interval. */
  doubts: string[];
  stretches: Stretch[];
  channels: FigureChannel[];
  figures: FigureLink[];
}

export const arithmetic = 'arithmetic';
export const commonPractice = 'common practice, no source';

/** `toAddress('pulls', 3, 2, 'duty', 'port side')` is `pulls/3/2/duty/port%20side`. */
export function toAddress(...parts: readonly (string | number)[]): string {
  return parts.map((part) => encodeURIComponent(part)).join('/');
}

/** The parts of an address that `toAddress` made; undefined when it is none. */
export function toParts(address: string): string[] | undefined {
  try {
    return address.split('/').map(decodeURIComponent);
  } catch {
    return undefined;
  }
}

/** With so many digits behind the point at most; no number stays none. */
export function rounded<T extends number | null>(value: T, digits: number): T {
  return (value === null ? null : Number(value.toFixed(digits))) as T;
}

/** `−12.5`; no number is a dash. */
export function said(value: number | null | undefined, digits = 1): string {
  return value === null || value === undefined ? '–' : value.toFixed(digits).replace('-', '−');
}

/** `12.31 to 14.80 s` from the recording's first frame. */
export function saidStretch(fromUs: number, toUs: number, startUs: number): string {
  return `${((fromUs - startUs) / 1e6).toFixed(2)} to ${((toUs - startUs) / 1e6).toFixed(2)} s`;
}

export function linkTo(figure: string, { title, value, unit }: Pick<Figure, 'title' | 'value' | 'unit'>): FigureLink {
  return { figure, title, value, unit };
}
