// Stretches of channels as bins, from the rolling store.
import { windowQuery, windowView } from '../contract/window.ts';
import type { App, AppParts } from './app.ts';

export function addWindowRoutes(app: App, { station }: AppParts): void {
  app.get(
    '/api/window',
    { schema: { summary: 'Min/max bins of live channels', querystring: windowQuery, response: { 200: windowView } } },
    async (request) => station.window(request.query),
  );
}
