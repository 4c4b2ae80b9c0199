// Every address by injection: answers, refusals, bounds, policy and files.
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { SessionClock } from '../../server/clock.ts';
import { type App, buildApp } from '../../server/http/app.ts';
import { httpRequestsPerMinuteMax } from '../../server/limits.ts';
import { Station } from '../../server/station.ts';
import { ScriptedSource } from '../doubles/scripted-source.ts';
import { smallVehicle } from '../doubles/small-vehicle.ts';
import { until } from '../waiting.ts';

let app: App;
let station: Station;
let web: string;
const host = 'localhost:8414';

beforeAll(async () => {
  web = mkdtempSync(join(tmpdir(), 'evenburn-web-'));
  mkdirSync(join(web, 'assets'));
  writeFileSync(join(web, 'index.html'), '<!doctype html><title>Evenburn</title>');
  writeFileSync(join(web, 'assets', 'main-0a1b2c3d.js'), '0;');
  writeFileSync(join(web, '..', 'outside.txt'), 'secret');
  const source = new ScriptedSource(0);
  station = new Station({ vehicle: smallVehicle(), sources: [source], session: new SessionClock() });
  station.start({ alarmChanged: () => undefined, statusChanged: () => undefined, definitionsChanged: () => undefined });
  source.give(5_000, 0x100, [0x03, 0xe8, 0x01, 0x2c]);
  await until(() => station.alarms().active.length === 1, 'the alarm');
  app = await buildApp({ station, version: '1.2.3', webFolder: web });
  await app.ready();
});

afterAll(async () => {
  await app.close();
  await station.stop();
  rmSync(web, { recursive: true });
  rmSync(join(web, '..', 'outside.txt'), { force: true });
});

type Asked = { url: string; method?: 'GET' | 'POST'; payload?: string | object; headers?: Record<string, string> };

function ask({ url, method = 'GET', payload, headers = {} }: Asked) {
  return app.inject({ method, url, headers: { host, ...headers }, ...(payload === undefined ? {} : { payload }) });
}

describe('the interface', () => {
  it('gives the vehicle, frames, health and the document of itself', async () => {
    const vehicle = await ask({ url: '/api/vehicle' });
    expect(vehicle.json()).toMatchObject({ name: 'Bench', epoch: 1, buses: [{ name: 'engine', bitRate: 500_000 }] });
    expect((await ask({ url: '/api/frames' })).json().frames).toHaveLength(1);
    expect((await ask({ url: '/api/health' })).json()).toMatchObject({ version: '1.2.3', vehicle: 'Bench', status: { mode: 'live' } });
    const document = (await ask({ url: '/api/openapi.json' })).json();
    expect(document.openapi).toMatch(/^3\.1/);
    expect(Object.keys(document.paths).sort()).toEqual(
      expect.arrayContaining([
        '/api/alarms',
        '/api/alarms/{name}/acknowledge',
        '/api/frames',
        '/api/health',
        '/api/vehicle',
        '/api/why/{channel}',
        '/api/window',
      ]),
    );
  });

  it('gives bins of the last span, and of a stretch at a width that is kept', async () => {
    const span = await ask({ url: '/api/window?channels=engine_speed,oil_pressure&span=1000000&pixels=100' });
    expect(span.json()).toMatchObject({ widthUs: 10_000, traces: [{ channel: 'engine_speed', unit: 'rpm' }, { channel: 'oil_pressure' }] });
    const stretch = await ask({ url: '/api/window?channels=engine_speed&from=0&to=9999&width=10000' });
    expect(stretch.json().traces[0]).toMatchObject({ low: [1000], high: [1000], quality: [0] });
    const drawn = await ask({ url: '/api/window?channels=engine_speed&from=0&to=9999&pixels=100' });
    expect(drawn.json()).toMatchObject({ widthUs: 10_000, traces: [{ low: [1000], high: [1000], quality: [0] }] });
  });

  it.each([
    '/api/window?channels=engine_speed',
    '/api/window?channels=engine_speed&span=1000000',
    '/api/window?channels=engine_speed&from=0&width=15000',
    '/api/window?channels=engine_speed&from=0&width=10000&pixels=100',
    '/api/window?channels=engine_speed&from=20000&to=10000&pixels=100',
    '/api/window?channels=engine_speed&from=0&width=10000&span=1000000&pixels=10',
    '/api/window?channels=engine_speed&span=abc&pixels=10',
    '/api/window?channels=engine_speed&span=1000000&pixels=100000',
    '/api/window?channels=engine_speed&span=99999999999&pixels=100',
    '/api/window?channels=&span=1000000&pixels=10',
    `/api/window?channels=${Array(40).fill('engine_speed').join()}&span=1000000&pixels=10`,
    '/api/alarms?after=-1',
  ])('refuses %s as wrong', async (url) => {
    const answer = await ask({ url });
    expect(answer.statusCode).toBe(400);
    expect(answer.json()).toMatchObject({ error: 'REQUEST_WRONG', message: expect.any(String), cure: expect.any(String) });
  });

  it('says in JSON that a channel, an alarm or an address is not there', async () => {
    const answers = await Promise.all([
      ask({ url: '/api/why/__proto__' }),
      ask({ url: '/api/window?channels=constructor&span=1000000&pixels=10' }),
      ask({ url: '/api/alarms/nothing/acknowledge', method: 'POST' }),
      ask({ url: '/api/vehicel', headers: { accept: 'text/html' } }),
      ask({ url: '/api' }),
    ]);
    expect(answers.map((answer) => [answer.statusCode, answer.json().error])).toEqual([
      [404, 'LIVE_CHANNEL_UNKNOWN'],
      [404, 'LIVE_CHANNEL_UNKNOWN'],
      [404, 'ALARM_NOT_STANDING'],
      [404, 'ADDRESS_UNKNOWN'],
      [404, 'ADDRESS_UNKNOWN'],
    ]);
  });

  it('acknowledges an alarm by name, with and without saying who', async () => {
    const name = station.alarms().active[0]?.name ?? '';
    const url = `/api/alarms/${encodeURIComponent(name)}/acknowledge`;
    const answer = await ask({ url, method: 'POST', payload: { by: 'Kim' }, headers: { origin: `http://${host}` } });
    expect(answer.json()).toMatchObject({ active: [{ name: 'oil low', acknowledged: true, acknowledgedBy: 'Kim' }] });
    expect((await ask({ url, method: 'POST' })).statusCode).toBe(200);
    expect((await ask({ url, method: 'POST', payload: { by: '' } })).statusCode).toBe(400);
    expect((await ask({ url: '/api/alarms?after=1' })).json().events).toMatchObject([{ event: 'acknowledged', by: 'Kim' }]);
  });
});

describe('refusals and bounds', () => {
  it.each([
    { host: 'evil.example' },
    { host: '192.168.1.5:8414' },
    { origin: 'http://evil.example' },
    { origin: 'http://localhost:9999' },
    { origin: 'null' },
  ])('refuses %o, for the interface and for pages', async (headers) => {
    for (const url of ['/api/vehicle', '/', '/api/nothing']) {
      const answer = await ask({ url, headers: headers as Record<string, string> });
      expect(answer.statusCode).toBe(403);
      expect(answer.json()).toMatchObject({ error: 'ORIGIN_REFUSED' });
    }
  });

  it('refuses a body that is too long, is no JSON, or is of another type', async () => {
    const url = '/api/alarms/oil%20low/acknowledge';
    const json = { 'content-type': 'application/json' };
    const long = await ask({ url, method: 'POST', payload: JSON.stringify({ by: 'x'.repeat(100_000) }), headers: json });
    const broken = await ask({ url, method: 'POST', payload: '{"by":', headers: json });
    const other = await ask({ url, method: 'POST', payload: '<by/>', headers: { 'content-type': 'application/xml' } });
    expect([long.statusCode, broken.statusCode, other.statusCode]).toEqual([413, 400, 415]);
    for (const answer of [long, broken, other]) expect(answer.json()).toMatchObject({ error: 'REQUEST_WRONG' });
  });

  it('lets no path out of the folder of pages', async () => {
    for (const url of ['/../outside.txt', '/%2e%2e/outside.txt', '/assets/..%2f..%2foutside.txt', '/..\\outside.txt', '//etc/passwd']) {
      const answer = await ask({ url });
      expect(answer.body, url).not.toContain('secret');
      expect(answer.statusCode, url).toBeGreaterThanOrEqual(400);
    }
  });

  it('sends a policy without anything unsafe, and nothing that forces https', async () => {
    for (const url of ['/', '/api/vehicle', '/api/nothing']) {
      const { headers } = await ask({ url });
      const policy = String(headers['content-security-policy']);
      expect(policy).toContain("default-src 'none'");
      expect(policy).toContain("script-src 'self'");
      expect(policy).toContain("connect-src 'self'");
      expect(policy).not.toMatch(/unsafe|upgrade-insecure|https?:|\*/);
      expect(headers).not.toHaveProperty('strict-transport-security');
      expect(headers).not.toHaveProperty('access-control-allow-origin');
      expect(headers['x-content-type-options']).toBe('nosniff');
      expect(headers['x-frame-options']).toBe('DENY');
    }
  });

  it('answers so many requests a minute and no more, pages apart', async () => {
    const own = await buildApp({ station, version: '1.2.3', webFolder: web });
    let refused = 0;
    for (let i = 0; i < httpRequestsPerMinuteMax + 3; i++) {
      // However it is spelt.
      const answer = await own.inject({ url: i % 2 === 0 ? '/api/alarms' : '/%61pi/alarms', headers: { host } });
      if (answer.statusCode !== 429) continue;
      refused++;
      expect(answer.json()).toMatchObject({ error: 'REQUESTS_TOO_MANY' });
    }
    expect(refused).toBe(3);
    expect((await own.inject({ url: '/', headers: { host } })).statusCode).toBe(200);
    await own.close();
  });
});

describe('errors of the framework', () => {
  it.each(['/%', '/api/%E0%A4%A', '/api/why/%'])('%s has the shape of every other one', async (url) => {
    const answer = await ask({ url });
    expect(answer.statusCode).toBe(400);
    expect(Object.keys(answer.json()).sort()).toEqual(['cure', 'error', 'message']);
  });
});

describe('the files of the pages', () => {
  it('gives the page fresh and its hashed files for good', async () => {
    const page = await ask({ url: '/' });
    expect([page.statusCode, page.headers['cache-control']]).toEqual([200, 'no-cache']);
    const asset = await ask({ url: '/assets/main-0a1b2c3d.js' });
    expect(asset.headers['cache-control']).toBe('public, max-age=31536000, immutable');
    expect(asset.headers['content-type']).toMatch(/javascript/);
  });

  it('gives the page for an address of a page, and 404 for a missing file', async () => {
    expect((await ask({ url: '/frames', headers: { accept: 'text/html' } })).body).toContain('<title>Evenburn</title>');
    expect((await ask({ url: '/assets/gone.js', headers: { accept: '*/*' } })).statusCode).toBe(404);
  });

  it('serves the interface alone where no pages are built', async () => {
    const bare = await buildApp({ station, version: '1.2.3', webFolder: join(web, 'nothing') });
    expect((await bare.inject({ url: '/', headers: { host, accept: 'text/html' } })).statusCode).toBe(404);
    expect((await bare.inject({ url: '/api/vehicle', headers: { host } })).statusCode).toBe(200);
    await bare.close();
  });
});
