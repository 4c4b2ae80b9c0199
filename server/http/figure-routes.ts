// Why a derived figure is what it is: of a pull, a comparison, a study, a check, the engine's history; each by its address.
import { type FigureView, figureQuery, figureView } from '../contract/why.ts';
import { EvenburnError } from '../errors.ts';
import { explainCheckFigure } from '../live/check-figures.ts';
import { explainHistoryFigure } from '../live/history-figures.ts';
import type { App, AppParts } from './app.ts';

export function addFigureRoutes(app: App, parts: AppParts): void {
  app.get(
    '/api/figures',
    { schema: { summary: 'Why a derived figure is what it is', querystring: figureQuery, response: { 200: figureView } } },
    ({ query: { of } }) => explain(parts, of),
  );
}

async function explain(parts: AppParts, of: string): Promise<FigureView> {
  const [kind, ...key] = toParts(of);
  const found =
    kind === 'check' ? await ofCheck(parts, key) : kind === 'history' ? await ofHistory(parts, key) : await parts.dyno?.figure(of);
  if (!found) throw new EvenburnError('FIGURE_UNKNOWN', { figure: of });
  return found;
}

async function ofCheck({ checks, sessions, station }: AppParts, key: readonly string[]): Promise<FigureView | undefined> {
  const detail = async (session: number) => sessions?.detail({ session, reading: undefined });
  return checks && explainCheckFigure({ checks, recording: station.status().recording.session, detail }, key);
}

async function ofHistory({ engineHistory, sessions, station }: AppParts, key: readonly string[]): Promise<FigureView | undefined> {
  if (!engineHistory || !sessions) return undefined;
  // A session may be gone since it was digested: its figures are told all the same.
  const startUsOf = (session: number) =>
    sessions.detail({ session, reading: undefined }).then(
      ({ fromUs }) => fromUs,
      () => undefined,
    );
  const { vehicle } = station;
  return explainHistoryFigure({ history: await engineHistory.history(vehicle), vehicle, startUsOf }, key);
}

/** @throws EvenburnError FIGURE_UNKNOWN */
function toParts(of: string): string[] {
  try {
    return of.split('/').map(decodeURIComponent);
  } catch {
    throw new EvenburnError('FIGURE_UNKNOWN', { figure: of });
  }
}
