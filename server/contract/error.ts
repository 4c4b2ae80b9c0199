// The body of every answer of /api that isn't what was asked for.
import { z } from 'zod';

export const errorView = z
  .object({
    /** A code of docs/errors.md. */
    error: z.string(),
    message: z.string(),
    /** What to do. */
    cure: z.string(),
  })
  .meta({ id: 'Error' });

export type ErrorView = z.infer<typeof errorView>;
