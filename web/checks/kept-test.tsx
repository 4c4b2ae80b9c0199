// A test done by hand becomes a kept run: who did it, and the way to what was kept.
import type { CheckRun } from '../../server/contract/checks.ts';
import { writer } from '../log-book/write-down.tsx';
import { toAddress } from '../router.tsx';
import { sendJson } from '../stream/api.ts';

/** Keeps it and goes to the run; a refusal is thrown. */
export async function keepTest(path: string, body: object): Promise<void> {
  const by = writer.value.trim();
  const run = await sendJson<CheckRun>('POST', path, { ...body, ...(by === '' ? {} : { by }) });
  location.hash = toAddress('checks', 'run', String(run.run));
}
