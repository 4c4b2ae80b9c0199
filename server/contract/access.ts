// Who is asking, and logging in.
import { z } from 'zod';
import { passphraseCharactersMax } from '../limits.ts';

/** `viewer` watches; `crew` acknowledges and edits too. */
export const role = z.enum(['viewer', 'crew']);
export type Role = z.infer<typeof role>;

export const accessView = z
  .object({
    /** Whether the server listens on the network, so that logins exist. */
    lan: z.boolean(),
    /** null: log in first. */
    role: role.nullable(),
    /** A browser on the computer that the server runs on is crew without a login. */
    atTheComputer: z.boolean(),
  })
  .meta({ id: 'Access' });
export type AccessView = z.infer<typeof accessView>;

/** The passphrase says which role it is for. */
export const loginRequest = z.object({ passphrase: z.string().min(1).max(passphraseCharactersMax) });
