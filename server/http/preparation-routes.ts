// The preparation list, and what a check's run corrects in vehicle.yaml.
import { z } from 'zod';
import { findCorrection } from '../checks/correction.ts';
import { type CorrectionView, correctionAsk, correctionView, preparationView } from '../contract/check-steps.ts';
import type { LogEntry } from '../contract/log-book.ts';
import { EvenburnError } from '../errors.ts';
import { readPreparation } from '../live/check-desk.ts';
import type { App, AppParts } from './app.ts';

export function addPreparationRoutes(app: App, parts: AppParts): void {
  const { station, checks, logBook, signOffs } = parts;
  if (!checks || !logBook) return;
  app.get('/api/preparation', { schema: { summary: 'The preparation list', response: { 200: preparationView } } }, () =>
    readPreparation({ station, runs: checks.runs, logBook, ...(signOffs ? { signOffs } : {}) }),
  );
  const params = z.object({ run: z.coerce.number().int().min(1) });
  const answer = { 200: correctionView };
  const path = '/api/checks/runs/:run/correction';
  app.get(
    path,
    { schema: { summary: 'What a run would correct in vehicle.yaml', params, response: answer } },
    async ({ params: { run } }) => (await lookUp(parts, run)).view,
  );
  app.post(
    path,
    {
      schema: { summary: 'Write it to vehicle.yaml; what stood there goes to the log book', params, body: correctionAsk, response: answer },
    },
    ({ params: { run }, body: { by } }) => correct(parts, run, by),
  );
}

/** @throws EvenburnError CHECK_RUN_UNKNOWN, CHECK_CORRECTS_NOTHING, CHECK_RUN_OUTDATED */
async function lookUp({ station, checks, logBook }: AppParts, number: number) {
  const run = await (checks as NonNullable<typeof checks>).runs.get(number);
  const log = (await logBook?.list(station.vehicle.name)) ?? [];
  const written = log.find((entry): entry is LogEntry & { kind: 'correction' } => entry.kind === 'correction' && entry.run === number);
  if (written) return { edits: [], view: { proved: false, changes: written.changes, notes: [], writtenWallMs: written.wallMs } };
  const found = findCorrection(station.vehicle, run.result as Parameters<typeof findCorrection>[1]);
  if (!found) throw new EvenburnError('CHECK_CORRECTS_NOTHING', { run: number });
  if (found.outdated) throw new EvenburnError('CHECK_RUN_OUTDATED', { run: number });
  const { edits, changes, notes } = found;
  const view: CorrectionView = { proved: changes.length === 0 && notes.length === 0, changes, notes, writtenWallMs: null };
  return { edits, view };
}

async function correct(parts: AppParts, run: number, by: string): Promise<CorrectionView> {
  const { station, editor, logBook } = parts;
  const { edits, view } = await lookUp(parts, run);
  if (edits.length === 0 || !editor || !logBook) throw new EvenburnError('CHECK_CORRECTS_NOTHING', { run });
  const { files } = await editor.read();
  const path = 'vehicle.yaml';
  const { text } = await editor.tryDraft({ files: files.map(({ path: name, text: read }) => ({ path: name, text: read })), path, edits });
  const hash = files.find((file) => file.path === path)?.hash ?? null;
  // The old map is on the disk before the new one is: nothing is lost when the power fails in between.
  const entry = await logBook.add(
    { kind: 'correction', run, changes: view.changes, by, note: '' },
    station.vehicle.name,
    station.wallMs(),
    station.status().recording.session,
  );
  await editor.save({ changes: [{ path, text, hash }], despiteErrors: false });
  return { ...view, writtenWallMs: entry.wallMs };
}
