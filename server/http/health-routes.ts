// How the program itself is doing.
import { type IntervalHistogram, monitorEventLoopDelay } from 'node:perf_hooks';
import { healthView } from '../contract/status.ts';
import type { App, AppParts } from './app.ts';

export function addHealthRoutes(app: App, { station, version }: AppParts): void {
  let delay: IntervalHistogram | undefined;
  app.addHook('onReady', async () => {
    delay = monitorEventLoopDelay({ resolution: 10 });
    delay.enable();
  });
  app.addHook('onClose', async () => {
    delay?.disable();
  });
  app.get('/api/health', { schema: { summary: 'State of the program', response: { 200: healthView } } }, async () => ({
    version,
    node: process.versions.node,
    vehicle: station.vehicle.name,
    uptimeS: process.uptime(),
    memoryMb: process.memoryUsage().rss / 2 ** 20,
    loopDelayP99Ms: delay ? delay.percentile(99) / 1e6 : 0,
    status: station.status(),
  }));
}
