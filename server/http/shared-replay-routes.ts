// A replay that several browsers follow: one moves it, all hear of it.
import { z } from 'zod';
import { type ReplayNews, replayMove, sharedReplay } from '../contract/shared-replay.ts';
import { watchStreamBytesMax } from '../limits.ts';
import { SharedReplays } from '../live/shared-replays.ts';
import type { App } from './app.ts';

const sessionParams = z.object({ session: z.coerce.number().int().min(1) });
/** A line that says nothing, so that a connection that is gone is noticed. */
const heartbeatMs = 15_000;

export function addSharedReplayRoutes(app: App, replays: SharedReplays = new SharedReplays()): void {
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
  app.get(`${base}/stream`, { schema: { hide: true, params: sessionParams } }, (request, reply) => {
    reply.hijack();
    const { raw } = reply;
    for (const [name, value] of Object.entries(reply.getHeaders())) if (value !== undefined) raw.setHeader(name, value);
    raw.writeHead(200, { 'content-type': 'text/event-stream', 'cache-control': 'no-store' });
    const write = (line: string) => {
      // Every line says all there is: a page that can't keep up misses some, and takes no memory of ours.
      if (raw.writableLength < watchStreamBytesMax) raw.write(line);
    };
    const leave = replays.follow(request.params.session, (news: ReplayNews) => write(`data: ${JSON.stringify(news)}\n\n`));
    const heartbeat = setInterval(() => write(':\n\n'), heartbeatMs);
    request.raw.once('close', () => {
      clearInterval(heartbeat);
      leave();
    });
  });
}
