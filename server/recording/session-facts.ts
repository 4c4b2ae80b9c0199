// What is known of a session as a whole: what the machine counted, and what people wrote beside it.
import type { LossPlace } from '../pipeline-input.ts';
import type { Connection } from './database.ts';

export type SessionState = 'open' | 'closed' | 'killed';

export interface SessionEvent {
  timeUs: number;
  kind: 'loss' | 'definitions' | 'source';
  text: string;
}

/** Counted while recording; written with every slice. */
export interface SessionFacts {
  number: number;
  state: SessionState;
  /** `live`, or a file's name. */
  origin: string;
  vehicle: string;
  /** Content hash of the definitions that it began with. */
  hash: string;
  /** Session time of the first and last frame, microseconds. */
  firstUs: number;
  lastUs: number;
  /** Wall time of the first frame, milliseconds since 1970; null when it isn't known. */
  startedWallMs: number | null;
  frames: number;
  /** Frames lost, by where; late ones were applied. */
  loss: Record<LossPlace, number>;
  /** Alarms raised, by severity. */
  alarms: { advisory: number; caution: number; warning: number };
  /** What is worth jumping to beside alarms, in order of time; the first thousand. */
  events: SessionEvent[];
  /** Bus → how good its source's time stamps were; absent: not known, or a file's own. */
  stamps?: Record<string, string>;
  /** What import or repair had to leave out or change, in sentences. */
  remarks: string[];
}

/** Written by people; never touched by recording. */
export interface SessionNotes {
  name: string;
  note: string;
  tags: string[];
  pinned: boolean;
  /** Injector set → plan in force, and conditions as the user typed them. */
  conditions: Record<string, string>;
  /** Notes that belong to an instant, session time, in the order of time. */
  marks: { timeUs: number; text: string }[];
}

export const noNotes: SessionNotes = { name: '', note: '', tags: [], pinned: false, conditions: {}, marks: [] };

export function startingFacts(number: number, origin: string): SessionFacts {
  return {
    number,
    state: 'open',
    origin,
    vehicle: '',
    hash: '',
    firstUs: 0,
    lastUs: 0,
    startedWallMs: null,
    frames: 0,
    loss: { adapter: 0, 'before-reader': 0, queue: 0, late: 0 },
    alarms: { advisory: 0, caution: 0, warning: 0 },
    events: [],
    remarks: [],
  };
}

export function writeFacts(db: Connection, facts: SessionFacts): void {
  put(db, 'facts', facts);
}

/** The facts as they are now, ahead of the stored slices: for whoever looks at a session while it is recorded. */
export function writeFactsNow(db: Connection, facts: SessionFacts): void {
  put(db, 'facts_now', facts);
}

export function readFactsNow(db: Connection): SessionFacts | undefined {
  return (get(db, 'facts_now') as SessionFacts | undefined) ?? readFacts(db);
}

export function writeNotes(db: Connection, notes: SessionNotes): void {
  put(db, 'notes', notes);
}

export function readFacts(db: Connection): SessionFacts | undefined {
  return get(db, 'facts') as SessionFacts | undefined;
}

export function readNotes(db: Connection): SessionNotes {
  return { ...noNotes, ...((get(db, 'notes') as Partial<SessionNotes> | undefined) ?? {}) };
}

/** The pipeline's state before the session's first input, where it didn't begin with the session. */
export function writeStartState(db: Connection, state: unknown): void {
  put(db, 'start_state', state);
}

export function readStartState(db: Connection): unknown {
  return get(db, 'start_state');
}

/** Which reading the pages show. */
export function writeShownReading(db: Connection, reading: number): void {
  put(db, 'shown_reading', reading);
}

export function readShownReading(db: Connection): number {
  return (get(db, 'shown_reading') as number | undefined) ?? 1;
}

function put(db: Connection, name: string, value: unknown): void {
  db.prepare('INSERT OR REPLACE INTO session (name, value) VALUES (?, ?)').run(name, JSON.stringify(value));
}

function get(db: Connection, name: string): unknown {
  const text = db.prepare('SELECT value FROM session WHERE name = ?').pluck().get(name) as string | undefined;
  return text === undefined ? undefined : JSON.parse(text);
}
