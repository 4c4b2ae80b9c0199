// Addresses of recorded sessions: what they pass on to the store, and how its refusals come back.
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { SessionClock } from '../../server/clock.ts';
import type { SessionView } from '../../server/contract/sessions.ts';
import { EvenburnError } from '../../server/errors.ts';
import { type App, buildApp } from '../../server/http/app.ts';
import type { SessionStore } from '../../server/http/session-routes.ts';
import { Station } from '../../server/station.ts';
import { smallVehicle } from '../doubles/small-vehicle.ts';

const stored: SessionView = {
  session: 3,
  vehicle: 'Bench',
  startedWallMs: 1_800_000_000_000,
  endedWallMs: null,
  state: 'open',
  seconds: 12.5,
  frames: 600,
  bytes: 40_000,
  pinned: false,
  name: '',
  note: '',
  tags: ['dyno'],
  conditions: { fuel: 'methanol' },
  marks: [],
  origin: 'live',
  alarms: { advisory: 0, caution: 2, warning: 1 },
  lost: 0,
  pulls: null,
  spark: { channel: 'engine_speed', bins: [[900, 1000], null] },
};

const listed = {
  sessions: [stored],
  all: 1,
  laidAside: [{ session: 2, sinceWallMs: 5, untilWallMs: 6, bytes: 7 }],
  keep: { bytes: 40_000, freeBytes: 9e9, warningBytes: 2e9, bytesMax: null, daysMax: 30 },
};

/** Knows session 3 alone, and notes what it was asked. */
class OneSession implements SessionStore {
  asked: unknown[] = [];

  private note(name: string, session: number, ...rest: unknown[]): void {
    if (session !== 3) throw new EvenburnError('SESSION_UNKNOWN', { session });
    this.asked.push([name, session, ...rest]);
  }

  async list(search?: string) {
    return search === 'nothing' ? { ...listed, sessions: [] } : listed;
  }

  async detail({ session, reading }: { session: number; reading: number | undefined }): Promise<never> {
    this.note('detail', session, reading);
    throw new EvenburnError('READING_UNKNOWN', { session, reading: reading ?? 0 });
  }

  async instant({ session, reading }: { session: number; reading: number | undefined }, atUs: number) {
    this.note('instant', session, reading, atUs);
    return { timeUs: atUs, wallMs: 0, values: [1.5, null], quality: [0, 4], alarms: { sequence: 0, active: [] } };
  }

  async step({ session }: { session: number }, atUs: number, to: 'next' | 'previous') {
    this.note('step', session, atUs, to);
    return { timeUs: to === 'next' ? atUs + 20_000 : null };
  }

  async window({ session }: { session: number }, query: unknown) {
    this.note('window', session, query);
    return { epoch: 0, timeUs: 0, widthUs: 10_000, first: 0, count: 0, traces: [] };
  }

  async statistics({ session }: { session: number }, query: unknown) {
    this.note('statistics', session, query);
    return { channels: [] };
  }

  async why({ session }: { session: number }, channel: string, atUs: number) {
    this.note('why', session, channel, atUs);
    return { epoch: 0, timeUs: atUs, wallMs: 0, nodes: [] };
  }

  async change(session: number, change: { note?: string | undefined; pinned?: boolean | undefined }) {
    this.note('change', session, change);
    return { ...stored, note: change.note ?? '' };
  }

  async remove(session: number) {
    this.note('remove', session);
  }

  async restore(session: number) {
    this.note('restore', session);
  }
}

const store = new OneSession();
const headers = { host: 'localhost' };
let app: App;

beforeAll(async () => {
  const station = new Station({ vehicle: smallVehicle(), sources: [], session: new SessionClock() });
  app = await buildApp({ station, version: '1.2.3', sessions: store });
});

afterAll(() => app.close());

describe('the addresses of sessions', () => {
  it('list them', async () => {
    expect((await app.inject({ url: '/api/sessions', headers })).json()).toEqual(listed);
    expect((await app.inject({ url: '/api/sessions?search=nothing', headers })).json()).toEqual({ ...listed, sessions: [] });
  });

  it.each([
    ['GET', '/api/sessions/3/instant?at=1700000000000454', undefined, ['instant', 3, undefined, 1700000000000454]],
    ['GET', '/api/sessions/3/instant?at=5&reading=2', undefined, ['instant', 3, 2, 5]],
    ['GET', '/api/sessions/3/step?at=5&to=previous', undefined, ['step', 3, 5, 'previous']],
    [
      'GET',
      '/api/sessions/3/window?channels=a,b&from=0&to=9&pixels=5',
      undefined,
      ['window', 3, { channels: 'a,b', from: 0, to: 9, pixels: 5 }],
    ],
    [
      'GET',
      '/api/sessions/3/statistics?channels=a&from=1&to=2&axis=engine_speed&axisFrom=1500.5',
      undefined,
      ['statistics', 3, { channels: 'a', from: 1, to: 2, axis: 'engine_speed', axisFrom: 1500.5 }],
    ],
    ['GET', '/api/sessions/3/why/oil?at=5', undefined, ['why', 3, 'oil', 5]],
    ['PATCH', '/api/sessions/3', { note: 'Second pull', pinned: true }, ['change', 3, { note: 'Second pull', pinned: true }]],
    ['DELETE', '/api/sessions/3', undefined, ['remove', 3]],
    ['POST', '/api/sessions/3/restore', {}, ['restore', 3]],
  ] as const)('%s %s asks the store', async (method, url, payload, asked) => {
    store.asked = [];
    const answer = await app.inject({ method, url, headers, ...(payload ? { payload } : {}) });
    expect(answer.statusCode).toBe(200);
    expect(store.asked).toEqual([asked]);
  });

  it.each([
    ['/api/sessions/4/instant?at=5', 404, 'SESSION_UNKNOWN'],
    ['/api/sessions/3?reading=9', 404, 'READING_UNKNOWN'],
    ['/api/sessions/0/instant?at=5', 400, 'REQUEST_WRONG'],
    ['/api/sessions/three', 400, 'REQUEST_WRONG'],
    ['/api/sessions/3/instant', 400, 'REQUEST_WRONG'],
    ['/api/sessions/3/step?at=5&to=sideways', 400, 'REQUEST_WRONG'],
  ])('%s is refused with %i %s', async (url, status, code) => {
    const answer = await app.inject({ url, headers });
    expect([answer.statusCode, answer.json().error]).toEqual([status, code]);
  });

  it('are in the document of the interface', async () => {
    const { paths } = (await app.inject({ url: '/api/openapi.json', headers })).json();
    expect(Object.keys(paths)).toEqual(
      expect.arrayContaining(['/api/sessions', '/api/sessions/{session}', '/api/sessions/{session}/window']),
    );
  });
});
