// Recorded files from a page: what a file is, the file itself as a stream, and the imports with progress and cancel.
import { Readable } from 'node:stream';
import type { ZodTypeProvider } from 'fastify-type-provider-zod';
import { z } from 'zod';
import { fileLook, importJob, importQuery, importsView } from '../contract/recorded-import.ts';
import { EvenburnError } from '../errors.ts';
import type { App, AppParts } from './app.ts';

const base = '/api/imports';

export function addImportRoutes(app: App, { imports }: AppParts): void {
  if (!imports) return;
  app.register(async (plain) => {
    const streamed = plain.withTypeProvider<ZodTypeProvider>();
    // The bytes go to the disk as they come; they are counted and bounded there.
    streamed.removeAllContentTypeParsers();
    streamed.addContentTypeParser('application/octet-stream', (_request, payload, done) => done(null, payload));
    streamed.post(
      `${base}/look`,
      { schema: { summary: 'What the beginning of a recorded file says', querystring: importQuery, response: { 200: fileLook } } },
      ({ body, query }) => imports.look(toBytes(body), query),
    );
    streamed.post(
      base,
      { schema: { summary: 'A recorded file becomes a session', querystring: importQuery, response: { 200: importJob } } },
      ({ body, query }) => imports.add(toBytes(body), query),
    );
  });
  app.get(base, { schema: { summary: 'Imports that wait, run and are over', response: { 200: importsView } } }, async () => ({
    jobs: imports.list(),
  }));
  app.delete(
    `${base}/:job`,
    { schema: { summary: 'Cancel one', params: z.object({ job: z.coerce.number().int().min(1) }), response: { 200: importJob } } },
    async ({ params: { job } }) => imports.cancel(job),
  );
}

/** A request without a body has none to read. @throws EvenburnError REQUEST_WRONG */
function toBytes(body: unknown): Readable {
  if (body instanceof Readable) return body;
  throw new EvenburnError('REQUEST_WRONG', { what: "a recorded file's bytes are wanted, as application/octet-stream" });
}
