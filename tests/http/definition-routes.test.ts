// The vehicle's files over HTTP against hostile hands: no path out of the folder, nothing without the crew, nothing that eats the server.
import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { VehicleEditor } from '../../server/editing/vehicle-editor.ts';
import { Access } from '../../server/http/access.ts';
import { type App, type AskedStation, buildApp } from '../../server/http/app.ts';
import { openLanDoor } from '../../server/http/guard.ts';
import { definitionDraftBytesMax, definitionFileBytesMax } from '../../server/limits.ts';

const vehicle = 'vehicle: V\nbuses:\n  main: { bit_rate: 500 kbit/s }\n';
const host = '10.1.2.3:8414';

let folder: string;
let app: App;
let editor: VehicleEditor;
let crew: string;
let viewer: string;

beforeAll(async () => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-definition-routes-'));
  mkdirSync(join(folder, 'boat'));
  mkdirSync(join(folder, 'data'));
  writeFileSync(join(folder, 'boat', 'vehicle.yaml'), vehicle);
  writeFileSync(join(folder, 'secret.yaml'), 'secret: 1\n');
  editor = new VehicleEditor(join(folder, 'boat'));
  const access = await Access.create(
    join(folder, 'data'),
    { crew: 'grey heron wades', viewer: 'reeds in the wind' },
    { secure: false, loopbackIsCrew: false },
  );
  app = await buildApp({ station: {} as AskedStation, version: '0', editor, access, door: openLanDoor('http', [], () => ['10.1.2.3']) });
  crew = await logIn('grey heron wades');
  viewer = await logIn('reeds in the wind');
});
afterAll(async () => {
  await app.close();
  await editor.close();
  rmSync(folder, { recursive: true, force: true });
});

async function logIn(passphrase: string): Promise<string> {
  const answer = await app.inject({ method: 'POST', url: '/api/access/login', headers: { host }, payload: { passphrase } });
  return String(answer.headers['set-cookie']).split(';')[0] as string;
}

const post = (what: 'draft' | 'save', payload: object, cookie = crew) =>
  app.inject({ method: 'POST', url: `/api/definitions/${what}`, remoteAddress: '10.1.2.9', headers: { host, cookie }, payload });
const draftOf = (text: string) => post('draft', { files: [{ path: 'vehicle.yaml', text }], path: 'vehicle.yaml', edits: [] });

describe("the vehicle's files over HTTP", () => {
  it('are read by viewers, and tried out and saved by the crew alone', async () => {
    const answer = await app.inject({ method: 'GET', url: '/api/definitions', headers: { host, cookie: viewer } });
    expect([answer.statusCode, answer.json().files.map(({ path }: { path: string }) => path)]).toEqual([200, ['vehicle.yaml']]);
    const changes = [{ path: 'vehicle.yaml', text: 'vehicle: Mine\n', hash: answer.json().files[0].hash }];
    expect((await post('save', { changes, despiteErrors: true }, viewer)).statusCode).toBe(403);
    expect((await post('save', { changes, despiteErrors: true }, 'evenburn=forged.cookie')).statusCode).toBe(401);
    expect((await post('draft', { files: [], path: 'vehicle.yaml', edits: [] }, viewer)).statusCode).toBe(403);
    expect(readFileSync(join(folder, 'boat', 'vehicle.yaml'), 'utf8')).toBe(vehicle);
  });

  it.each([
    '../secret.yaml',
    '../boat/vehicle.yaml',
    'devices/../../secret.yaml',
    '/tmp/x.yaml',
    'devices/x.yaml/../../../y.yaml',
    'devices\\x.yaml',
    'devices/x.sh',
  ])('never lie outside the folder: %s', async (path) => {
    const answer = await post('save', { changes: [{ path, text: 'x: 1\n', hash: null }], despiteErrors: true });
    expect([answer.statusCode, answer.json().error]).toEqual([400, 'REQUEST_WRONG']);
    expect(readdirSync(folder).sort()).toEqual(['boat', 'data', 'secret.yaml']);
    expect(readdirSync(join(folder, 'boat'))).toEqual(['vehicle.yaml']);
  });

  it('are refused when they are too large, one by one and all together', async () => {
    expect((await draftOf('#'.repeat(definitionFileBytesMax + 1))).statusCode).toBe(400);
    const many = Array.from({ length: 20 }, (_, i) => ({ path: `devices/d${i}.yaml`, text: '#'.repeat(definitionFileBytesMax - 1) }));
    expect(JSON.stringify(many).length).toBeGreaterThan(definitionDraftBytesMax);
    expect((await post('draft', { files: many, path: 'vehicle.yaml', edits: [] })).statusCode).toBe(413);
  });

  it.each([
    [
      'aliases that grow tenfold each line',
      Array.from(
        { length: 12 },
        (_, i) =>
          `a${i}: &a${i} [${
            i === 0
              ? '"x"'
              : Array(10)
                  .fill(`*a${i - 1}`)
                  .join(', ')
          }]`,
      ).join('\n'),
    ],
    ['a list in a list in a list', `${'['.repeat(20_000)}${']'.repeat(20_000)}`],
    ['keys that every object has', '__proto__: { polluted: 1 }\nconstructor: 1\ntoString: x\nvehicle: V\nbuses: {}\n'],
    [
      'a formula that reaches for the process',
      `${vehicle}derived:\n  - { name: x, formula: "constructor.constructor('return process')()" }\n`,
    ],
    ['many empty keys', `${vehicle}${Array.from({ length: 5000 }, (_, i) => `k${i}:\n`).join('')}`],
  ])('that are made to harm, %s, are told as faults soon, and the server goes on', async (_, text) => {
    const answer = await draftOf(text);
    expect([200, 422]).toContain(answer.statusCode);
    if (answer.statusCode === 200) expect(answer.json().problems.length).toBeGreaterThan(0);
    expect(({} as { polluted?: number }).polluted).toBeUndefined();
    const next = await draftOf(vehicle);
    expect([next.statusCode, next.json().problems]).toEqual([200, []]);
  });
});
