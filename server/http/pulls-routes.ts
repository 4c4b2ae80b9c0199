// Pulls and holds of a session, two sets of them compared, trials judged, and the distribution study over several sessions.
import { z } from 'zod';
import { pullNow } from '../contract/pull-now.ts';
import { compareQuery, pullsView, setComparisonView, studyQuery, studyView, trialView } from '../contract/pulls.ts';
import { pullStreamBytesMax } from '../limits.ts';
import type { App, AppParts } from './app.ts';
import type { EventStreams } from './event-streams.ts';

export function addPullsRoutes(app: App, { dyno, station, livePulls }: AppParts, streams: EventStreams): void {
  if (livePulls) addLiveRoutes(app, livePulls, streams);
  if (!dyno) return;
  const params = z.object({ session: z.coerce.number().int().min(1) });
  app.get(
    '/api/sessions/:session/pulls',
    { schema: { summary: 'Sweeps and holds, with all that is said of each', params, response: { 200: pullsView } } },
    ({ params: { session } }) => dyno.pulls(session),
  );
  app.get(
    '/api/pulls/compare',
    { schema: { summary: 'Two sets of pulls compared', querystring: compareQuery, response: { 200: setComparisonView } } },
    ({ query }) => dyno.compare(query),
  );
  app.get('/api/trials', { schema: { summary: 'Trials of the log book, judged', response: { 200: z.array(trialView) } } }, () =>
    dyno.trials(station.vehicle.name),
  );
  app.get(
    '/api/study',
    { schema: { summary: 'Distribution study of sessions', querystring: studyQuery, response: { 200: studyView } } },
    ({ query }) => dyno.study(query.sessions.split(',').map(Number)),
  );
}

function addLiveRoutes(app: App, livePulls: NonNullable<AppParts['livePulls']>, streams: EventStreams): void {
  app.get('/api/pulls/now', { schema: { summary: 'The pull in progress, and the last one', response: { 200: pullNow } } }, async () =>
    livePulls.view(),
  );
  // A page that missed lines sees by `overVersion` that it missed what was said of a pull.
  app.get('/api/pulls/now/stream', { schema: { hide: true } }, (request, reply) =>
    streams.start(request, reply, pullStreamBytesMax, (tell) => {
      tell(livePulls.view());
      return livePulls.listen(tell);
    }),
  );
}
