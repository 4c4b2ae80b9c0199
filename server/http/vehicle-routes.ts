// The definition set in force, and where any of its numbers comes from.
import { z } from 'zod';
import { vehicleView } from '../contract/vehicle-view.ts';
import { whyView } from '../contract/why.ts';
import { channelNameMax } from '../limits.ts';
import type { App, AppParts } from './app.ts';

export function addVehicleRoutes(app: App, { station }: AppParts): void {
  app.get('/api/vehicle', { schema: { summary: 'Vehicle in force', response: { 200: vehicleView } } }, async () => station.vehicleView());
  app.get(
    '/api/why/:channel',
    {
      schema: {
        summary: 'Where a number comes from, down to the wire',
        params: z.object({ channel: z.string().min(1).max(channelNameMax) }),
        response: { 200: whyView },
      },
    },
    async (request) => station.why(request.params.channel),
  );
}
