// What the log book says of a session's pulls: corrections, the dyno and its air, logs of torque, trials. Pure.
import type { LogEntry } from '../contract/log-book.ts';
import type { DynoView } from '../contract/pulls.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { TypedAir } from '../dyno/power-curve.ts';
import type { PullCorrection } from '../dyno/pull-corrections.ts';

type EntryOf<K extends LogEntry['kind']> = Extract<LogEntry, { kind: K }>;

function entriesOf<K extends LogEntry['kind']>(entries: readonly LogEntry[], kind: K): EntryOf<K>[] {
  return entries.filter((entry): entry is EntryOf<K> => entry.kind === kind);
}

/** Everything that was written down about the pulls of one session. */
export interface DynoNotes {
  corrections: PullCorrection[];
  dyno: DynoView;
  /** Attachment and the name that it is shown by. */
  logs: { file: string; name: string }[];
}

export function readDynoNotes(entries: readonly LogEntry[], session: number, vehicle: Vehicle): DynoNotes {
  const logs = new Map<string, string>();
  for (const entry of entriesOf(entries, 'torque-log')) {
    if (entry.session !== session) continue;
    if (entry.isNone) logs.delete(entry.file);
    else logs.set(entry.file, entry.name);
  }
  return {
    corrections: entriesOf(entries, 'pull').filter((entry) => entry.session === session),
    dyno: dynoOf(entries, session, vehicle),
    logs: [...logs].map(([file, name]) => ({ file, name })),
  };
}

/** What was said last, for this session or an earlier one, beside the vehicle file; the air is that of the session alone. */
function dynoOf(entries: readonly LogEntry[], session: number, vehicle: Vehicle): DynoView {
  const dyno: DynoView = {
    dyno: vehicle.dyno?.kind ?? null,
    gear: vehicle.dyno?.gear ?? null,
    rollerRatio: vehicle.dyno?.rollerRatio ?? null,
    stationKpa: null,
    roomC: null,
    humidityPercent: null,
    holdsAbsolute: false,
  };
  for (const entry of entriesOf(entries, 'dyno')) {
    if (entry.session > session) continue;
    const { dyno: kind, gear, rollerRatio, holdsAbsolute, stationKpa, roomC, humidityPercent } = entry;
    Object.assign(dyno, given({ dyno: kind, gear, rollerRatio, holdsAbsolute }));
    if (entry.session === session) Object.assign(dyno, given({ stationKpa, roomC, humidityPercent }));
  }
  return dyno;
}

/** What was typed about the air; what was not comes from channels. */
export function airOf({ stationKpa, roomC, humidityPercent, holdsAbsolute }: DynoView): TypedAir {
  return {
    stationKpa: stationKpa ?? undefined,
    roomC: roomC ?? undefined,
    humidityPercent: humidityPercent ?? undefined,
    holdsAbsolute,
  };
}

function given(fields: Record<string, unknown>): Record<string, unknown> {
  return Object.fromEntries(Object.entries(fields).filter(([, value]) => value !== undefined));
}

/** When something was changed: from a session on, where the entry names one, else from a wall time on. */
export interface Moment {
  /** Milliseconds since 1970. */
  wallMs: number;
  session: number | undefined;
}

/** Whether a pull was driven at or behind a moment. A named session has the word: wall times of imported files may not be known. */
export function isBehind({ session, atMs }: { session: number; atMs: number }, moment: Moment): boolean {
  return moment.session === undefined ? atMs >= moment.wallMs : session >= moment.session;
}

/** A trial with the stretch over which it stood. */
export interface RecordedTrial {
  entry: EntryOf<'trial'>;
  /** The change before it; null: there is none. */
  since: Moment | null;
  done: Moment;
  undone: Moment | null;
  /** The next other change. */
  until: Moment | null;
}

/** @param startOf Wall time at which a session began; undefined for one that is gone. */
export function listTrials(entries: readonly LogEntry[], startOf: (session: number) => number | undefined): RecordedTrial[] {
  const momentOf = (entry: LogEntry): Moment => {
    const session = 'since' in entry ? entry.since : undefined;
    return { wallMs: (session === undefined ? undefined : startOf(session)) ?? entry.wallMs, session };
  };
  const changes = [...entriesOf(entries, 'trial'), ...entriesOf(entries, 'change'), ...entriesOf(entries, 'trial-undone')]
    .map((entry) => ({ entry, at: momentOf(entry) }))
    .sort((a, b) => a.at.wallMs - b.at.wallMs || a.entry.entry - b.entry.entry);
  return changes.flatMap(({ entry, at: done }, place) => {
    if (entry.kind !== 'trial') return [];
    const later = changes.slice(place + 1);
    const isItsEnd = ({ entry: other }: (typeof changes)[number]) => other.kind === 'trial-undone' && other.of === entry.entry;
    const next = later.find((change) => !isItsEnd(change));
    const undone = later.find(isItsEnd);
    const isInTime = undone && (!next || later.indexOf(undone) < later.indexOf(next));
    return [{ entry, since: changes[place - 1]?.at ?? null, done, undone: isInTime ? undone.at : null, until: next?.at ?? null }];
  });
}
