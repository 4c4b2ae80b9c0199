// Pulls and holds of a session, two sets of them compared, trials judged, and the distribution study over several sessions.
import { z } from 'zod';
import { type PullNowView, pullNow } from '../contract/pull-now.ts';
import { compareQuery, pullsView, setComparisonView, studyQuery, studyView, trialView } from '../contract/pulls.ts';
import { pullStreamBytesMax } from '../limits.ts';
import type { App, AppParts } from './app.ts';

export function addPullsRoutes(app: App, { dyno, station, livePulls }: AppParts): void {
  if (livePulls) addLiveRoutes(app, livePulls);
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

function addLiveRoutes(app: App, livePulls: NonNullable<AppParts['livePulls']>): void {
  app.get('/api/pulls/now', { schema: { summary: 'The pull in progress, and the last one', response: { 200: pullNow } } }, async () =>
    livePulls.view(),
  );
  app.get('/api/pulls/now/stream', { schema: { hide: true } }, (request, reply) => {
    reply.hijack();
    const { raw } = reply;
    for (const [name, value] of Object.entries(reply.getHeaders())) if (value !== undefined) raw.setHeader(name, value);
    raw.writeHead(200, { 'content-type': 'text/event-stream', 'cache-control': 'no-store' });
    const send = (view: PullNowView) => {
      // A page that can't keep up misses lines, never memory of ours; it sees by `overVersion` that it missed what was said of a pull.
      if (raw.writableLength < pullStreamBytesMax) raw.write(`data: ${JSON.stringify(view)}\n\n`);
    };
    send(livePulls.view());
    request.raw.once('close', livePulls.listen(send));
  });
}
