// Streams of server-sent events to pages: opened in one place, bounded in number, by browser and in what waits to be taken.
// The form is `text/event-stream` of the HTML standard.
import type { FastifyReply, FastifyRequest } from 'fastify';
import { EvenburnError } from '../errors.ts';
import { eventStreamsMax, eventStreamsPerHolderMax, streamHeartbeatMs } from '../limits.ts';
import type { Access } from './access.ts';
import { HeldOpen } from './held-open.ts';

/** Tells one page something, as JSON. */
export type Tell = (view: unknown) => void;

export class EventStreams {
  private readonly access: Access | undefined;
  private readonly open = new HeldOpen(eventStreamsMax, eventStreamsPerHolderMax);

  /** @param access Without it everybody is at the computer itself. */
  constructor(access: Access | undefined) {
    this.access = access;
  }

  /**
   * Answers a request with a stream for as long as its page is there. A page that can't keep up misses lines and takes no memory of ours.
   * @param waitingBytesMax Beyond this much that the page hasn't taken, lines are left out.
   * @param follow Called with what tells this page; what it returns is called when the page has gone.
   * @throws EvenburnError STREAMS_TOO_MANY
   */
  start(request: FastifyRequest, reply: FastifyReply, waitingBytesMax: number, follow: (tell: Tell) => () => void): void {
    const { headers, socket } = request;
    const giveBack = this.open.take(this.access?.holderOf({ headers, remoteAddress: socket.remoteAddress }));
    if (!giveBack) throw new EvenburnError('STREAMS_TOO_MANY');
    reply.hijack();
    const { raw } = reply;
    for (const [name, value] of Object.entries(reply.getHeaders())) if (value !== undefined) raw.setHeader(name, value);
    raw.writeHead(200, { 'content-type': 'text/event-stream', 'cache-control': 'no-store' });
    const write = (line: string) => {
      if (raw.writableLength < waitingBytesMax) raw.write(line);
    };
    const leave = follow((view) => write(`data: ${JSON.stringify(view)}\n\n`));
    // A line that says nothing, so that a connection that is gone is noticed.
    const heartbeat = setInterval(() => write(':\n\n'), streamHeartbeatMs);
    raw.once('close', () => {
      clearInterval(heartbeat);
      leave();
      giveBack();
    });
  }
}
