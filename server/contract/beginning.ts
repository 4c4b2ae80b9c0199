// The beginning of a vehicle: where frames can come from on this computer, and the folder that is to hold what is found out.
import { z } from 'zod';

/** GET /api/beginning */
export const beginningView = z
  .object({
    /** The vehicle folder that is served. */
    folder: z.string(),
    /** It holds no file yet. */
    blank: z.boolean(),
    /** It is the demo vehicle. */
    demo: z.boolean(),
    /** Buses that have a source, as `--bus` says it. */
    buses: z.array(z.object({ bus: z.string(), source: z.string() })),
    /** What this computer could listen to. */
    sources: z.array(z.object({ source: z.string(), say: z.string(), ready: z.boolean() })),
    /** Why the last change of folder or source was taken back. */
    failed: z.string().optional(),
    /** Starts the program with this folder and these sources the next time. */
    command: z.string(),
  })
  .meta({ id: 'Beginning' });

export type BeginningView = z.infer<typeof beginningView>;

/** POST /api/beginning: listen to this, or begin that folder; the server starts again with it, and comes back at the same address. */
export const beginningRequest = z
  .object({
    /** A new folder of this name below the data folder; left out: the folder that is served. */
    folder: z
      .string()
      .regex(/^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$/)
      .optional(),
    /** Left out: no source yet. */
    listen: z
      .object({
        bus: z.string().regex(/^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$/),
        /** As listed. */
        source: z.string().max(400),
        bitRateKbit: z.number().min(10).max(1000),
      })
      .optional(),
    /** Also while the engine runs, or a pull or a check is in progress: left out or false, the request is refused then. */
    despiteUnderWay: z.boolean().optional(),
  })
  .meta({ id: 'BeginningRequest' });

export type BeginningRequest = z.infer<typeof beginningRequest>;
