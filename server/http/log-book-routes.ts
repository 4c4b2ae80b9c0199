// The log book: what people wrote down about the vehicle.
import { z } from 'zod';
import { logEntry, logEntryRequest } from '../contract/log-book.ts';
import type { App, AppParts } from './app.ts';

export function addLogBookRoutes(app: App, { station, logBook }: AppParts): void {
  if (!logBook) return;
  app.get(
    '/api/log-book',
    { schema: { summary: 'Everything written down about this vehicle, oldest first', response: { 200: z.array(logEntry) } } },
    () => logBook.list(station.vehicle.name),
  );
  app.post(
    '/api/log-book',
    { schema: { summary: 'Write an entry down', body: logEntryRequest, response: { 200: logEntry } } },
    ({ body }) => logBook.add(body, station.vehicle.name, station.wallMs(), station.status().recording.session),
  );
}
