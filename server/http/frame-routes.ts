// All frames: every id seen, bit by bit.
import { framesView } from '../contract/frames.ts';
import type { App, AppParts } from './app.ts';

export function addFrameRoutes(app: App, { station }: AppParts): void {
  app.get('/api/frames', { schema: { summary: 'Every id seen on the buses', response: { 200: framesView } } }, async () =>
    station.frames(),
  );
}
