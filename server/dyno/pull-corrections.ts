// Pulls as people left them: names, numbers and ends corrected by hand, those that are none taken out, those that were not found put in. Pure.
import type { Pull } from './pulls.ts';

/** One correction, as it was written down. Times are session time in microseconds. */
export interface PullCorrection {
  /** Any time within the pull that is meant; of one put in by hand its beginning. */
  atUs: number;
  name?: string | undefined;
  number?: number | undefined;
  /** It is no pull: it is left out. */
  isNone?: boolean | undefined;
  /** Other ends than those that were found; both, with `as`, put in one that was not found. */
  fromUs?: number | undefined;
  toUs?: number | undefined;
  as?: Pull['kind'] | undefined;
}

export interface NamedPull extends Pull {
  /** As given, else its place among those that count, from 1. */
  number: number;
  name: string;
  /** Ends or kind are by hand. */
  byHand: boolean;
}

/**
 * Applies corrections in the order in which they were written: a later one wins.
 *
 * @param speedAt Engine speed at a session time, for ends by hand; undefined where none is known.
 */
export function correctPulls(
  found: readonly Pull[],
  corrections: readonly PullCorrection[],
  startUs: number,
  speedAt: (timeUs: number) => number | undefined = () => undefined,
): NamedPull[] {
  const rows: Row[] = found.map((pull) => ({ pull, place: pull, isNone: false, byHand: false }));
  for (const correction of corrections) {
    const at = (correction.atUs - startUs) / 1e6;
    const row = rows.find(({ pull, place }) => isIn(pull, at) || isIn(place, at)) ?? putIn(rows, correction, startUs);
    if (row) apply(row, correction, startUs, speedAt);
  }
  return numbered(rows.filter(({ isNone }) => !isNone));
}

interface Row {
  pull: Pull;
  /** Where it was found: a correction finds it there even when its ends were moved. */
  place: Pick<Pull, 'from' | 'to'>;
  name?: string;
  number?: number;
  isNone: boolean;
  byHand: boolean;
}

const isIn = ({ from, to }: Pick<Pull, 'from' | 'to'>, at: number) => at >= from - 1e-6 && at <= to + 1e-6;

/** Undefined when the correction is of a pull that this reading doesn't find, and doesn't say enough to put one in. */
function putIn(rows: Row[], { as, fromUs, toUs }: PullCorrection, startUs: number): Row | undefined {
  if (as === undefined || fromUs === undefined || toUs === undefined || toUs <= fromUs) return undefined;
  const [from, to] = [(fromUs - startUs) / 1e6, (toUs - startUs) / 1e6];
  const pull: Pull = { kind: as, from, to, speedFrom: 0, speedTo: 0, complete: true };
  const row: Row = { pull, place: pull, isNone: false, byHand: true };
  rows.push(row);
  return row;
}

function apply(row: Row, correction: PullCorrection, startUs: number, speedAt: (timeUs: number) => number | undefined): void {
  if (correction.name !== undefined) row.name = correction.name;
  if (correction.number !== undefined) row.number = correction.number;
  if (correction.isNone !== undefined) row.isNone = correction.isNone;
  const { fromUs = startUs + row.pull.from * 1e6, toUs = startUs + row.pull.to * 1e6, as = row.pull.kind } = correction;
  const moved = correction.fromUs !== undefined || correction.toUs !== undefined || correction.as !== undefined;
  if (!moved || toUs <= fromUs) return;
  row.byHand = true;
  row.pull = {
    ...row.pull,
    kind: as,
    from: (fromUs - startUs) / 1e6,
    to: (toUs - startUs) / 1e6,
    speedFrom: Math.round(speedAt(fromUs) ?? row.pull.speedFrom),
    speedTo: Math.round(speedAt(toUs) ?? row.pull.speedTo),
  };
}

function numbered(rows: readonly Row[]): NamedPull[] {
  return [...rows]
    .sort((a, b) => a.pull.from - b.pull.from)
    .map(({ pull, name, number, byHand }, i) => ({ ...pull, number: number ?? i + 1, name: name ?? '', byHand }));
}
