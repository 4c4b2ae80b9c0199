// What a session file must say and hold beside its tables: shapes of its texts, and parts that belong together all there. A file may have been
// handed over by somebody who made it up.
import { z } from 'zod';
import { channelNameMax } from '../limits.ts';
import type { Connection } from './database.ts';
import { packKey, packSliceKey } from './schema.ts';
import type { SessionFacts, SessionNotes } from './session-facts.ts';

/** Whole microseconds, exact as a double. */
const time = z.int();
const count = z.int().nonnegative();
/** The last instant that ECMAScript's Date has, milliseconds since 1970. */
const wall = z.number().min(0).max(8.64e15);

const facts = z
  .object({
    number: count,
    state: z.enum(['open', 'closed', 'killed']),
    origin: z.string().max(4096),
    vehicle: z.string().max(1000),
    hash: z.string().max(200),
    firstUs: time,
    lastUs: time,
    startedWallMs: wall.nullable(),
    frames: count,
    loss: z.object({ adapter: count, 'before-reader': count, queue: count, late: count }),
    alarms: z.object({ advisory: count, caution: count, warning: count }),
    events: z.array(z.object({ timeUs: time, kind: z.enum(['loss', 'definitions', 'source']), text: z.string() })).max(10_000),
    stamps: z.record(z.string(), z.string()).optional(),
    remarks: z.array(z.string()).max(10_000),
  })
  .refine(({ firstUs, lastUs }) => firstUs <= lastUs, 'it ends before it begins');

const notes = z.object({
  name: z.string(),
  note: z.string(),
  tags: z.array(z.string()),
  pinned: z.boolean(),
  conditions: z.record(z.string(), z.string()),
  marks: z.array(z.object({ timeUs: time, text: z.string().min(1).max(500) })),
});

const channelAbout = z.object({
  kind: z.enum(['signal', 'built-in', 'derived']),
  states: z.array(z.tuple([z.string(), z.string()])).optional(),
  scale: z.object({ factor: z.number(), offset: z.number() }).optional(),
});

const alarmEvent = z.object({
  sequence: count,
  timeUs: time,
  alarm: z.string(),
  severity: z.enum(['advisory', 'caution', 'warning']),
  event: z.enum(['raised', 'cleared', 'acknowledged', 'removed']),
  firstOut: z.boolean(),
  channel: z.string().nullable(),
  value: z.number().nullable(),
  quality: z.int().min(0).max(4),
  unit: z.string(),
  advice: z.string(),
  by: z.string().optional(),
});

/** @throws RangeError that says what is wrong with what a session says of itself */
export function checkFacts(said: unknown): asserts said is SessionFacts {
  refuse(facts.safeParse(said), 'what it says of itself');
}

/** @throws RangeError that says what is wrong with what people wrote of a session */
export function checkNotes(said: unknown): asserts said is SessionNotes {
  refuse(notes.safeParse(said), 'what was written of it');
}

/**
 * Everything that a session's pages and reports take as given, of a file that is closed. Bytes of samples and frames have checksums of their
 * own, which are looked at when they are read.
 * @throws RangeError that names the first part that is missing or is not what it should be
 */
export function checkParts(db: Connection, said: SessionFacts, shownReading: unknown): void {
  const all = <T>(sql: string, ...given: unknown[]): T[] => db.prepare(sql).all(...given) as T[];
  const number = (sql: string, ...given: unknown[]): number =>
    db
      .prepare(sql)
      .pluck()
      .get(...given) as number;
  checkKinds(db);
  const sets = new Set(db.prepare('SELECT hash FROM definitions').pluck().all());
  if (!sets.has(said.hash)) throw new RangeError('the definitions that it began with are missing');
  const slices = all<{ id: number; first: number; last: number }>('SELECT id, first_us AS first, last_us AS last FROM slice ORDER BY id');
  const hole = slices.findIndex(({ id }, i) => id !== i);
  if (hole >= 0) throw new RangeError(`part ${hole} of its frames is missing`);
  const held = number('SELECT coalesce(sum(frames), 0) FROM slice');
  if (held !== said.frames) throw new RangeError(`it says that it holds ${said.frames} frames, and holds ${held}`);
  const readings = all<{ id: number; hash: string; state: string }>('SELECT id, hash, state FROM reading ORDER BY id');
  if (!readings.some(({ id }) => id === shownReading)) throw new RangeError('the reading that is shown is missing');
  for (const { id, hash, state } of readings) {
    const where = `reading ${id}`;
    if (!['growing', 'complete', 'failed'].includes(state)) throw new RangeError(`${where} is in no state that there is`);
    if (!sets.has(hash)) throw new RangeError(`the definitions of ${where} are missing`);
    checkTexts(db, id, where);
    if (state === 'complete') checkSlicesOf(db, id, slices.length, where);
  }
}

/** SQLite keeps any kind of value in any column. */
function checkKinds(db: Connection): void {
  const kinds: [table: string, column: string, kind: string][] = [
    ['definitions', 'hash', 'text'],
    ['definitions', 'files', 'blob'],
    ['journal', 'inputs', 'blob'],
    ['slice', 'first_us', 'integer'],
    ['slice', 'last_us', 'integer'],
    ['slice', 'frames', 'integer'],
    ['slice', 'inputs', 'blob'],
    ['reading', 'made_wall_ms', 'integer'],
    ['reading', 'program', 'text'],
    ['reading', 'node', 'text'],
    ['reading', 'hash', 'text'],
    ['reading', 'state', 'text'],
    ['reading', 'note', 'text'],
    ['channel', 'name', 'text'],
    ['channel', 'unit', 'text'],
    ['channel', 'about', 'text'],
    ['reading_slice', 'first_us', 'integer'],
    ['reading_slice', 'last_us', 'integer'],
    ['reading_slice', 'before', 'blob'],
    ['reading_slice', 'state', 'blob'],
    ['times', 'data', 'blob'],
    ['chunk', 'data', 'blob'],
    ['bins', 'data', 'blob'],
    ['alarm', 'event', 'text'],
  ];
  const largest = Number.MAX_SAFE_INTEGER;
  for (const [table, column, kind] of kinds) {
    const range = kind === 'integer' ? ` OR ${column} NOT BETWEEN -${largest} AND ${largest}` : '';
    const wrong = db.prepare(`SELECT 1 FROM ${table} WHERE typeof(${column}) <> '${kind}'${range} LIMIT 1`).pluck().get();
    if (wrong !== undefined) throw new RangeError(`${column} in its table ${table} is not what it should be`);
  }
}

/** Channels and alarms of a reading. */
function checkTexts(db: Connection, reading: number, where: string): void {
  const channels = db.prepare('SELECT id, name, about FROM channel WHERE reading = ? ORDER BY id').iterate(reading);
  let next = 0;
  for (const { id, name, about } of channels as Iterable<{ id: number; name: string; about: string }>) {
    if (id !== next++) throw new RangeError(`channel ${next - 1} of ${where} is missing`);
    if (name === '' || name.length > channelNameMax) throw new RangeError(`channel ${id} of ${where} has no name that a channel can have`);
    refuse(channelAbout.safeParse(parsed(about)), `channel ${id} of ${where}`);
  }
  const alarms = db.prepare('SELECT sequence, event FROM alarm WHERE reading = ?').iterate(reading);
  for (const { sequence, event } of alarms as Iterable<{ sequence: number; event: string }>)
    refuse(alarmEvent.safeParse(parsed(event)), `alarm event ${sequence} of ${where}`);
}

/** A complete reading has a row for each slice, and where that counts samples, the samples and their times. */
function checkSlicesOf(db: Connection, reading: number, slices: number, where: string): void {
  const rows = db
    .prepare('SELECT key, samples FROM reading_slice WHERE key >= ? AND key < ? ORDER BY key')
    .all(packSliceKey(reading, 0), packSliceKey(reading + 1, 0)) as { key: number; samples: number }[];
  const within = (table: string) =>
    db.prepare(`SELECT 1 FROM ${table} WHERE key >= ? AND key < ? LIMIT 1`).pluck() as { get(from: number, to: number): unknown };
  const channels = db.prepare('SELECT count(*) FROM channel WHERE reading = ?').pluck().get(reading) as number;
  const sampled = db.prepare('SELECT max(key % 65536) FROM chunk WHERE key >= ? AND key < ?').pluck();
  if (Number(sampled.get(packKey(reading, 0, 0), packKey(reading + 1, 0, 0)) ?? -1) >= channels)
    throw new RangeError(`channels of ${where} are missing`);
  const parts = { chunk: within('chunk'), times: within('times') };
  for (let slice = 0; slice < slices; slice++) {
    const row = rows[slice];
    if (row?.key !== packSliceKey(reading, slice)) throw new RangeError(`part ${slice} of ${where} is missing`);
    if (row.samples === 0) continue;
    const [from, to] = [packKey(reading, slice, 0), packKey(reading, slice + 1, 0)];
    for (const [what, part] of Object.entries(parts))
      if (part.get(from, to) === undefined)
        throw new RangeError(`the ${what === 'times' ? 'times' : 'samples'} of part ${slice} of ${where} are missing`);
  }
}

function parsed(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}

function refuse(result: z.ZodSafeParseResult<unknown>, what: string): void {
  const issue = result.error?.issues[0];
  if (issue) throw new RangeError(`${what} is not what it should be (${[...issue.path.map(String), issue.message].join(': ')})`);
}
