// Alarms: what stands, what happened, and acknowledging.
import { z } from 'zod';
import { acknowledgeRequest, alarmHistory } from '../contract/alarms.ts';
import type { App, AppParts } from './app.ts';

export function addAlarmRoutes(app: App, { station }: AppParts): void {
  app.get(
    '/api/alarms',
    {
      schema: {
        summary: 'Alarms that stand, and events after a number',
        querystring: z.object({ after: z.coerce.number().int().min(0).default(0) }),
        response: { 200: alarmHistory },
      },
    },
    async (request) => station.alarmHistory(request.query.after),
  );
  app.post(
    '/api/alarms/:name/acknowledge',
    {
      schema: {
        summary: 'Acknowledge an alarm',
        params: z.object({ name: z.string().min(1).max(200) }),
        body: acknowledgeRequest.nullish(),
        response: { 200: alarmHistory },
      },
    },
    async (request) => {
      await station.acknowledge(request.params.name, request.body?.by ?? 'crew');
      return station.alarmHistory(Number.MAX_SAFE_INTEGER);
    },
  );
}
