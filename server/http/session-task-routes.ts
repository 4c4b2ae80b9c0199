// Long work on recorded sessions: reports, exports, re-reading with progress and cancel, and what two readings differ in.
import type { Readable } from 'node:stream';
import { z } from 'zod';
import {
  type ExportQuery,
  exportQuery,
  type ReadingsComparison,
  type RereadJob,
  readingsComparison,
  rereadStart,
  rereadsView,
} from '../contract/session-tasks.ts';
import { reportPolicy } from '../report/paper.ts';
import type { App, AppParts } from './app.ts';
import { boundTaking } from './connections.ts';
import type { SessionAddress } from './session-routes.ts';

/** What does the work, in workers. Errors: SESSION_UNKNOWN, READING_UNKNOWN, CHANNEL_UNKNOWN, SESSION_DAMAGED, REREAD_UNKNOWN. */
export interface SessionTaskDesk {
  report(of: SessionAddress): Promise<string>;
  export(session: number, query: ExportQuery): Promise<{ name: string; bytes: Readable }>;
  compare(session: number, reading: number, against: number): Promise<ReadingsComparison>;
  rereads(): RereadJob[];
  reread(sessions: readonly number[], use: boolean): void;
  cancel(job?: number): void;
  /** It waits to be read again, or is being read. */
  isBusy(session: number): boolean;
}

const sessionParams = z.object({ session: z.coerce.number().int().min(1) });
const number = z.coerce.number().int().min(1);

export function addSessionTaskRoutes(app: App, { tasks }: AppParts): void {
  if (!tasks) return;
  const base = '/api/sessions/:session';
  app.get(
    `${base}/report`,
    {
      schema: {
        summary: 'The session as one HTML page that prints',
        params: sessionParams,
        querystring: z.object({ reading: number.optional() }),
      },
    },
    async ({ params: { session }, query: { reading } }, reply) => {
      const page = await tasks.report({ session, reading });
      // The page's own style, by its hash, and nothing else.
      return reply
        .header('content-security-policy', `${reportPolicy}; frame-ancestors 'none'; sandbox allow-modals`)
        .header('content-disposition', `inline; filename="session-${session}.html"`)
        .type('text/html; charset=utf-8')
        .send(page);
    },
  );
  app.get(
    `${base}/export`,
    { schema: { summary: 'The session as a file', params: sessionParams, querystring: exportQuery } },
    async ({ params: { session }, query }, reply) => {
      const { name, bytes } = await tasks.export(session, query);
      boundTaking(reply);
      return reply.header('content-disposition', `attachment; filename="${name}"`).type('application/octet-stream').send(bytes);
    },
  );
  app.get(
    `${base}/readings/:reading/against/:against`,
    {
      schema: {
        summary: 'What is different between two readings',
        params: sessionParams.extend({ reading: number, against: number }),
        response: { 200: readingsComparison },
      },
    },
    ({ params: { session, reading, against } }) => tasks.compare(session, reading, against),
  );
  addRereadRoutes(app, tasks);
}

function addRereadRoutes(app: App, tasks: SessionTaskDesk): void {
  const jobs = async () => ({ jobs: tasks.rereads() });
  const response = { 200: rereadsView };
  app.get('/api/rereads', { schema: { summary: 'Sessions that are read again', response } }, jobs);
  app.post(
    '/api/rereads',
    { schema: { summary: "Read sessions again by today's definitions", body: rereadStart, response } },
    ({ body }) => {
      tasks.reread(body.sessions, body.use);
      return jobs();
    },
  );
  app.delete('/api/rereads', { schema: { summary: 'Cancel all', response } }, () => {
    tasks.cancel();
    return jobs();
  });
  app.delete(
    '/api/rereads/:job',
    { schema: { summary: 'Cancel one', params: z.object({ job: number }), response } },
    ({ params: { job } }) => {
      tasks.cancel(job);
      return jobs();
    },
  );
}
