// The beginning of a vehicle: what could be listened to, and the new start with it.
import { beginningRequest, beginningView } from '../contract/beginning.ts';
import type { App, AppParts } from './app.ts';

export function addBeginningRoutes(app: App, { beginning }: AppParts): void {
  if (!beginning) return;
  const response = { 200: beginningView };
  app.get('/api/beginning', { schema: { summary: 'What is served, and what could be listened to', response } }, () => beginning.view());
  app.post(
    '/api/beginning',
    { schema: { summary: 'Serve another folder or other sources; the server starts again', body: beginningRequest, response } },
    ({ body }) => beginning.begin(body),
  );
}
