// Pulls and holds of a session, and the distribution study over several.
import { z } from 'zod';
import { pullsView, studyQuery, studyView } from '../contract/pulls.ts';
import type { App, AppParts } from './app.ts';

export function addPullsRoutes(app: App, { dyno }: AppParts): void {
  if (!dyno) return;
  const params = z.object({ session: z.coerce.number().int().min(1) });
  app.get(
    '/api/sessions/:session/pulls',
    { schema: { summary: 'Sweeps and holds, with peaks and spread', params, response: { 200: pullsView } } },
    ({ params: { session } }) => dyno.pulls(session),
  );
  app.get(
    '/api/study',
    { schema: { summary: 'Distribution study of sessions', querystring: studyQuery, response: { 200: studyView } } },
    ({ query }) => dyno.study(query.sessions.split(',').map(Number)),
  );
}
