// The vehicle's files for the editor's pages: read, tried out, saved; and the shapes that guide its forms.
import { z } from 'zod';
import { definitionsView, draftRequest, draftView, saveRequest } from '../contract/definitions.ts';
import { schemaNames, toSchemaText } from '../definitions/json-schemas.ts';
import { definitionDraftBytesMax } from '../limits.ts';
import type { App, AppParts } from './app.ts';

const bodyLimit = definitionDraftBytesMax;

export function addDefinitionRoutes(app: App, { editor }: AppParts): void {
  if (!editor) return;
  app.get('/api/definitions', { schema: { summary: "The vehicle's files on disk", response: { 200: definitionsView } } }, () =>
    editor.read(),
  );
  app.get(
    '/api/definitions/schemas',
    { schema: { summary: 'JSON Schemas of the files', response: { 200: z.record(z.string(), z.unknown()) } } },
    async () => schemas(),
  );
  app.post(
    '/api/definitions/draft',
    {
      bodyLimit,
      schema: { summary: 'Files tried out as a vehicle; nothing is written', body: draftRequest, response: { 200: draftView } },
    },
    ({ body }) => editor.tryDraft(body),
  );
  app.post(
    '/api/definitions/save',
    {
      bodyLimit,
      schema: { summary: 'Write files that are still as they were read', body: saveRequest, response: { 200: definitionsView } },
    },
    ({ body }) => editor.save(body),
  );
}

let made: Record<string, unknown> | undefined;

/** They follow from the program alone. */
function schemas(): Record<string, unknown> {
  made ??= Object.fromEntries(schemaNames.map((name) => [name, JSON.parse(toSchemaText(name))]));
  return made;
}
