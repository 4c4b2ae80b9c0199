// A replay that several browsers follow: one moves it, all hear of it.
import { z } from 'zod';
import { replayMove, sharedReplay } from '../contract/shared-replay.ts';
import { watchStreamBytesMax } from '../limits.ts';
import { SharedReplays } from '../live/shared-replays.ts';
import type { App } from './app.ts';
import type { EventStreams } from './event-streams.ts';

const sessionParams = z.object({ session: z.coerce.number().int().min(1) });

export function addSharedReplayRoutes(app: App, streams: EventStreams, replays: SharedReplays = new SharedReplays()): void {
  const base = '/api/sessions/:session/replay';
  app.put(
    base,
    {
      schema: {
        summary: 'Move the replay that several browsers follow',
        params: sessionParams,
        body: replayMove,
        response: { 200: sharedReplay },
      },
    },
    async ({ params, body }) => replays.move(params.session, body),
  );
  // Every line says all there is: a page may miss some.
  app.get(`${base}/stream`, { schema: { hide: true, params: sessionParams } }, (request, reply) =>
    streams.start(request, reply, watchStreamBytesMax, (tell) => replays.follow(request.params.session, tell)),
  );
}
