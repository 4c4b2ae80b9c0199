// Photos and logs that belong to entries of the log book: sent once, named by what is in them.
import { z } from 'zod';
import { attachmentName } from '../contract/log-book.ts';
import { attachmentBytesMax } from '../limits.ts';
import type { App, AppParts } from './app.ts';

const base = '/api/attachments';

export function addAttachmentRoutes(app: App, { attachments }: AppParts): void {
  if (!attachments) return;
  app.register(async (bounded) => {
    bounded.addContentTypeParser(
      ['image/jpeg', 'image/png', 'text/csv', 'application/octet-stream'],
      { parseAs: 'buffer', bodyLimit: attachmentBytesMax },
      (_, body, done) => done(null, body),
    );
    bounded.post(
      base,
      {
        bodyLimit: attachmentBytesMax,
        schema: { summary: 'Keep a photo (JPEG, PNG) or a log (CSV)', response: { 200: z.object({ name: attachmentName }) } },
      },
      async ({ body }) => ({ name: await attachments.add(Buffer.isBuffer(body) ? body : Buffer.alloc(0)) }),
    );
  });
  app.get(
    `${base}/:name`,
    { schema: { summary: 'A photo or a log', params: z.object({ name: z.string().max(100) }) } },
    async ({ params: { name } }, reply) => {
      const { bytes, mediaType } = await attachments.get(name);
      return reply.header('cache-control', 'private, max-age=31536000, immutable').type(mediaType).send(bytes);
    },
  );
}
