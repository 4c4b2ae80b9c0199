// The harness: pins, circuits, what to unplug, and continuity readings signed off.
import { harnessView, signOffRequest } from '../contract/harness.ts';
import { EvenburnError } from '../errors.ts';
import { toHarnessView, toSignOff } from '../harness/harness-to-view.ts';
import type { App, AppParts } from './app.ts';

export function addHarnessRoutes(app: App, { station, signOffs }: AppParts): void {
  const view = async () => toHarnessView(station.vehicle, signOffs ? await signOffs.list() : []);
  app.get(
    '/api/harness',
    { schema: { summary: 'The harness; null without harness.yaml', response: { 200: harnessView.nullable() } } },
    view,
  );
  if (!signOffs) return;
  app.post(
    '/api/harness/sign-offs',
    { schema: { summary: 'Sign a continuity reading', body: signOffRequest, response: { 200: harnessView.nullable() } } },
    async ({ body: { run, ohm, by } }) => {
      const entry = toSignOff(station.vehicle, run, ohm === 'open' ? Number.POSITIVE_INFINITY : ohm, by, station.wallMs());
      if (!entry) throw new EvenburnError('HARNESS_RUN_UNKNOWN', { run });
      await signOffs.add(entry);
      return view();
    },
  );
}
