import { spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';

const program = fileURLToPath(new URL('../../server/start.mjs', import.meta.url));
let folder = '';

const vehicle = `vehicle: Made
buses:
  engine: { bit_rate: 500 kbit/s, interface: can0, devices: [box] }
  hull: { bit_rate: 250 kbit/s, interface: can1, devices: [battery] }
derived:
  - { name: twice, formula: b * 2 }
`;
const box = `device: box
title: Made for this test
frames:
  - name: temps
    id: 0x4C0
    length: 4
    signals:
      - { name: a, bytes: 0..1, byte_order: big, factor: 0.1, offset: -50, unit: degC, min: -50, max: 1250, fault: 0xFFFF }
      - { name: b, bytes: 2..3, byte_order: big, not_available: 0xFFFF }
`;
const battery = `device: battery
title: As the boat sends it
frames:
  - name: battery_status
    pgn: 127508
    length: 8
    signals:
      - { name: battery_instance, bytes: 0 }
      - { name: battery_volts, bytes: 1..2, sign: signed, factor: 0.01, unit: V }
      - { name: battery_amps, bytes: 3..4, sign: signed, factor: 0.1, unit: A }
      - { name: battery_temp, bytes: 5..6, factor: 0.01, unit: K }
      - { name: battery_sequence, bytes: 7 }
`;
const log = `(1700000000.000454) can0 4C0#02DE0005
(1700000000.003000) can0 4C0#FFFFFFFF
not a frame
(1700000000.004000) can1 4C0#00000000
(1700000000.005000) can0 4C0#000000
(1700000000.006000) can0 4C0#FFFE000000
(1700000000.006001) can0 4C0#R4
(1700000000.006002) can0 20000004#0004000000000000
(1700000000.006003) can7 4C0#00000000
`;

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-decode-'));
  mkdirSync(join(folder, 'devices'));
  writeFileSync(join(folder, 'vehicle.yaml'), vehicle);
  writeFileSync(join(folder, 'devices', 'box.yaml'), box);
  writeFileSync(join(folder, 'devices', 'battery.yaml'), battery);
  writeFileSync(join(folder, 'frames.log'), log);
});
afterAll(() => rmSync(folder, { recursive: true }));

function decode(...args: string[]) {
  const { status, stdout, stderr } = spawnSync(process.execPath, [program, 'decode', ...args, '--vehicle', folder], {
    encoding: 'utf8',
    maxBuffer: 1 << 28,
  });
  return { status, stdout, stderr, lines: stdout.trim().split('\n') };
}

describe('evenburn decode', () => {
  it('prints a line a sample, time exact to the microsecond, and the counts on standard error', () => {
    const { status, stderr, lines } = decode(join(folder, 'frames.log'), '--signals-only');
    expect(status).toBe(0);
    expect(lines.map((line) => line.slice(5, 22))).toEqual([
      '1700000000.000454',
      '1700000000.000454',
      '1700000000.003000',
      '1700000000.003000',
      '1700000000.006000',
      '1700000000.006000',
    ]);
    const same = { bus: 'engine', channel: 'a', unit: 'degC' };
    expect(lines.map((line) => JSON.parse(line))).toEqual([
      // 0x02DE is 734: 734 × 0.1 − 50 in doubles.
      { t: 1700000000.000454, ...same, value: 734 * 0.1 - 50, quality: 'ok' },
      { t: 1700000000.000454, bus: 'engine', channel: 'b', value: 5, quality: 'ok', unit: '' },
      { t: 1700000000.003, ...same, value: null, quality: 'fault' },
      { t: 1700000000.003, bus: 'engine', channel: 'b', value: null, quality: 'missing', unit: '' },
      { t: 1700000000.006, ...same, value: 65534 * 0.1 - 50, quality: 'out-of-range' },
      { t: 1700000000.006, bus: 'engine', channel: 'b', value: 0, quality: 'ok', unit: '' },
    ]);
    expect(stderr).toMatch(/7 frames, 6 samples/);
    expect(stderr).toMatch(/line 3: /);
    expect(stderr).toMatch(/1 frame of interface can7 left out/);
    expect(stderr).toMatch(/temps: 1 frame shorter than 4 bytes/);
    expect(stderr).toMatch(/temps: 1 frame longer than 4 bytes/);
    expect(stderr).toMatch(/1 remote frame\n/);
    expect(stderr).toMatch(/1 error frame/);
    expect(stderr).toMatch(/0x4C0 on hull: 1 frame/);
  });

  it('prints derived channels at their instants, with the bus of their inputs, in time order', () => {
    const rows = decode(join(folder, 'frames.log')).lines.map((line) => JSON.parse(line));
    const twice = rows.filter(({ channel }) => channel === 'twice');
    // The instant at 10 ms sees the frame of 6 ms, and no one earlier.
    expect(twice).toEqual([{ t: 1700000000.01, bus: 'engine', channel: 'twice', value: 0, quality: 'ok', unit: '' }]);
    const times = rows.map(({ t }) => t);
    expect(times).toEqual([...times].sort((x, y) => x - y));
    expect(rows.every(({ quality }) => quality !== 'stale')).toBe(true);
  });

  it('says on standard error which channels the vehicle file does not make possible, and the line that would', () => {
    const refused = join(folder, 'refused');
    mkdirSync(join(refused, 'devices'), { recursive: true });
    // A gauge rail against a pressure that says neither gauge nor absolute: the delta is not guessed.
    writeFileSync(
      join(refused, 'vehicle.yaml'),
      `vehicle: Refused
buses:
  engine: { bit_rate: 500 kbit/s, interface: can0, devices: [box] }
engine: { cycle: two-stroke, cylinders: 1, speed: revs, barometer: { value: 101 kPa, at: 2026-05-01T09:00:00Z } }
injector_sets:
  port: { rail: rail, discharge: boost }
`,
    );
    writeFileSync(
      join(refused, 'devices', 'box.yaml'),
      `device: box
title: Made for this test
frames:
  - name: all
    id: 0x4C0
    length: 4
    signals:
      - { name: revs, bytes: 0..1, unit: rpm }
      - { name: rail, bytes: 2, unit: kPa, reference: gauge }
      - { name: boost, bytes: 3, unit: kPa }
`,
    );
    const run = (...more: string[]) =>
      spawnSync(process.execPath, [program, 'decode', join(folder, 'frames.log'), '--vehicle', refused, ...more], { encoding: 'utf8' });
    const { status, stdout, stderr } = run();
    expect(status).toBe(0);
    expect(stdout).not.toMatch(/fuel_delta_port/);
    expect(stderr).toMatch(/^evenburn: not made: fuel_delta_port; it would take 'boost: reference: gauge or absolute'$/m);
    expect(run('--signals-only').stderr).not.toMatch(/not made/);
  });

  it('prints CSV', () => {
    const { lines } = decode(join(folder, 'frames.log'), '--signals-only', '--format', 'csv');
    expect(lines.slice(0, 4)).toEqual([
      't,bus,channel,value,quality,unit',
      `1700000000.000454,engine,a,${734 * 0.1 - 50},ok,degC`,
      '1700000000.000454,engine,b,5,ok,',
      '1700000000.003000,engine,a,,fault,degC',
    ]);
  });

  it('gives every frame to the bus that the user names', () => {
    const { stderr } = decode(join(folder, 'frames.log'), '--signals-only', '--bus', 'engine');
    expect(stderr).toMatch(/8 frames, 10 samples/);
  });

  it.each<[string, string[], number, RegExp]>([
    ['a file that is not there', ['/nowhere.log'], 3, /no such file/],
    ['a file that is no recording', [program], 3, /not a recording/],
    ['an unknown format', [program, '--format', 'xml'], 2, /xml/],
    ['an unknown bus', [program, '--bus', 'keel'], 2, /keel/],
    ['a wrong column mapping', [program, '--columns', 'colour=Colour'], 2, /colour/],
  ])('says what is wrong with %s', (_title, args, status, said) => {
    const done = decode(...args);
    expect([done.status, done.stdout]).toEqual([status, '']);
    expect(done.stderr).toMatch(said);
  });

  it('ends with 3 for a vehicle folder that is not there, and 2 without one', () => {
    const run = (...args: string[]) => spawnSync(process.execPath, [program, 'decode', join(folder, 'frames.log'), ...args]).status;
    expect(run('--vehicle', '/nowhere')).toBe(3);
    expect(run()).toBe(2);
  });

  it('ends with 0 when its reader has seen enough, and reads standard input', async () => {
    writeFileSync(join(folder, 'long.log'), '(1700000000.000454) can0 4C0#02DE0005\n'.repeat(300_000));
    const shell = spawn('sh', [
      '-c',
      `cat '${join(folder, 'long.log')}' | { '${process.execPath}' '${program}' decode - --signals-only --vehicle '${folder}'; echo "exit $?" >&2; } | head -n 1`,
    ]);
    let out = '';
    let errors = '';
    shell.stdout.on('data', (piece) => {
      out += piece;
    });
    shell.stderr.on('data', (piece) => {
      errors += piece;
    });
    await once(shell, 'close');
    expect(JSON.parse(out).channel).toBe('a');
    expect(errors).toMatch(/exit 0/);
  });
});

const boat = fileURLToPath(new URL('../../../shared/data/boat', import.meta.url));

describe('the recording of a real boat', () => {
  const there = existsSync(boat);
  if (!there) console.warn('skipped: the boat recording lies beside the checkout only where the project is built');

  it.skipIf(!there)('has 160 battery messages, the first and last as another decoder read them', () => {
    const { stderr, lines } = decode(join(boat, 'can0-3.log.gz'), '--signals-only', '--bus', 'hull');
    expect(stderr).toMatch(/47783 frames, 800 samples/);
    const rows = lines.map((line) => JSON.parse(line));
    const [first, last] = [rows.slice(0, 5), rows.slice(-5)].map((five) => five.map(({ value }) => value));
    expect(first?.map((value) => Math.round(value * 100) / 100)).toEqual([2, 14.14, 15.8, 282.14, 221]);
    expect(last?.map((value) => Math.round(value * 100) / 100)).toEqual([1, 14.09, 0.2, 283.14, 7]);
  });
});
