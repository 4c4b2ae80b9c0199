// Break-ins: guessing, forging, replaying, foreign pages, wrong roles, tried against the routes and the live stream of a real server.
import { copyFileSync, mkdtempSync, readFileSync, rmSync, statSync } from 'node:fs';
import { type ClientRequest, type IncomingMessage, request } from 'node:http';
import { connect } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Duplex } from 'node:stream';
import cookies from '@fastify/cookie';
import { io } from 'socket.io-client';
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, it } from 'vitest';
import { type Clock, machineClock, SessionClock } from '../../server/clock.ts';
import { livePath } from '../../server/contract/packet.ts';
import { Access, checkPassphrases, makePassphrase } from '../../server/http/access.ts';
import { type App, buildApp } from '../../server/http/app.ts';
import { openLanDoor } from '../../server/http/guard.ts';
import { type RunningServer, startServer } from '../../server/http/server.ts';
import type { SessionStore } from '../../server/http/session-routes.ts';
import { eventStreamsPerHolderMax, liveClientsPerHolderMax, loginLastsMs, loginWrongMax, loginWrongWindowMs } from '../../server/limits.ts';
import { LogBook } from '../../server/recording/log-book.ts';
import { Station } from '../../server/station.ts';
import { smallVehicle } from '../doubles/small-vehicle.ts';
import { until, untilSeen } from '../waiting.ts';

const passphrases = { crew: 'grey heron wades', viewer: 'reeds in the wind' };
const host = '192.0.2.10:8414';
const origin = `http://${host}`;
const tablet = '192.0.2.20';

let template: string;
let crewCookie: string;
let viewerCookie: string;
let folder: string;
let access: Access;
let app: App;
let aheadMs: number;

const clock: Clock = {
  monotonicUs: () => machineClock.monotonicUs() + aheadMs * 1000,
  wallMs: () => machineClock.wallMs() + aheadMs,
};
const newStation = () => new Station({ vehicle: smallVehicle(), sources: [], session: new SessionClock() });
const door = openLanDoor('http', [], () => ['192.0.2.10', 'pit', 'pit.local']);

/** Hashing takes its time on purpose: passphrases and logins are made once, and each test works on a copy of their file. */
beforeAll(async () => {
  aheadMs = 0;
  template = mkdtempSync(join(tmpdir(), 'evenburn-access-'));
  const made = await Access.create(template, passphrases, { clock });
  crewCookie = `evenburn=${encodeURIComponent(await made.logIn(passphrases.crew, tablet))}`;
  viewerCookie = `evenburn=${encodeURIComponent(await made.logIn(passphrases.viewer, tablet))}`;
});
afterAll(() => rmSync(template, { recursive: true }));

beforeEach(async () => {
  aheadMs = 0;
  folder = mkdtempSync(join(tmpdir(), 'evenburn-access-'));
  copyFileSync(join(template, 'access.json'), join(folder, 'access.json'));
  access = (await Access.open(folder, { clock })) as Access;
  app = await buildApp({ station: newStation(), version: 'test', access, door, logBook: new LogBook(folder) });
});
afterEach(async () => {
  await app.close();
  rmSync(folder, { recursive: true });
});

interface Asked {
  cookie?: string;
  from?: string;
  headers?: Record<string, string>;
  payload?: object | string;
}

function ask(method: 'GET' | 'POST' | 'DELETE', url: string, { cookie, from = tablet, headers = {}, payload }: Asked = {}) {
  const all = { host, ...(cookie === undefined ? {} : { cookie }), ...headers };
  return app.inject({ method, url, remoteAddress: from, headers: all, ...(payload === undefined ? {} : { payload }) });
}

const tryLogin = (passphrase: string, from = tablet) => ask('POST', '/api/access/login', { from, payload: { passphrase } });

/** The cookie of a new login, as a browser sends it back. */
async function logIn(passphrase: string, from = tablet): Promise<string> {
  const answer = await tryLogin(passphrase, from);
  expect(answer.statusCode).toBe(200);
  return String(answer.headers['set-cookie']).split(';')[0] as string;
}

const vehicleStatus = async (asked: Asked) => (await ask('GET', '/api/vehicle', asked)).statusCode;

describe('passphrases', () => {
  it('are kept as hashes only, in a file of the owner alone', () => {
    const path = join(folder, 'access.json');
    const text = readFileSync(path, 'utf8');
    expect(text).not.toMatch(/heron|reeds/);
    expect(Object.keys(JSON.parse(text)).sort()).toEqual(['crew', 'ended', 'format', 'generation', 'key', 'salt', 'viewer']);
    if (process.platform !== 'win32') expect(statSync(path).mode & 0o777).toBe(0o600);
  });

  it.each([
    [{ crew: 'short', viewer: 'reeds in the wind' }, /the crew has 5 characters/],
    [{ crew: 'grey heron wades', viewer: '           x  ' }, /viewers has 1 characters/],
    [{ crew: 'grey heron wades', viewer: ' grey heron wades' }, /different passphrases/],
    [{ crew: 'x'.repeat(201), viewer: 'reeds in the wind' }, /the crew has 201 characters/],
  ])('refuses %j', (given, why) => {
    expect(() => checkPassphrases(given)).toThrow(why);
  });

  it('that are made are long enough and never twice the same', () => {
    const made = Array.from({ length: 100 }, makePassphrase);
    expect(new Set(made).size).toBe(100);
    for (const words of made) expect(words).toMatch(/^[a-hj-km-np-z2-9]{4}(-[a-hj-km-np-z2-9]{4}){2}$/);
  });

  it('still hold after a new start, and so do logins; new ones log everybody out', async () => {
    const cookie = await logIn(passphrases.crew);
    const asker = { headers: { cookie }, remoteAddress: tablet };
    expect((await Access.open(folder, { clock }))?.roleOf(asker)).toBe('crew');
    const anew = await Access.create(folder, passphrases, { clock });
    expect(anew.roleOf(asker)).toBeUndefined();
  });
});

describe('logging in', () => {
  it('gives the role of the passphrase, in a cookie that scripts and other sites never see', async () => {
    const answer = await tryLogin(passphrases.viewer);
    expect(answer.json()).toEqual({ lan: true, role: 'viewer', atTheComputer: false });
    expect(String(answer.headers['set-cookie'])).toMatch(/^evenburn=[^;]+; Max-Age=604800; Path=\/; HttpOnly; SameSite=Strict$/);
    expect((await tryLogin(passphrases.crew)).json().role).toBe('crew');
  });

  it('marks the cookie Secure and binds it to the host under https', async () => {
    const secure = await Access.create(folder, passphrases, { clock, secure: true });
    const own = await buildApp({ station: newStation(), version: 'test', access: secure, door });
    const payload = { passphrase: passphrases.crew };
    const answer = await own.inject({ method: 'POST', url: '/api/access/login', remoteAddress: tablet, headers: { host }, payload });
    expect(String(answer.headers['set-cookie'])).toMatch(/^__Host-evenburn=.*; Path=\/; HttpOnly; Secure; SameSite=Strict$/);
    await own.close();
  });

  it('refuses 1,000 wrong passphrases quickly, keeps others welcome, and forgives after the window', async () => {
    const statuses: number[] = [];
    let refusedMs = 0;
    for (let i = 0; i < 1000; i++) {
      const before = performance.now();
      const { statusCode } = await tryLogin(`guess number ${i}`);
      if (statusCode === 429) refusedMs += performance.now() - before;
      statuses.push(statusCode);
    }
    expect(statuses.slice(0, loginWrongMax)).toEqual(Array(loginWrongMax).fill(401));
    expect(new Set(statuses.slice(loginWrongMax))).toEqual(new Set([429]));
    // No hash is computed for them: that alone would take some 200 s.
    expect(refusedMs).toBeLessThan(20_000);
    expect((await tryLogin(passphrases.crew)).statusCode).toBe(429);
    expect((await tryLogin(passphrases.crew, '192.0.2.21')).statusCode).toBe(200);
    aheadMs = loginWrongWindowMs + 1;
    expect((await tryLogin(passphrases.crew)).statusCode).toBe(200);
  });

  it('lets one address have one try at a time, so that many at once get no further', async () => {
    const answers = await Promise.all(Array.from({ length: 30 }, (_, i) => tryLogin(`guess number ${i}`)));
    expect(answers.filter(({ statusCode }) => statusCode === 401)).toHaveLength(1);
    expect(answers.filter(({ statusCode }) => statusCode === 429)).toHaveLength(29);
  });

  it('counts a whole /64 of IPv6 as one address', async () => {
    const wrong = Array.from({ length: loginWrongMax }, (_, i) => `2001:db8:1:2::${i + 1}`);
    for (const from of wrong) expect((await tryLogin('not this one', from)).statusCode).toBe(401);
    expect((await tryLogin('not this one', '2001:db8:1:2:ffff::1')).statusCode).toBe(429);
    expect((await tryLogin('not this one', '2001:db8:1:3::1')).statusCode).toBe(401);
  });

  it('says the same for every wrong passphrase', async () => {
    const near = await tryLogin('grey heron wade');
    const far = await tryLogin('x');
    expect([near.statusCode, near.body]).toEqual([far.statusCode, far.body]);
  });
});

describe('roles', () => {
  it('asks for a login for every address of the interface but that of logging in', async () => {
    for (const url of [
      '/api/vehicle',
      '/api/health',
      '/api/openapi.json',
      '/api/alarms',
      '//api/vehicle',
      '/api/%76ehicle',
      '/api/access/../vehicle',
    ])
      expect([401, 404]).toContain((await ask('GET', url)).statusCode);
    expect(await vehicleStatus({})).toBe(401);
    expect((await ask('GET', '/api/access')).json()).toEqual({ lan: true, role: null, atTheComputer: false });
  });

  it('lets viewers read, and only the crew change', async () => {
    const viewer = { cookie: viewerCookie };
    const crew = { cookie: crewCookie };
    expect([await vehicleStatus(viewer), await vehicleStatus(crew)]).toEqual([200, 200]);
    const refused = await ask('POST', '/api/alarms/oil/acknowledge', viewer);
    expect([refused.statusCode, refused.json().error]).toEqual([403, 'ACCESS_CREW_NEEDED']);
    expect((await ask('POST', '/api/alarms/oil/acknowledge', crew)).statusCode).toBe(404);
    expect((await ask('POST', '/api/access/logout-everybody', viewer)).statusCode).toBe(403);
  });

  it('holds every route that changes something to the crew', async () => {
    const viewer = { cookie: viewerCookie };
    const { paths } = (await ask('GET', '/api/openapi.json', viewer)).json() as { paths: Record<string, Record<string, unknown>> };
    const changing = Object.entries(paths).flatMap(([url, methods]) =>
      Object.keys(methods).map((method) => ({ url, method: method.toUpperCase() })),
    );
    const closed = changing.filter(({ url, method }) => method !== 'GET' && !/\/access\/log(in|out)$/.test(url));
    expect(closed.length).toBeGreaterThanOrEqual(5);
    for (const { url, method } of closed) {
      const answer = await ask(method as 'POST', url.replace(/\{\w+\}/g, '1'), viewer);
      expect([url, answer.statusCode]).toEqual([url, 403]);
    }
  });

  it('takes who sits at the computer for crew, and nobody who only says so', async () => {
    const local = { host: 'localhost:8414' };
    expect(await vehicleStatus({ from: '127.0.0.1', headers: local })).toBe(200);
    expect(await vehicleStatus({ from: tablet, headers: local })).toBe(401);
    expect(await vehicleStatus({ from: '127.0.0.1' })).toBe(401);
    expect(await vehicleStatus({ from: '127.0.0.1', headers: { ...local, 'x-forwarded-for': '203.0.113.7' } })).toBe(401);
    expect(await vehicleStatus({ from: tablet, headers: { 'x-forwarded-for': '127.0.0.1' } })).toBe(401);
    const behindProxy = await Access.create(folder, passphrases, { clock, loopbackIsCrew: false });
    expect(behindProxy.roleOf({ headers: local, remoteAddress: '127.0.0.1' })).toBeUndefined();
  });
});

describe('cookies', () => {
  it('that are forged are worth nothing', async () => {
    const [said = '', signature = ''] = decodeURIComponent(viewerCookie.replace('evenburn=', '')).split('.');
    const crewSaid = Buffer.from(Buffer.from(said, 'base64url').toString().replace('"viewer"', '"crew"')).toString('base64url');
    const withOwnKey = cookies.fastifyCookie.sign(crewSaid, 'a key of my own');
    const forged = [`${crewSaid}.${signature}`, withOwnKey, crewSaid, `${crewSaid}.`, said, '', '.', '%', '%00', 'null', 'x'.repeat(8000)];
    for (const value of forged) {
      expect([value, await vehicleStatus({ cookie: `evenburn=${value}` })]).toEqual([value, 401]);
      expect([value, await vehicleStatus({ cookie: `evenburn=${encodeURIComponent(value)}` })]).toEqual([value, 401]);
    }
  });

  it('that are replayed after a logout are worth nothing, nor those of anybody after logging everybody out', async () => {
    const [first, second] = [await logIn(passphrases.crew), await logIn(passphrases.viewer)];
    expect((await ask('POST', '/api/access/logout', { cookie: first })).json().role).toBeNull();
    expect([await vehicleStatus({ cookie: first }), await vehicleStatus({ cookie: second })]).toEqual([401, 200]);
    const third = await logIn(passphrases.crew);
    expect((await ask('POST', '/api/access/logout-everybody', { cookie: third })).statusCode).toBe(200);
    expect([await vehicleStatus({ cookie: second }), await vehicleStatus({ cookie: third })]).toEqual([401, 401]);
    const restarted = await Access.open(folder, { clock });
    for (const cookie of [first, second, third]) expect(restarted?.roleOf({ headers: { cookie }, remoteAddress: tablet })).toBeUndefined();
  });

  it('that this server signed in another shape, as another version might have, are asked to log in again', async () => {
    const { key } = JSON.parse(readFileSync(join(folder, 'access.json'), 'utf8')) as { key: string };
    const said = { id: 'a', role: 'crew', issuedMs: 0, expiresMs: clock.wallMs() + 1000, generation: 1 };
    const signed = (text: string) => cookies.fastifyCookie.sign(Buffer.from(text).toString('base64url'), key);
    const answered = async (text: string) => vehicleStatus({ cookie: `evenburn=${encodeURIComponent(signed(text))}` });
    expect(await answered(JSON.stringify(said))).toBe(200);
    for (const text of [JSON.stringify({ ...said, role: 'admin' }), JSON.stringify({ id: 5 }), '[]', 'null', '{"cut', ''])
      expect([text, await answered(text)]).toEqual([text, 401]);
  });

  it('run out', async () => {
    const cookie = crewCookie;
    aheadMs = loginLastsMs - 600_000;
    expect(await vehicleStatus({ cookie })).toBe(200);
    aheadMs = loginLastsMs;
    expect(await vehicleStatus({ cookie })).toBe(401);
  });
});

describe('foreign pages', () => {
  it.each([
    [{ host: 'evil.example:8414' }, 403],
    [{ host: '192.0.2.10.evil.example' }, 403],
    [{ host: '192.0.2.11:8414' }, 403],
    [{ host, origin: 'http://evil.example' }, 403],
    [{ host, origin: 'null' }, 403],
    [{ host, origin: `https://${host}` }, 403],
    [{ host, origin, 'sec-fetch-site': 'cross-site' }, 403],
    [{ host, origin, 'sec-fetch-site': 'same-site' }, 403],
    [{ host, origin, 'sec-fetch-site': 'same-origin' }, 404],
    [{ host: 'PIT.local:8414' }, 404],
    [{ host: 'pit' }, 404],
    [{ host: 'localhost:8414' }, 404],
  ])('that send %j with the cookie of the crew get %i', async (headers, status) => {
    const cookie = crewCookie;
    expect((await ask('POST', '/api/alarms/oil/acknowledge', { cookie, headers })).statusCode).toBe(status);
  });
});

describe('reading', () => {
  it.each([
    ['cross-site', 403],
    ['same-site', 403],
    ['same-origin', 200],
    ['none', 200],
  ])('for a page that browsers call %s is answered %i, so that none keeps the server busy', async (site, status) => {
    expect(await vehicleStatus({ cookie: crewCookie, headers: { 'sec-fetch-site': site } })).toBe(status);
  });
});

describe('bounds', () => {
  it('refuses an upload that is too large before it is read, and a login that is none', async () => {
    const cookie = crewCookie;
    const large = await ask('POST', '/api/alarms/oil/acknowledge', { cookie, payload: { by: 'x'.repeat(70_000) } });
    expect(large.statusCode).toBe(413);
    for (const payload of [{}, { passphrase: 5 }, { passphrase: '' }, { passphrase: 'x'.repeat(201) }, { passphrase: ['a'] }])
      expect((await ask('POST', '/api/access/login', { payload })).statusCode).toBe(400);
  });
});

describe('a server on the network', () => {
  let server: RunningServer;
  let data: string;
  let here: Access;

  beforeAll(async () => {
    data = mkdtempSync(join(tmpdir(), 'evenburn-access-'));
    here = await Access.create(data, passphrases);
    const lan = openLanDoor('http', [], () => ['127.0.0.2']);
    server = await startServer({ station: newStation(), version: 'test', access: here, door: lan, sessions: {} as SessionStore }, 0);
  });
  afterAll(async () => {
    await server.close();
    rmSync(data, { recursive: true });
  });

  /** 127.0.0.2 is none of the names of loopback: to the server it is an address of the network. */
  const at = () => `http://127.0.0.2:${server.port}`;
  const cookieFor = async (words: string) => `evenburn=${encodeURIComponent(await here.logIn(words, tablet))}`;

  async function openStream(extraHeaders: Record<string, string>) {
    const socket = io(at(), { path: livePath, transports: ['websocket'], reconnection: false, extraHeaders });
    const opened = await new Promise<boolean>((resolve) => {
      socket.once('connect', () => resolve(true));
      socket.once('connect_error', () => resolve(false));
    });
    return { socket, opened };
  }

  it('opens the live stream to logins from its own pages alone', async () => {
    const cookie = await cookieFor(passphrases.viewer);
    const tries: [Record<string, string>, boolean][] = [
      [{ origin: at(), cookie }, true],
      [{ origin: at() }, false],
      [{ cookie }, false],
      [{ origin: 'http://evil.example', cookie }, false],
      [{ origin: at(), cookie: `${cookie}x` }, false],
      [{ origin: at(), cookie, 'sec-fetch-site': 'cross-site' }, false],
      [{ origin: 'http://evil.example', host: 'evil.example', cookie }, false],
    ];
    for (const [headers, welcome] of tries) {
      const { socket, opened } = await openStream(headers);
      socket.disconnect();
      expect([headers, opened]).toEqual([headers, welcome]);
    }
  });

  it('cuts open streams off when everybody is logged out', async () => {
    const { socket, opened } = await openStream({ origin: at(), cookie: await cookieFor(passphrases.viewer) });
    expect(opened).toBe(true);
    await here.logOutEverybody();
    await until(() => !socket.connected, 'the stream has ended');
    socket.disconnect();
  });

  it('cuts off every other stream as well, for whoever is logged out alone', async () => {
    const [gone, stays] = [await cookieFor(passphrases.viewer), await cookieFor(passphrases.viewer)];
    const open = async (cookie: string) => {
      const answer = await fetch(`${at()}/api/sessions/1/replay/stream`, { headers: { cookie } });
      expect(answer.status).toBe(200);
      const stream = { ended: false };
      void answer.text().then(
        () => Object.assign(stream, { ended: true }),
        () => Object.assign(stream, { ended: true }),
      );
      return stream;
    };
    const [first, second] = [await open(gone), await open(stays)];
    await here.logOut({ headers: { cookie: gone }, remoteAddress: tablet });
    await until(() => first.ended, 'the stream of who logged out has ended');
    expect(second.ended).toBe(false);
    await here.logOutEverybody();
    await until(() => second.ended, 'every stream has ended');
  });

  it('lets one device follow so many streams and no more, says so, and holds nobody else up', async () => {
    const [greedy, other] = [await cookieFor(passphrases.viewer), await cookieFor(passphrases.viewer)];
    const open: ClientRequest[] = [];
    const follow = (cookie: string) =>
      new Promise<IncomingMessage>((answered) => {
        const asked = request(`${at()}/api/sessions/1/replay/stream`, { headers: { cookie }, agent: false }, answered);
        asked.on('error', () => undefined);
        asked.end();
        open.push(asked);
      });
    for (let i = 0; i < eventStreamsPerHolderMax; i++) expect((await follow(greedy)).statusCode).toBe(200);
    const refused = await follow(greedy);
    expect(refused.statusCode).toBe(503);
    expect(JSON.parse(String((await refused.toArray())[0]))).toMatchObject({ error: 'STREAMS_TOO_MANY' });
    expect((await follow(other)).statusCode).toBe(200);
    open[0]?.destroy();
    await untilSeen(
      async () => (await follow(greedy)).statusCode,
      (status) => status === 200,
    );
    for (const asked of open) asked.destroy();
  });

  it('lets one device open so many live streams, those that never join counted, and holds nobody else up', async () => {
    const [greedy, other] = [await cookieFor(passphrases.viewer), await cookieFor(passphrases.viewer)];
    const opened: Duplex[] = [];
    /** Shakes hands and never joins. */
    const shake = (cookie: string) =>
      new Promise<boolean>((done) => {
        const key = { 'sec-websocket-version': '13', 'sec-websocket-key': 'dGhlIHNhbXBsZSBub25jZQ==' };
        const headers = { origin: at(), cookie, connection: 'upgrade', upgrade: 'websocket', ...key };
        const asked = request(`${at()}${livePath}/?EIO=4&transport=websocket`, { headers });
        asked.once('upgrade', (_, socket) => {
          opened.push(socket);
          done(true);
        });
        asked.once('response', () => done(false));
        asked.once('error', () => done(false));
        asked.end();
      });
    const shaken = [];
    for (let i = 0; i < liveClientsPerHolderMax + 2; i++) shaken.push(await shake(greedy));
    expect(shaken.filter(Boolean)).toHaveLength(liveClientsPerHolderMax);
    expect(shaken.slice(-2)).toEqual([false, false]);
    expect(await shake(other)).toBe(true);
    for (const socket of opened) socket.destroy();
  });

  it('gives no file from outside the pages, however the address is spelt', async () => {
    for (const path of [
      '/../package.json',
      '/..%2fpackage.json',
      '/%2e%2e/%2e%2e/etc/passwd',
      '/assets/..%5c..%5cpackage.json',
      '/access.json',
    ]) {
      const text = await rawGet(server.port, path);
      expect([path, text.split(' ')[1]]).toEqual([path, expect.stringMatching(/^(400|403|404)$/)]);
      expect(text).not.toMatch(/root:|"salt"|"dependencies"/);
    }
  });
});

/** A request whose address no library tidies up first. */
async function rawGet(port: number, path: string): Promise<string> {
  const socket = connect(port, '127.0.0.1');
  socket.end(`GET ${path} HTTP/1.1\r\nHost: localhost:${port}\r\nConnection: close\r\n\r\n`);
  let text = '';
  for await (const chunk of socket) text += chunk;
  return text;
}
