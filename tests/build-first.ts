// Runs once before the tests: brings dist up to date, since workers and readers are run as built.
import { ensureBuilt } from '../server/start.mjs';

export default async function buildFirst(): Promise<void> {
  await ensureBuilt();
}
