// Why a derived figure is what it is: of a pull, a comparison, a study, a check; each by its address.
import { type FigureView, figureQuery, figureView } from '../contract/why.ts';
import { EvenburnError } from '../errors.ts';
import { explainCheckFigure } from '../live/check-figures.ts';
import type { App, AppParts } from './app.ts';

export function addFigureRoutes(app: App, parts: AppParts): void {
  app.get(
    '/api/figures',
    { schema: { summary: 'Why a derived figure is what it is', querystring: figureQuery, response: { 200: figureView } } },
    ({ query: { of } }) => explain(parts, of),
  );
}

async function explain({ dyno, checks, sessions, station }: AppParts, of: string): Promise<FigureView> {
  const unknown = () => new EvenburnError('FIGURE_UNKNOWN', { figure: of });
  if (!of.startsWith('check/')) {
    if (!dyno) throw unknown();
    return dyno.figure(of);
  }
  if (!checks) throw unknown();
  const detail = (session: number) => (sessions ? sessions.detail({ session, reading: undefined }) : Promise.reject(unknown()));
  const found = await explainCheckFigure({ checks, recording: station.status().recording.session, detail }, of.split('/').slice(1));
  if (!found) throw unknown();
  return found;
}
