// Sheets to print: start card, timing and leak sheet, heat-cycle log, reports of checks and their history.
import type { FastifyReply } from 'fastify';
import { z } from 'zod';
import { toCheckHistory, toCheckRunPage } from '../report/check-sheets.ts';
import { toHeatCycleLog, toTimingSheet } from '../report/history-sheets.ts';
import { reportPolicy } from '../report/paper.ts';
import { toStartCard } from '../report/start-card.ts';
import type { App, AppParts } from './app.ts';

export function addPaperRoutes(app: App, { station, checks, engineHistory }: AppParts): void {
  const nowMs = () => station.wallMs();
  app.get('/api/paper/start-card', { schema: { summary: 'The start card, to print' } }, async (_, reply) =>
    send(reply, 'start-card', toStartCard(station.vehicle, nowMs())),
  );
  if (engineHistory) {
    app.get('/api/paper/timing', { schema: { summary: 'Timing, leak, torque and lash, to print' } }, async (_, reply) =>
      send(reply, 'timing', toTimingSheet(await engineHistory.history(station.vehicle), station.vehicle, nowMs())),
    );
    app.get('/api/paper/heat-cycles', { schema: { summary: 'Heat cycles and probe hours, to print' } }, async (_, reply) =>
      send(reply, 'heat-cycles', toHeatCycleLog(await engineHistory.history(station.vehicle), station.vehicle, nowMs())),
    );
  }
  if (!checks) return;
  app.get('/api/paper/checks', { schema: { summary: "History of this vehicle's checks, to print" } }, async (_, reply) => {
    const runs = (await checks.runs.list()).filter(({ vehicle }) => vehicle === station.vehicle.name);
    return send(reply, 'checks', toCheckHistory(station.vehicle.name, runs, nowMs()));
  });
  app.get(
    '/api/paper/checks/:run',
    { schema: { summary: 'Report of a kept run, to print', params: z.object({ run: z.coerce.number().int().min(1) }) } },
    async ({ params: { run } }, reply) => send(reply, `check-run-${run}`, toCheckRunPage(await checks.runs.get(run), nowMs())),
  );
}

/** The page's own style, by its hash, and nothing else. */
function send(reply: FastifyReply, name: string, page: string): FastifyReply {
  return reply
    .header('content-security-policy', `${reportPolicy}; frame-ancestors 'none'; sandbox allow-modals`)
    .header('content-disposition', `inline; filename="${name}.html"`)
    .type('text/html; charset=utf-8')
    .send(page);
}
