// The tables of a session file and of the catalogue, and how an older file is brought forward.

/**
 * Steps by which a session file reaches the present version, oldest first: version N is what the first N steps make. Never change
 * a step that was released; add one.
 *
 * Keys of `chunk`, `times` and `bins` pack reading, slice (or block) and channel (or group, or level and channel) into one whole
 * number, so that a row costs no index of its own: see `packKey`.
 */
export const sessionSteps: readonly string[] = [
  `
  -- What is known of the session as a whole; values are JSON.
  CREATE TABLE session (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
  -- Definition sets by content: the files as they were read (JSON, deflated).
  CREATE TABLE definitions (hash TEXT PRIMARY KEY, vehicle TEXT NOT NULL, files BLOB NOT NULL);
  -- The record: rows of the journal come first, and are rewritten into slices.
  CREATE TABLE journal (id INTEGER PRIMARY KEY, inputs BLOB NOT NULL);
  CREATE TABLE slice (
    id INTEGER PRIMARY KEY, first_us INTEGER NOT NULL, last_us INTEGER NOT NULL, frames INTEGER NOT NULL, inputs BLOB NOT NULL
  );
  -- Readings of the record.
  CREATE TABLE reading (
    id INTEGER PRIMARY KEY, made_wall_ms INTEGER NOT NULL, program TEXT NOT NULL, node TEXT NOT NULL, hash TEXT NOT NULL,
    state TEXT NOT NULL, note TEXT NOT NULL
  );
  CREATE TABLE channel (
    reading INTEGER NOT NULL, id INTEGER NOT NULL, name TEXT NOT NULL, unit TEXT NOT NULL, about TEXT NOT NULL, PRIMARY KEY (reading, id)
  ) WITHOUT ROWID;
  -- One row a slice of a reading: the last sample of every channel before it, and the pipeline's state behind it.
  CREATE TABLE reading_slice (
    key INTEGER PRIMARY KEY, first_us INTEGER NOT NULL, last_us INTEGER NOT NULL, samples INTEGER NOT NULL, before BLOB NOT NULL,
    state BLOB NOT NULL
  );
  CREATE TABLE times (key INTEGER PRIMARY KEY, data BLOB NOT NULL);
  CREATE TABLE chunk (key INTEGER PRIMARY KEY, data BLOB NOT NULL);
  CREATE TABLE bins (key INTEGER PRIMARY KEY, data BLOB NOT NULL);
  CREATE TABLE alarm (
    reading INTEGER NOT NULL, sequence INTEGER NOT NULL, time_us INTEGER NOT NULL, event TEXT NOT NULL, PRIMARY KEY (reading, sequence)
  ) WITHOUT ROWID;
  `,
];

/** The catalogue only repeats what the session files say: a newer program drops it and makes it anew. */
export const catalogueSteps: readonly string[] = [
  `
  CREATE TABLE session (
    number INTEGER PRIMARY KEY, file_bytes INTEGER NOT NULL, file_changed_ms REAL NOT NULL, summary TEXT NOT NULL
  );
  `,
  // Summaries know more: those of the first version are dropped with their table.
  `
  DROP TABLE session;
  CREATE TABLE summary (
    number INTEGER PRIMARY KEY, file_bytes INTEGER NOT NULL, file_changed_ms REAL NOT NULL, summary TEXT NOT NULL
  );
  `,
];

/** "EBsf" and "EBct": what marks a SQLite file as one of ours. */
export const applicationId = { session: 0x45427366, catalogue: 0x45426374 } as const;

const slicesMax = 2 ** 20;
const columnsMax = 2 ** 16;

/**
 * One whole number for (reading, slice, column): ascending in that order, exact below 2^53 for 2^17 readings of 2^20 slices (121 days)
 * of 2^16 columns.
 */
export function packKey(reading: number, slice: number, column: number): number {
  return (reading * slicesMax + slice) * columnsMax + column;
}

/** The same without a column: key of `reading_slice`. */
export function packSliceKey(reading: number, slice: number): number {
  return reading * slicesMax + slice;
}

export function sliceOfKey(sliceKey: number): number {
  return sliceKey % slicesMax;
}
