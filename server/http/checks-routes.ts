// Checks on the live bus: begun, followed, finished and kept; the wiggle and unplug tests; what typed readings of the line mean.
import { z } from 'zod';
import { checkStart, stepAct } from '../contract/check-steps.ts';
import { branchTap, checkRun, checkState, checksView, unplugAsk, watchStart, watchView } from '../contract/checks.ts';
import { watchStreamBytesMax } from '../limits.ts';
import type { CheckDesk } from '../live/check-desk.ts';
import type { LiveChecks } from '../live/live-checks.ts';
import type { App, AppParts } from './app.ts';
import type { EventStreams } from './event-streams.ts';
import { addHandRoutes } from './hand-test-routes.ts';

export function addChecksRoutes(app: App, parts: AppParts, streams: EventStreams): void {
  addHandRoutes(app, parts);
  const { checks } = parts;
  if (!checks) return;
  addRunningRoutes(app, checks);
  addWatchRoutes(app, checks.live, streams);
}

function addRunningRoutes(app: App, { live, runs, guided }: CheckDesk): void {
  app.get('/api/checks', { schema: { summary: 'The running check and the kept runs', response: { 200: checksView } } }, async () => ({
    running: guided.state(),
    runs: await runs.list(),
    watching: live.watch().watching,
    procedures: guided.procedures() as never,
  }));
  app.get('/api/checks/running', { schema: { summary: 'The running check', response: { 200: checkState.nullable() } } }, async () =>
    guided.state(),
  );
  app.post(
    '/api/checks/running',
    { schema: { summary: 'Begin a check', body: checkStart, response: { 200: checkState } } },
    ({ body: { check, order, by } }) => guided.start(check, by, order),
  );
  app.post(
    '/api/checks/running/steps',
    { schema: { summary: 'Go to a step, settle it, or skip it with a reason', body: stepAct, response: { 200: checkState } } },
    ({ body }) => guided.act(body),
  );
  app.post('/api/checks/running/finish', { schema: { summary: 'Judge and keep it', response: { 200: checkRun } } }, () => guided.finish());
  app.delete('/api/checks/running', { schema: { summary: 'Drop it', response: { 200: z.object({}) } } }, async () => {
    await guided.drop();
    return {};
  });
  app.get(
    '/api/checks/runs/:run',
    { schema: { summary: 'A kept run', params: z.object({ run: z.coerce.number().int().min(1) }), response: { 200: checkRun } } },
    ({ params }) => runs.get(params.run),
  );
}

function addWatchRoutes(app: App, live: LiveChecks, streams: EventStreams): void {
  const answer = { 200: watchView };
  const base = '/api/checks/watch';
  app.get(base, { schema: { summary: 'Wiggle and unplug test', response: answer } }, async () => live.watch());
  app.post(base, { schema: { summary: 'Begin anew', body: watchStart, response: answer } }, async ({ body }) =>
    live.startWatch(body.channels),
  );
  app.delete(base, { schema: { summary: 'End', response: answer } }, async () => {
    live.stopWatch();
    return live.watch();
  });
  app.post(`${base}/branch`, { schema: { summary: 'The branch being moved', body: branchTap, response: answer } }, async ({ body }) =>
    live.setBranch(body.branch),
  );
  app.post(`${base}/unplug`, { schema: { summary: 'The device to be unplugged', body: unplugAsk, response: answer } }, async ({ body }) =>
    live.unplug(body.device),
  );
  // A page that missed lines sees the gap in the numbers and asks for all.
  app.get(`${base}/stream`, { schema: { hide: true } }, (request, reply) =>
    streams.start(request, reply, watchStreamBytesMax, (tell) => {
      tell(live.watch());
      return live.listen(tell);
    }),
  );
}
