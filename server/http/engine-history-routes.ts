// The engine's history over all its sessions.
import { engineHistoryView } from '../contract/engine-history.ts';
import type { App, AppParts } from './app.ts';

export function addEngineHistoryRoutes(app: App, { station, engineHistory }: AppParts): void {
  if (!engineHistory) return;
  app.get(
    '/api/engine-history',
    {
      schema: {
        summary: 'Timing, heat cycles, probes, starts and leak-down over all sessions of this vehicle',
        response: { 200: engineHistoryView },
      },
    },
    () => engineHistory.history(station.vehicle),
  );
}
