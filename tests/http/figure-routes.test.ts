// Who is asked why a figure is what it is: by the first part of its address.
import { afterAll, expect, it } from 'vitest';
import { SessionClock } from '../../server/clock.ts';
import type { FigureView } from '../../server/contract/why.ts';
import { EvenburnError } from '../../server/errors.ts';
import { type App, buildApp } from '../../server/http/app.ts';
import { Station } from '../../server/station.ts';
import { smallVehicle } from '../doubles/small-vehicle.ts';

const told = (title: string): FigureView => ({
  title,
  value: 1,
  unit: '',
  isDifference: false,
  rule: 'one',
  source: 'arithmetic',
  worked: [],
  doubts: [],
  stretches: [],
  channels: [],
  figures: [],
});

/** Two judges in workers of their own: neither knows what the other holds. */
const judge = (kind: string) => async (of: string) => {
  if (!of.startsWith(`${kind}/`)) throw new EvenburnError('FIGURE_UNKNOWN', { figure: of });
  return told(of);
};
const station = new Station({ vehicle: smallVehicle(), session: new SessionClock(), sources: [] });
const readiness = { ready: null, items: [{ what: 'oil', now: 84, low: 85, high: 95, ok: false }] };
const app: App = await buildApp({
  station,
  version: '0',
  dyno: { figure: judge('pulls') } as never,
  livePulls: { figure: judge('over'), view: () => ({ timeUs: 5, now: { readiness } }) } as never,
});
afterAll(() => app.close());

const ask = async (of: string) =>
  (await app.inject({ method: 'GET', url: `/api/figures?of=${encodeURIComponent(of)}`, headers: { host: 'localhost' } })).json();

it('of a pull that was driven just now is the live judge, which alone holds it', async () => {
  expect(await ask('over/71353960/peak/1')).toMatchObject({ title: 'over/71353960/peak/1' });
  expect(await ask('pulls/3/2/peak/1')).toMatchObject({ title: 'pulls/3/2/peak/1' });
});

it('of what makes ready is the pull in progress', async () => {
  expect(await ask('ready/oil')).toMatchObject({ value: 84, unit: 'degC' });
  expect(await ask('ready/coolant')).toMatchObject({ error: 'FIGURE_UNKNOWN' });
});

it.each(['', 'between', 'between/1/x', 'samples/1', 'nothing/1', '%'])('of %j is nobody', async (of) => {
  expect(await ask(of)).toMatchObject({ error: expect.stringMatching(/FIGURE_UNKNOWN|REQUEST_WRONG/) });
});
