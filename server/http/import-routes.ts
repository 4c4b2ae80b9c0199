// Recorded files from a page: what a file is, the file itself as a stream, and the imports with progress and cancel.
import { Readable } from 'node:stream';
import type { FastifyRequest } from 'fastify';
import type { ZodTypeProvider } from 'fastify-type-provider-zod';
import { z } from 'zod';
import { fileLook, importJob, importQuery, importsView } from '../contract/recorded-import.ts';
import { EvenburnError } from '../errors.ts';
import type { App, AppParts } from './app.ts';
import { boundSilence } from './connections.ts';

const base = '/api/imports';
/** Routes whose body is taken as it comes, however long that takes. */
export const streamedAddresses: ReadonlySet<string> = new Set([base, `${base}/look`]);

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
      (request) => whileBytesCome(request, () => imports.look(toBytes(request.body), request.query)),
    );
    streamed.post(
      base,
      { schema: { summary: 'A recorded file becomes a session', querystring: importQuery, response: { 200: importJob } } },
      (request) => whileBytesCome(request, () => imports.add(toBytes(request.body), request.query)),
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

async function whileBytesCome<T>(request: FastifyRequest, take: () => Promise<T>): Promise<T> {
  const stop = boundSilence(request);
  request.raw.once('end', stop);
  try {
    return await take();
  } finally {
    stop();
  }
}

/** A request without a body has none to read. @throws EvenburnError REQUEST_WRONG */
function toBytes(body: unknown): Readable {
  if (body instanceof Readable) return body;
  throw new EvenburnError('REQUEST_WRONG', { what: "a recorded file's bytes are wanted, as application/octet-stream" });
}
