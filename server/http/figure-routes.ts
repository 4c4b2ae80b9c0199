// Why a derived figure is what it is: of a pull, a comparison, a study, a check, the engine's history, a stretch of samples; each by its address.
import type { StatisticsQuery } from '../contract/statistics.ts';
import { type FigureView, figureQuery, figureView } from '../contract/why.ts';
import { toParts } from '../dyno/figure.ts';
import { EvenburnError } from '../errors.ts';
import { explainCheckFigure } from '../live/check-figures.ts';
import { explainHistoryFigure } from '../live/history-figures.ts';
import { explainMean } from '../live/sample-figures.ts';
import type { App, AppParts } from './app.ts';
import type { SessionStore } from './session-routes.ts';

export function addFigureRoutes(app: App, parts: AppParts): void {
  app.get(
    '/api/figures',
    { schema: { summary: 'Why a derived figure is what it is', querystring: figureQuery, response: { 200: figureView } } },
    ({ query: { of } }) => explain(parts, of),
  );
}

type Explain = (parts: AppParts, key: readonly string[]) => Promise<FigureView | undefined>;

/** By the first part of the address; others are the dyno's. */
const explanations: ReadonlyMap<string, Explain> = new Map([
  ['check', ofCheck],
  ['history', ofHistory],
  ['samples', ofSamples],
]);

async function explain(parts: AppParts, of: string): Promise<FigureView> {
  const [kind = '', ...key] = toParts(of) ?? [];
  const explanation = explanations.get(kind);
  const found = explanation ? await explanation(parts, key) : await parts.dyno?.figure(of);
  if (!found) throw new EvenburnError('FIGURE_UNKNOWN', { figure: of });
  return found;
}

async function ofCheck({ checks, sessions, station }: AppParts, key: readonly string[]): Promise<FigureView | undefined> {
  const detail = async (session: number) => sessions?.detail({ session, reading: undefined });
  return checks && explainCheckFigure({ checks, recording: station.status().recording.session, detail }, key);
}

async function ofHistory({ engineHistory, sessions, station }: AppParts, key: readonly string[]): Promise<FigureView | undefined> {
  if (!engineHistory || !sessions) return undefined;
  const { vehicle } = station;
  return explainHistoryFigure({ history: await engineHistory.history(vehicle), vehicle, startUsOf: startUsIn(sessions) }, key);
}

async function ofSamples({ sessions }: AppParts, key: readonly string[]): Promise<FigureView | undefined> {
  if (!sessions) return undefined;
  const statistics = async (session: number, query: StatisticsQuery) =>
    (await sessions.statistics({ session, reading: undefined }, query)).channels[0];
  return explainMean({ statistics, startUsOf: startUsIn(sessions) }, key);
}

/** A session may be gone since a figure of it was computed: what is known is told all the same. */
function startUsIn(sessions: SessionStore): (session: number) => Promise<number | undefined> {
  return (session) =>
    sessions.detail({ session, reading: undefined }).then(
      ({ fromUs }) => fromUs,
      () => undefined,
    );
}

/** @throws EvenburnError FIGURE_UNKNOWN */
