// The vehicle's files as its editor changes them: tried out without writing, saved only against what was read, nothing lost.
import { existsSync, mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { type DefinitionsView, saveRequest } from '../../server/contract/definitions.ts';
import { readDefinitions, saveDraft, tryDraft } from '../../server/editing/draft.ts';

const vehicleText = `vehicle: V
buses:
  main: { bit_rate: 500 kbit/s, devices: [box] } # the only one
`;
const boxText = `device: box
frames:
  - name: temperatures
    id: 0x100   # hex stays
    length: 8
    signals:
      - { name: one,  bytes: 0..1 }   # spaces as a person left them
`;

let dir: string;
beforeEach(() => {
  dir = join(mkdtempSync(join(tmpdir(), 'evenburn-draft-')), 'boat');
  put('vehicle.yaml', vehicleText);
  put('devices/box.yaml', boxText);
});
afterEach(() => rmSync(dirname(dir), { recursive: true, force: true }));

function put(path: string, text: string): void {
  mkdirSync(dirname(join(dir, path)), { recursive: true });
  writeFileSync(join(dir, path), text);
}
const textOf = (path: string) => readFileSync(join(dir, path), 'utf8');
const hashIn = (view: DefinitionsView, path: string) => view.files.find((file) => file.path === path)?.hash ?? null;

const files = [
  { path: 'vehicle.yaml', text: vehicleText },
  { path: 'devices/box.yaml', text: boxText },
];

describe('a draft', () => {
  it('shows each value of a file with its line, its spelling and its kind', () => {
    const { tree } = tryDraft({ files, path: 'devices/box.yaml', edits: [] });
    expect(tree).toMatchObject({
      kind: 'map',
      entries: [
        { key: 'device', node: { kind: 'scalar', type: 'text', value: 'box', line: 1 } },
        {
          key: 'frames',
          node: {
            kind: 'list',
            items: [
              {
                kind: 'map',
                entries: [
                  { key: 'name' },
                  { key: 'id', node: { type: 'number', value: '0x100', line: 4, source: '0x100' } },
                  { key: 'length', node: { value: '8' } },
                  { key: 'signals', node: { items: [{ source: '{ name: one,  bytes: 0..1 }', line: 7 }] } },
                ],
              },
            ],
          },
        },
      ],
    });
  });

  it('takes edits in order, moves nothing else, and says what would be wrong with its place', () => {
    const { text, problems } = tryDraft({
      files,
      path: 'devices/box.yaml',
      edits: [
        { kind: 'set', at: ['frames', 0, 'id'], source: '0x7FF' },
        { kind: 'insert', at: ['frames', 0, 'signals', 0, 'unit'], value: 'furlong' },
      ],
    });
    expect(text).toBe(boxText.replace('0x100', '0x7FF').replace('bytes: 0..1 }', 'bytes: 0..1, unit: furlong }'));
    expect(problems).toMatchObject([{ file: 'devices/box.yaml', line: 7, code: 'UNIT_UNKNOWN', found: 'furlong' }]);
    expect(textOf('devices/box.yaml')).toBe(boxText);
  });

  it('renames a key with its comment kept, and says what dangles then', () => {
    const trunk = { path: 'vehicle.yaml', text: `${vehicleText}trunk: { main: [terminator, box, terminator] }\n` };
    const rename = (at: string[], value: string) =>
      tryDraft({ files: [trunk, files[1] as (typeof files)[0]], path: 'vehicle.yaml', edits: [{ kind: 'rename', at, value }] });
    const { text, problems } = rename(['buses', 'main'], ' engine ');
    expect(text).toBe(trunk.text.replace('  main:', '  engine:'));
    expect(problems).toMatchObject([{ code: 'BUS_UNKNOWN', file: 'vehicle.yaml', line: 4, say: "no bus 'main'" }]);
    expect(() => rename(['buses', 'main'], ' ')).toThrow(expect.objectContaining({ code: 'REQUEST_WRONG' }));
    expect(() => rename(['buses'], 'trunk')).toThrow(expect.objectContaining({ code: 'DEFINITION_NAME_TAKEN' }));
  });

  it('has no tree where the text is no YAML, and says where', () => {
    const { tree, problems } = tryDraft({
      files: [{ path: 'vehicle.yaml', text: 'vehicle: "A\nbuses: {}\n' }],
      path: 'vehicle.yaml',
      edits: [],
    });
    expect(tree).toBeNull();
    expect(problems[0]).toMatchObject({ code: 'YAML_SYNTAX', file: 'vehicle.yaml' });
  });

  it('refuses an edit of a place that is not there', () => {
    expect(() => tryDraft({ files, path: 'vehicle.yaml', edits: [{ kind: 'set', at: ['engine', 'speed'], value: 'x' }] })).toThrow(
      expect.objectContaining({ code: 'DEFINITION_PLACE_UNKNOWN' }),
    );
  });
});

describe('saving', () => {
  it('writes changed, new and removed files, and answers with what is on disk then', async () => {
    const before = await readDefinitions(dir);
    const box = boxText.replace('one', 'two');
    const node = 'device: node\nframes:\n  - { name: pump, id: 0x200, length: 1, signals: [{ name: three, bytes: 0 }] }\n';
    const after = await saveDraft(dir, {
      changes: [
        { path: 'devices/box.yaml', text: box, hash: hashIn(before, 'devices/box.yaml') },
        { path: 'devices/node.yaml', text: node, hash: null },
      ],
      despiteErrors: false,
    });
    expect([textOf('devices/box.yaml'), textOf('devices/node.yaml')]).toEqual([box, node]);
    expect(after.files.map(({ path, text }) => [path, text])).toContainEqual(['devices/node.yaml', node]);
    await saveDraft(dir, {
      changes: [{ path: 'devices/node.yaml', text: null, hash: hashIn(after, 'devices/node.yaml') }],
      despiteErrors: false,
    });
    expect(existsSync(join(dir, 'devices/node.yaml'))).toBe(false);
  });

  it.each([
    ['changed', () => put('devices/box.yaml', `${boxText}# by another hand\n`)],
    ['removed', () => rmSync(join(dir, 'devices/box.yaml'))],
  ])('refuses a file that was %s meanwhile, and then writes none of the others either', async (_, meanwhile) => {
    const before = await readDefinitions(dir);
    meanwhile();
    const there = existsSync(join(dir, 'devices/box.yaml')) ? textOf('devices/box.yaml') : undefined;
    const changes = before.files.map(({ path, text, hash }) => ({ path, text: `${text}# mine\n`, hash }));
    await expect(saveDraft(dir, { changes, despiteErrors: true })).rejects.toMatchObject({ code: 'DEFINITION_CHANGED' });
    expect(textOf('vehicle.yaml')).toBe(vehicleText);
    expect(existsSync(join(dir, 'devices/box.yaml')) ? textOf('devices/box.yaml') : undefined).toBe(there);
  });

  it('refuses a new file over one that came meanwhile', async () => {
    put('devices/node.yaml', 'device: node\nframes: []\n');
    const changes = [{ path: 'devices/node.yaml', text: 'device: other\nframes: []\n', hash: null }];
    await expect(saveDraft(dir, { changes, despiteErrors: true })).rejects.toMatchObject({ code: 'DEFINITION_CHANGED' });
    expect(textOf('devices/node.yaml')).toContain('device: node');
  });

  it('refuses new errors unless told to save despite them, and never minds those that were there', async () => {
    const before = await readDefinitions(dir);
    const broken = boxText.replace('bytes: 0..1', 'bytes: 7..8');
    const changes = [{ path: 'devices/box.yaml', text: broken, hash: hashIn(before, 'devices/box.yaml') }];
    await expect(saveDraft(dir, { changes, despiteErrors: false })).rejects.toMatchObject({
      code: 'DEFINITION_NOT_WRITTEN',
      message: expect.stringContaining('devices/box.yaml:7'),
    });
    expect(textOf('devices/box.yaml')).toBe(boxText);
    const saved = await saveDraft(dir, { changes, despiteErrors: true });
    const vehicle = [{ path: 'vehicle.yaml', text: vehicleText.replace('V', 'W'), hash: hashIn(saved, 'vehicle.yaml') }];
    await saveDraft(dir, { changes: vehicle, despiteErrors: false });
    expect(textOf('vehicle.yaml')).toContain('vehicle: W');
  });

  it.each([
    '../vehicle.yaml',
    '/etc/passwd',
    'devices/../../x.yaml',
    'devices/.x.yaml',
    'devices/a/b.yaml',
    'notes.txt',
    'devices/x.yaml\u0000.txt',
  ])('never takes the path %j', (path) => {
    expect(saveRequest.safeParse({ changes: [{ path, text: '', hash: null }], despiteErrors: true }).success).toBe(false);
  });
});
