// Recorded files that a page brings in: what a file is, and the imports that wait, run and are over.
import { z } from 'zod';

/** Query of POST /api/imports and POST /api/imports/look, whose body is the file's bytes (for the latter: its beginning). */
export const importQuery = z.object({
  /** The file's own name, for the list. */
  name: z.string().min(1).max(255).default('a file'),
  /** Every frame of the file belongs to this bus. */
  bus: z.string().max(100).optional(),
  /** For CSV: `field=header,...` as `evenburn import --columns`. */
  columns: z.string().max(4000).optional(),
});

export type ImportQuery = z.infer<typeof importQuery>;

/** POST /api/imports/look: what the beginning of a file says. */
export const fileLook = z
  .object({
    /** Name of the form: 'text log', 'pcap', 'CSV', 'session' and the like; '' when it is none that can be read. */
    format: z.string(),
    /** Frames of the vehicle's buses in the part that was looked at. */
    frames: z.number(),
    /** Interface names whose frames belong to no bus. */
    unmatched: z.array(z.string()),
    /** Why no frame was found; '' when there are some. */
    problem: z.string(),
    /** A table's headers; empty for other forms. */
    headers: z.array(z.string()),
    /** Field → header that probably holds it. */
    guess: z.record(z.string(), z.string()),
    /** All fields that a column may hold. */
    fields: z.array(z.string()),
  })
  .meta({ id: 'FileLook' });

export type FileLookView = z.infer<typeof fileLook>;

export const importJob = z
  .object({
    job: z.number(),
    name: z.string(),
    state: z.enum(['waiting', 'running', 'done', 'failed', 'cancelled']),
    /** Of the file's bytes, 0 to 1. */
    share: z.number(),
    frames: z.number(),
    framesPerSecond: z.number(),
    /** Null until it can be told. */
    secondsLeft: z.number().nullable(),
    /** The session that it became. */
    session: z.number().nullable(),
    /** What the session does not hold as the file has it. */
    remarks: z.array(z.string()),
    /** Why it failed; else ''. */
    problem: z.string(),
  })
  .meta({ id: 'ImportJob' });

export type ImportJob = z.infer<typeof importJob>;

/** GET /api/imports, in the order in which they came. DELETE /api/imports/:job cancels one. */
export const importsView = z.object({ jobs: z.array(importJob) }).meta({ id: 'Imports' });

export type ImportsView = z.infer<typeof importsView>;
