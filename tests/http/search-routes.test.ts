// Searches for undocumented signals over HTTP, through the built workers, to the line in the device's file.
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { SearchView } from '../../server/contract/finder.ts';
import type { SavedDefinition } from '../../server/contract/table-import.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { VehicleEditor } from '../../server/editing/vehicle-editor.ts';
import { type App, type AskedStation, buildApp } from '../../server/http/app.ts';
import { searchesWaitingMax } from '../../server/limits.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { SignalSearches } from '../../server/recording/signal-searches.ts';
import { type MadeField, makeTraffic } from '../finder/made-traffic.ts';
import { eventually } from '../waiting.ts';

const wave = (s: number) => 0.6 * Math.sin(s / 2.3) + 0.4 * Math.sin(s / 0.9 + 1);
const heated = (s: number) => (s > 8 && s < 14 ? 1 - Math.exp((8 - s) / 3) : s >= 14 ? Math.exp((14 - s) / 3) * (1 - Math.exp(-2)) : 0);

/** Two instruments for one quantity, and a probe that was heated from 8 to 14 s. */
const known: MadeField = { id: 0x100, startBit: 0, bitLength: 16, byteOrder: 'little', signed: false, raw: (s) => 900 + 500 * wave(s) };
const wanted: MadeField = { id: 0x150, startBit: 23, bitLength: 16, byteOrder: 'big', signed: false, raw: (s) => 3000 + 2000 * wave(s) };
const probe: MadeField = { id: 0x151, startBit: 39, bitLength: 16, byteOrder: 'big', signed: false, raw: (s) => 200 + 4000 * heated(s) };

const boxText = `device: box
frames:
  - name: known_frame
    id: 0x100
    length: 8
    signals:
      - { name: oil_temp, bytes: 0..1, factor: 0.1, unit: degC } # of the gauge
  - name: other_frame
    id: 0x300
    length: 8
    signals:
      - { name: silent, bytes: 0 }
`;

const root = mkdtempSync(join(tmpdir(), 'evenburn-searches-'));
const [data, dir] = [join(root, 'data'), join(root, 'boat')];
let vehicle: Vehicle;
let searches: SignalSearches;
let editor: VehicleEditor;
let app: App;
let recording: number | null = 1;

beforeAll(async () => {
  mkdirSync(join(dir, 'devices'), { recursive: true });
  mkdirSync(data);
  writeFileSync(join(dir, 'vehicle.yaml'), 'vehicle: V\nbuses:\n  main: { bit_rate: 500 kbit/s, devices: [box] }\n');
  writeFileSync(join(dir, 'devices/box.yaml'), boxText);
  vehicle = await getVehicle(dir);
  const frames = [makeTraffic([known, wanted, probe], { seconds: 20, ids: 20 })];
  await importFrames(data, vehicle, { frames, origin: 'made.log', remarks: () => [] }, 0);
  searches = new SignalSearches(data, () => vehicle);
  editor = new VehicleEditor(dir);
  const station = { status: () => ({ recording: { session: recording } }) } as unknown as AskedStation;
  app = await buildApp({ station, version: 'test', searches, editor } as never);
});
afterAll(async () => {
  await app.close();
  await Promise.all([searches.close(), editor.close()]);
  rmSync(root, { recursive: true });
});

async function ask<T = SearchView>(
  method: 'GET' | 'POST' | 'DELETE',
  url: string,
  payload?: object,
): Promise<{ status: number; body: T & { error?: string } }> {
  const answer = await app.inject({ method, url, headers: { host: 'localhost:8414' }, ...(payload ? { payload } : {}) });
  return { status: answer.statusCode, body: answer.json() };
}

/** Begins a search and waits until it is over. */
async function search(payload: object): Promise<SearchView> {
  const begun = await ask('POST', '/api/searches', payload);
  expect(begun.status).toBe(200);
  return eventually(async () => {
    const { body } = await ask('GET', `/api/searches/${begun.body.search}`);
    expect(['waiting', 'running']).not.toContain(body.state);
    return body;
  });
}

describe('a search', () => {
  it('told a known channel, ranks the field that follows it first, with evidence in bins over the whole stretch', async () => {
    const view = await search({ session: 1, like: 'oil_temp' });
    expect(view).toMatchObject({ state: 'done', share: 1, session: 1, like: 'oil_temp', unit: 'degC', ids: 20, problem: '' });
    const [first] = view.findings;
    expect(first).toMatchObject({ number: 1, bus: 'main', idHex: '0x150', startBit: 23, bitLength: 16, byteOrder: 'big', swept: false });
    // (3000 + 2000 w) × 0.025 + 15 = 90 + 50 w, which is the channel.
    expect(first?.factor).toBeCloseTo(0.025, 4);
    expect(first?.offset).toBeCloseTo(15, 1);
    expect([...(first?.bits ?? [])].sort((a, b) => a - b)).toEqual(Array.from({ length: 16 }, (_, i) => 16 + i));
    const { raw, stimulus, widthUs } = first?.plot ?? { raw: { low: [], high: [] }, stimulus: { low: [] }, widthUs: 0 };
    expect(raw.low.length * widthUs).toBeGreaterThan(19.9e6);
    expect(raw.low.length).toBeLessThanOrEqual(400);
    const seen = (values: readonly (number | null)[]) => values.filter((value) => value !== null);
    expect(Math.min(...seen(raw.low))).toBeGreaterThanOrEqual(1000);
    expect(Math.max(...seen(raw.high))).toBeLessThanOrEqual(5000);
    expect(Math.max(...seen(raw.high)) - Math.min(...seen(raw.low))).toBeGreaterThan(3000);
    expect(seen(stimulus.low).length).toBeGreaterThan(100);
  });

  it('told when a probe was heated, finds the field that rose slowly', async () => {
    const view = await search({ session: 1, during: [{ fromUs: 8e6, toUs: 14e6 }] });
    expect(view.findings[0]).toMatchObject({ idHex: '0x151', startBit: 39, byteOrder: 'big', riseS: 3 });
  });

  it('leaves out what a definition claims, unless that is wished', async () => {
    const open = await search({ session: 1, like: 'oil_temp', unclaimed: false });
    expect(open.findings[0]).toMatchObject({ idHex: '0x100', defined: ['oil_temp'], devices: ['box'] });
    const claimed = await search({ session: 1, like: 'oil_temp' });
    expect(claimed.findings.map(({ idHex }) => idHex)).not.toContain('0x100');
  });

  it('looks at a stretch alone, of the session that is being recorded', async () => {
    const view = await search({ session: 'live', like: 'oil_temp', fromUs: 5e6, toUs: 10e6 });
    expect(view.session).toBe(1);
    const whole = await search({ session: 1, like: 'oil_temp' });
    expect(view.frames / whole.frames).toBeCloseTo(0.25, 1);
    expect(view.findings[0]?.plot.fromUs).toBeGreaterThanOrEqual(5e6);
  });

  it.each([
    ['a session that is not there', { session: 9, like: 'oil_temp' }, 'no session 9'],
    ['a channel that is not there', { session: 1, like: 'oil_tmp' }, "no channel 'oil_tmp'"],
    ['a channel without a sample', { session: 1, like: 'silent' }, "channel 'silent' has no sample"],
  ])('says what is wrong with %s', async (_, payload, problem) => {
    const view = await search(payload);
    expect(view.state).toBe('failed');
    expect(view.problem).toContain(problem);
  });

  it('is cancelled while it waits or runs, and the next one has its turn', async () => {
    const [first, second] = [
      (await ask('POST', '/api/searches', { session: 1, like: 'oil_temp' })).body.search,
      (await ask('POST', '/api/searches', { session: 1, like: 'oil_temp' })).body.search,
    ];
    expect((await ask('GET', `/api/searches/${second}`)).body.state).toBe('waiting');
    expect((await ask('DELETE', `/api/searches/${first}`)).body.state).toBe('cancelled');
    expect((await ask('DELETE', `/api/searches/${second}`)).body.state).toBe('cancelled');
    expect((await search({ session: 1, like: 'oil_temp' })).state).toBe('done');
    expect((await ask('GET', `/api/searches/${first}`)).body).toMatchObject({ state: 'cancelled', findings: [], problem: '' });
  });

  it('is refused when too many wait', async () => {
    const begun: number[] = [];
    for (let i = 0; i < searchesWaitingMax; i++)
      begun.push((await ask('POST', '/api/searches', { session: 1, like: 'oil_temp' })).body.search);
    expect((await ask('POST', '/api/searches', { session: 1, like: 'oil_temp' })).body.error).toBe('SEARCHES_TOO_MANY');
    for (const number of begun) await ask('DELETE', `/api/searches/${number}`);
  });

  it.each([
    ['neither a channel nor stretches', { session: 1 }, 400, 'REQUEST_WRONG'],
    ['both', { session: 1, like: 'oil_temp', during: [{ fromUs: 1, toUs: 2 }] }, 400, 'REQUEST_WRONG'],
    ['a stretch that ends before it begins', { session: 1, during: [{ fromUs: 2, toUs: 1 }] }, 400, 'REQUEST_WRONG'],
  ])('is refused for %s', async (_, payload, status, error) => {
    const answer = await ask('POST', '/api/searches', payload);
    expect([answer.status, answer.body.error]).toEqual([status, error]);
  });

  it('on the live bus is refused while nothing is recorded', async () => {
    recording = null;
    const { status, body } = await ask('POST', '/api/searches', { session: 'live', like: 'oil_temp' });
    recording = 1;
    expect([status, body.error]).toEqual([409, 'SEARCH_NOT_RECORDED']);
  });
});

describe('a finding', () => {
  it('is written into its device’s file as a signal of its own scaling; nothing else moves, and no second one takes its bits', async () => {
    const { search: number } = await search({ session: 1, like: 'oil_temp' });
    const signal = { device: 'box', name: 'sump_temp', unit: 'degC', factor: 0.025, offset: 15 };
    const { status, body } = await ask<SavedDefinition>('POST', `/api/searches/${number}/findings/1/signal`, signal);
    expect([status, body.path, body.line]).toEqual([200, 'devices/box.yaml', 13]);
    const text = readFileSync(join(dir, 'devices/box.yaml'), 'utf8');
    expect(text).toBe(`${boxText}${body.added}\n`);
    expect(body.added).toContain('{ name: sump_temp, bytes: 2..3, byte_order: big, factor: 0.025, offset: 15, unit: degC }');
    const again = await ask('POST', `/api/searches/${number}/findings/1/signal`, { ...signal, name: 'other_temp' });
    expect([again.status, again.body.error]).toEqual([422, 'FINDING_NOT_WRITTEN']);
    expect(readFileSync(join(dir, 'devices/box.yaml'), 'utf8')).toBe(text);
  });

  it.each([
    ['of a search that is forgotten', () => '999/findings/1', {}, 404, 'SEARCH_UNKNOWN'],
    ['that is not there', (newest: number) => `${newest}/findings/40`, {}, 404, 'FINDING_UNKNOWN'],
    ['with a name that no channel can have', (newest: number) => `${newest}/findings/1`, { name: 'Sump Temp' }, 400, 'REQUEST_WRONG'],
    ['with a factor of 0', (newest: number) => `${newest}/findings/1`, { factor: 0 }, 400, 'REQUEST_WRONG'],
  ])('%s is refused', async (_, place, change, status, error) => {
    const url = `/api/searches/${place(searches.list().at(-1)?.search ?? 0)}/signal`;
    const answer = await ask('POST', url, { device: 'box', name: 'sump_temp', factor: 1, offset: 0, ...change });
    expect([answer.status, answer.body.error]).toEqual([status, error]);
  });
});
