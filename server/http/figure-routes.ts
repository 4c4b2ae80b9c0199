// Why a derived figure is what it is: of a pull, a comparison, a study, a check, the engine's history, a stretch of samples; each by its address.
import type { StatisticsQuery } from '../contract/statistics.ts';
import { type FigureView, figureQuery, figureView } from '../contract/why.ts';
import { toParts } from '../dyno/figure.ts';
import { EvenburnError } from '../errors.ts';
import { explainBesideLast } from '../live/beside-figure.ts';
import { explainCheckFigure } from '../live/check-figures.ts';
import { explainHistoryFigure } from '../live/history-figures.ts';
import { explainReadiness } from '../live/ready-figure.ts';
import { explainBetween, explainMean, type SampleFigureParts } from '../live/sample-figures.ts';
import type { App, AppParts } from './app.ts';
import type { SessionStore } from './session-routes.ts';

export function addFigureRoutes(app: App, parts: AppParts): void {
  app.get(
    '/api/figures',
    { schema: { summary: 'Why a derived figure is what it is', querystring: figureQuery, response: { 200: figureView } } },
    ({ query: { of } }) => explain(parts, of),
  );
}

type Explain = (parts: AppParts, key: readonly string[], of: string) => Promise<FigureView | undefined>;

/** By the first part of the address; others are the dyno's. */
const explanations: ReadonlyMap<string, Explain> = new Map([
  ['check', ofCheck],
  ['history', ofHistory],
  ['samples', ofSamples(explainMean)],
  ['between', ofSamples(explainBetween)],
  ['ready', ofReadiness],
  ['beside', ofBeside],
  // What was driven just now is held by its own judge alone.
  ['over', async ({ livePulls }, _, of) => livePulls?.figure(of)],
]);

async function explain(parts: AppParts, of: string): Promise<FigureView> {
  const [kind = '', ...key] = toParts(of) ?? [];
  const explanation = explanations.get(kind);
  const found = explanation ? await explanation(parts, key, of) : await parts.dyno?.figure(of);
  if (!found) throw new EvenburnError('FIGURE_UNKNOWN', { figure: of });
  return found;
}

async function ofCheck({ checks, sessions, station }: AppParts, key: readonly string[]): Promise<FigureView | undefined> {
  const detail = async (session: number) => sessions?.detail({ session, reading: undefined });
  return checks && explainCheckFigure({ checks, vehicle: station.vehicle, recording: station.status().recording.session, detail }, key);
}

async function ofHistory({ engineHistory, sessions, station }: AppParts, key: readonly string[]): Promise<FigureView | undefined> {
  if (!engineHistory || !sessions) return undefined;
  const { vehicle } = station;
  return explainHistoryFigure({ history: await engineHistory.history(vehicle), vehicle, startUsOf: startUsIn(sessions) }, key);
}

function ofSamples(explainSamples: (parts: SampleFigureParts, key: readonly string[]) => Promise<FigureView | undefined>): Explain {
  return async ({ sessions }, key) => {
    if (!sessions) return undefined;
    const shown = (session: number) => ({ session, reading: undefined });
    const statistics = async (session: number, query: StatisticsQuery) => (await sessions.statistics(shown(session), query)).channels[0];
    const valueAt = async (session: number, channel: string, atUs: number) => (await sessions.why(shown(session), channel, atUs)).nodes[0];
    return explainSamples({ statistics, valueAt, startUsOf: startUsIn(sessions) }, key);
  };
}

async function ofReadiness({ livePulls, station }: AppParts, [what = '']: readonly string[]): Promise<FigureView | undefined> {
  return (
    livePulls && explainReadiness({ vehicle: station.vehicle, view: livePulls.view(), recording: station.status().recording.session }, what)
  );
}

async function ofBeside({ livePulls, station }: AppParts, [quantity = '']: readonly string[]): Promise<FigureView | undefined> {
  return livePulls && explainBesideLast({ view: livePulls.view(), recording: station.status().recording.session }, quantity);
}

/** A session may be gone since a figure of it was computed: what is known is told all the same. */
function startUsIn(sessions: SessionStore): (session: number) => Promise<number | undefined> {
  return (session) =>
    sessions.detail({ session, reading: undefined }).then(
      ({ fromUs }) => fromUs,
      () => undefined,
    );
}
