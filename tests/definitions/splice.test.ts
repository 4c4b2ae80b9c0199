// The writer of definition files: one value changes, and every other character stays where it is.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { hashOfText, type Splice, type SpliceValue, spliceYaml, toFlowText, YamlSource } from '../../server/definitions/splice.ts';
import { type Path, YamlText, type YamlValue } from '../../server/definitions/yaml-text.ts';

const splice = (text: string, edit: Splice) => spliceYaml(text, hashOfText(text), edit);

const device = `# Made by hand, with care.
device: box            # a comment at its place
frames:
  - name: first
    id:     0x4C0      # hex stays hex
    length: 8
    signals:
      - { name: speed,  bytes: 0..1,   unit: rpm }   # aligned by hand
      - { name: temp,   bytes: 2..3,   unit: degC }  # this too

      # a comment of its own
  - name: second
    id:     0x4D0
    length: 2
    signals: []
`;

describe('splicing', () => {
  it('changes a number and leaves hex spelling, comments and alignment alone', () => {
    const result = splice(device, { kind: 'set', path: ['frames', 0, 'id'], value: new YamlSource('0x4C8') });
    expect(result).toBe(device.replace('0x4C0', '0x4C8'));
  });

  it('changes a value inside a flow map', () => {
    const result = splice(device, { kind: 'set', path: ['frames', 0, 'signals', 1, 'unit'], value: 'K' });
    expect(result).toBe(device.replace('degC', 'K'));
  });

  it('adds a key to a flow map behind its last', () => {
    const result = splice(device, { kind: 'insert', path: ['frames', 0, 'signals', 0, 'factor'], value: 0.5 });
    expect(result).toBe(device.replace('unit: rpm }', 'unit: rpm, factor: 0.5 }'));
  });

  it('adds an item to a block list behind the last line of the last item', () => {
    const value = { name: 'supply', bytes: new YamlSource('4..5'), unit: 'V' };
    const result = splice(device, { kind: 'insert', path: ['frames', 0, 'signals', 2], value });
    expect(result).toBe(
      device.replace('unit: degC }  # this too\n', 'unit: degC }  # this too\n      - { name: supply, bytes: 4..5, unit: V }\n'),
    );
  });

  it('adds an item to an empty flow list', () => {
    const result = splice(device, { kind: 'insert', path: ['frames', 1, 'signals', 0], value: { name: 'a', bytes: 0 } });
    expect(result).toBe(device.replace('signals: []', 'signals: [{ name: a, bytes: 0 }]'));
  });

  it('adds a frame of several lines below the last, and a list in place of empty brackets', () => {
    const block = new YamlSource('name: third\nid: 0x4E0\nlength: 8\nsignals:\n  - { name: c, bytes: 0 }');
    expect(splice(device, { kind: 'insert', path: ['frames', 2], value: block })).toBe(
      `${device}  - name: third\n    id: 0x4E0\n    length: 8\n    signals:\n      - { name: c, bytes: 0 }\n`,
    );
    const signal = new YamlSource('name: d\nbytes: 1');
    expect(splice(device, { kind: 'insert', path: ['frames', 1, 'signals', 0], value: signal })).toBe(
      device.replace('signals: []', 'signals:\n      - name: d\n        bytes: 1'),
    );
    expect(
      splice('vehicle: A\nbuses: {}\n', {
        kind: 'insert',
        path: ['buses', 'main'],
        value: new YamlSource('bit_rate: 1 Mbit/s\ndevices: []'),
      }),
    ).toBe('vehicle: A\nbuses:\n  main:\n    bit_rate: 1 Mbit/s\n    devices: []\n');
  });

  it('refuses a block between brackets, and a block that would say something else', () => {
    const refused = (edit: Splice) => expect(() => splice(device, edit)).toThrow();
    refused({ kind: 'insert', path: ['frames', 0, 'signals', 0, 'states'], value: new YamlSource('0: off\n1: on') });
    refused({ kind: 'insert', path: ['frames', 2], value: new YamlSource('name: x\nid: [1') });
    refused({ kind: 'set', path: ['device'], value: new YamlSource('a\nframes: []') });
  });

  it('adds a key to a block map with its indentation', () => {
    const result = splice(device, { kind: 'insert', path: ['frames', 0, 'period'], value: '50 ms' });
    expect(result).toBe(device.replace('unit: degC }  # this too\n', 'unit: degC }  # this too\n    period: 50 ms\n'));
  });

  it('adds a key to a file without a last line break, and to one with CRLF', () => {
    expect(splice('a: 1', { kind: 'insert', path: ['b'], value: 2 })).toBe('a: 1\nb: 2');
    expect(splice('a: 1\r\nc: 3\r\n', { kind: 'insert', path: ['b'], value: 2 })).toBe('a: 1\r\nc: 3\r\nb: 2\r\n');
    expect(splice('', { kind: 'insert', path: ['b'], value: 2 })).toBe('b: 2\n');
  });

  it('gives a key without a value its value', () => {
    expect(splice('a:\nb: 2\n', { kind: 'set', path: ['a'], value: 'x' })).toBe('a: x\nb: 2\n');
  });

  it('removes a line, a first key behind a dash, and entries of flow collections', () => {
    expect(splice(device, { kind: 'remove', path: ['frames', 0, 'length'] })).toBe(device.replace('    length: 8\n', ''));
    expect(splice('- a: 1\n  b: 2\n', { kind: 'remove', path: [0, 'a'] })).toBe('- b: 2\n');
    expect(splice('{ a: 1, b: 2, c: 3 }\n', { kind: 'remove', path: ['b'] })).toBe('{ a: 1, c: 3 }\n');
    expect(splice('{ a: 1, b: 2, c: 3 }\n', { kind: 'remove', path: ['c'] })).toBe('{ a: 1, b: 2 }\n');
    expect(splice('x: [1]\n', { kind: 'remove', path: ['x', 0] })).toBe('x: []\n');
    expect(splice('x:\n  y: 1\nz: 2\n', { kind: 'remove', path: ['x', 'y'] })).toBe('x:\n  {}\nz: 2\n');
  });

  it('renames a key in its place, in block and in flow, and nothing that names it', () => {
    const text = 'sets:\n  port :   { at: 1 }   # the port ones\n\n  # and these\n  "plenum":\n    at: 2\nuse: port\n';
    expect(splice(text, { kind: 'rename', path: ['sets', 'port'], name: 'runner' })).toBe(text.replace('port :', 'runner :'));
    expect(splice(text, { kind: 'rename', path: ['sets', 'plenum'], name: 'upper' })).toBe(text.replace('"plenum"', 'upper'));
    expect(splice(text, { kind: 'rename', path: ['sets', 'port'], name: 'a: b' })).toBe(text.replace('port :', '"a: b" :'));
    expect(splice('{ 1: a, 2: b } # c\n', { kind: 'rename', path: ['2'], name: '10' })).toBe('{ 1: a, 10: b } # c\n');
    expect(splice('- a: 1\n  b: 2\n', { kind: 'rename', path: [0, 'a'], name: 'c' })).toBe('- c: 1\n  b: 2\n');
  });

  it('refuses a name that is taken, an item that has none, and a key that is not there', () => {
    const refused = (text: string, path: Path) => {
      try {
        return splice(text, { kind: 'rename', path, name: 'b' });
      } catch (error) {
        return (error as { code: string }).code;
      }
    };
    expect(refused('a: 1\nb: 2\n', ['a'])).toBe('DEFINITION_NAME_TAKEN');
    expect(refused('a: 1\n"b": 2\n', ['a'])).toBe('DEFINITION_NAME_TAKEN');
    expect(refused('- a\n', [0])).toBe('DEFINITION_PLACE_UNKNOWN');
    expect(refused('a: 1\n', ['c'])).toBe('DEFINITION_PLACE_UNKNOWN');
    expect(refused('&x a: 1\nc: *x\n', ['a'])).toBe('DEFINITION_NOT_SPLICED');
  });

  it('adds a cylinder under its bare number', () => {
    expect(splice('temps: { 1: a }\n', { kind: 'insert', path: ['temps', '2'], value: 'b' })).toBe('temps: { 1: a, 2: b }\n');
  });

  it('tells 1 from "1" by how the key is written', () => {
    expect(splice('probes: { 1: a, "2": b }\n', { kind: 'set', path: ['probes', '1'], value: 'c' })).toBe('probes: { 1: c, "2": b }\n');
  });

  it('quotes what YAML would read as something else', () => {
    const texts = [
      'true',
      '1',
      '0x10',
      'null',
      '~',
      '- a',
      'a: b',
      'a, b',
      '#x',
      'x #y',
      '',
      ' a',
      '%',
      '"',
      "it's",
      '{',
      'ä',
      '1..2',
      'a\nb',
    ];
    for (const text of texts) {
      expect(new YamlText({ path: '', text: `k: ${toFlowText({ v: text })}` }).data).toEqual(new Map([['k', new Map([['v', text]])]]));
    }
    expect(toFlowText('0..1')).toBe('0..1');
    expect(toFlowText('50 ms')).toBe('50 ms');
  });

  it('refuses a text that has changed since, a place that is not there, and what only a person can change', () => {
    expect(() => spliceYaml(device, hashOfText('other'), { kind: 'remove', path: ['device'] })).toThrow('has changed since');
    expect(() => splice(device, { kind: 'set', path: ['frames', 0, 'nothing'], value: 1 })).toThrow(
      "'frames.0.nothing' is not in the file",
    );
    expect(() => splice(device, { kind: 'insert', path: ['frames', 0, 'id'], value: 1 })).toThrow('is not in the file');
    expect(() => splice('a: &x { b: 1 }\nc: *x\n', { kind: 'set', path: ['a', 'b'], value: 2 })).toThrow('only a person');
    expect(() => splice('a: [1\n', { kind: 'set', path: ['a'], value: 2 })).toThrow('only a person');
  });

  it('changes just what it was asked to, in random files of every style', () => {
    fc.assert(
      fc.property(fileText(), fc.nat(), fc.constantFrom('set', 'insert', 'remove', 'rename'), fc.boolean(), (text, pick, kind, deep) => {
        const before = new YamlText({ path: '', text });
        const places = placesOf(before.data, []);
        const place = places[pick % places.length] as { path: Path; value: YamlValue };
        const value = deep ? { v: [1, 'two'] } : 'new';
        const path = kind === 'insert' ? insertPath(place) : place.path;
        if (path === undefined || path.length === 0) return;
        // The writer itself compares the data after the edit with what it must be, and refuses otherwise.
        if (kind === 'rename' && typeof path.at(-1) === 'number') return;
        const after = splice(text, toSplice(kind, path, value));
        if (kind === 'rename') {
          const { start, end } = before.rangeOfKey(path) as { start: number; end: number };
          expect(after).toBe(`${text.slice(0, start)}renamed${text.slice(end)}`);
        }
        // An insertion is one stretch of new text; a change touches nothing outside the old value.
        if (kind === 'insert') expect(changedCharacters(text, after)).toBe(after.length - text.length);
        if (kind === 'set') {
          const { start, end } = before.rangeOfValue(path) as { start: number; end: number };
          const kept = text.slice(start, end).trimEnd().length;
          expect(after.startsWith(text.slice(0, start))).toBe(true);
          expect(after.endsWith(text.slice(start + kept))).toBe(true);
        }
        if (kind === 'remove') expect(after.length).toBeLessThanOrEqual(text.length + 2);
      }),
      { numRuns: 500 },
    );
  });
});

function toSplice(kind: string, path: Path, value: SpliceValue): Splice {
  if (kind === 'remove') return { kind, path };
  return kind === 'rename' ? { kind, path, name: 'renamed' } : { kind: kind as 'set', path, value };
}

/** Block and flow collections, comments, blank lines and odd spacing, all of which must survive. */
function fileText(): fc.Arbitrary<string> {
  const scalar = fc.constantFrom('1', '0x1F', "'q, ]'", '"d: }"', 'plain text', 'true', '50 ms', '0..3');
  const comment = fc.constantFrom('', '', '  # note', '   # more');
  const flow = fc.oneof(
    scalar,
    fc.array(scalar, { maxLength: 3 }).map((items) => `[ ${items.join(' , ')} ]`),
    fc.array(scalar, { maxLength: 3 }).map((items) => `{${items.map((item, i) => ` k${i}:  ${item}`).join(',')} }`),
  );
  const entry = (indent: string) => fc.tuple(flow, comment).map(([value, note]) => ({ value, note, indent }));
  const blockMap = (indent: string) =>
    fc
      .array(entry(indent), { minLength: 1, maxLength: 3 })
      .map((rows) => rows.map(({ value, note }, i) => `${indent}m${i}: ${value}${note}`));
  const blockList = (indent: string) =>
    fc.array(entry(indent), { minLength: 1, maxLength: 3 }).map((rows) => rows.map(({ value, note }) => `${indent}- ${value}${note}`));
  const section = fc.oneof(
    flow.map((value) => [` ${value}`]),
    blockMap('  ').map((lines) => ['', ...lines]),
    blockList('  ').map((lines) => ['', ...lines]),
    blockMap('    ').map((lines) => ['', ...lines.map((line, i) => (i === 0 ? line.replace('    ', '  - ') : line))]),
  );
  const between = fc.constantFrom('', '# own line\n', '\n');
  return fc
    .tuple(fc.array(fc.tuple(between, section), { minLength: 1, maxLength: 4 }), fc.constantFrom('', '\n', '\n# end\n'))
    .map(([sections, end]) => sections.map(([gap, lines], i) => `${gap}key${i}:${lines.join('\n')}`).join('\n') + end);
}

function placesOf(value: YamlValue, path: Path): { path: Path; value: YamlValue }[] {
  const inner = value instanceof Map ? [...value] : Array.isArray(value) ? [...value.entries()] : [];
  return [{ path, value }, ...inner.flatMap(([key, item]) => placesOf(item, [...path, key]))];
}

function insertPath({ path, value }: { path: Path; value: YamlValue }): Path | undefined {
  if (value instanceof Map) return [...path, 'added'];
  return Array.isArray(value) ? [...path, value.length] : undefined;
}

/** Characters of the longer text that lie between the common beginning and the common end of both. */
function changedCharacters(a: string, b: string): number {
  let start = 0;
  while (start < Math.min(a.length, b.length) && a[start] === b[start]) start++;
  let end = 0;
  while (end < Math.min(a.length, b.length) - start && a[a.length - 1 - end] === b[b.length - 1 - end]) end++;
  return Math.max(a.length, b.length) - start - end;
}
