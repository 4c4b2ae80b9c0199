// Reading vehicle folders that are good: defaults, numbering of bits, raw values, second devices, engines of every kind.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { getVehicle, loadVehicle, parseVehicle } from '../../server/definitions/load-vehicle.ts';
import { toProblemLine } from '../../server/definitions/problem.ts';
import type { Frame, Signal, Vehicle } from '../../server/definitions/vehicle.ts';

const busOf = (devices: string) => `vehicle: Test\nbuses:\n  engine: { bit_rate: 500 kbit/s, devices: [${devices}] }\n`;

function read(files: Record<string, string>): Vehicle {
  const { vehicle, problems } = parseVehicle(Object.entries(files).map(([path, text]) => ({ path, text })));
  if (!vehicle) throw new Error(problems.map((problem) => toProblemLine(problem)).join('\n'));
  return vehicle;
}

/** A vehicle with one device of one frame with the given signals. */
function readSignals(signals: string, frame = 'id: 0x100, length: 8'): Frame {
  const box = `device: box\nframes:\n  - { name: first, ${frame}, signals: [${signals}] }\n`;
  return read({ 'vehicle.yaml': busOf('box'), 'devices/box.yaml': box }).buses[0]?.frames[0] as Frame;
}

const readSignal = (signal: string, frame?: string) => readSignals(signal, frame).signals[0] as Signal;

const readVehicle = (more: string) =>
  read({
    'vehicle.yaml': busOf('box') + more,
    'devices/box.yaml': `device: box
frames:
  - name: first
    id: 0x100
    length: 8
    signals:
      - { name: oil_pressure, bytes: 0 }
      - { name: battery_voltage, bytes: 1 }
      - { name: rpm, bytes: 2..3, unit: rpm }
      - { name: egt_1, bytes: 4 }
      - { name: egt_2, bytes: 5 }
      - { name: pulse, bytes: 6 }
`,
  });

describe('a signal', () => {
  it('has the defaults of the design', () => {
    expect(readSignal('{ name: a, bytes: 0 }')).toMatchObject({
      startBit: 0,
      bitLength: 8,
      byteOrder: 'little',
      sign: 'unsigned',
      factor: 1,
      offset: 0,
      unit: '',
      fault: [],
      notAvailable: [],
      when: [],
      channel: 0,
    });
  });

  it.each([
    ['bytes: 2..3', 16, 16],
    ['bytes: 2..3, byte_order: big', 23, 16],
    ['start_bit: 23, bit_length: 16, byte_order: big', 23, 16],
    ['bytes: 7, byte_order: big', 63, 8],
    ['bytes: 0..7', 0, 64],
    ['bytes: 0..7, byte_order: big', 7, 64],
    ['start_bit: 63, bit_length: 1', 63, 1],
  ])('%s starts at bit %i and has %i bits', (place, startBit, bitLength) => {
    expect(readSignal(`{ name: a, ${place} }`)).toMatchObject({ startBit, bitLength });
  });

  it('may lie beside another that shares its bytes but not its bits, in either byte order', () => {
    // Big, start bit 3, 12 bits: byte 0 bits 3..0 and byte 1 whole. Little, start bit 4, 4 bits: byte 0 bits 7..4.
    const frame = readSignals('{ name: a, start_bit: 3, bit_length: 12, byte_order: big }, { name: b, start_bit: 4, bit_length: 4 }');
    expect(frame.signals.map((signal) => signal.name)).toEqual(['a', 'b']);
  });

  it('keeps all 64 bits of raw masks and states', () => {
    const signal = readSignal(
      '{ name: a, bytes: 0..7, fault: 0xFFFFFFFFFFFFFFFF, not_available: [0xFFFFFFFFFFFFFFFE, 0xFE00000000000001..0xFE00000000000003], states: { 0xFFFFFFFFFFFFFFFD: odd, 18446744073709551612: even } }',
    );
    expect(signal.fault).toEqual([{ from: 0xffffffffffffffffn, to: 0xffffffffffffffffn }]);
    expect(signal.notAvailable).toEqual([
      { from: 0xfffffffffffffffen, to: 0xfffffffffffffffen },
      { from: 0xfe00000000000001n, to: 0xfe00000000000003n },
    ]);
    expect([...signal.states]).toEqual([
      [0xfffffffffffffffdn, 'odd'],
      [0xfffffffffffffffcn, 'even'],
    ]);
  });

  it('takes raw values of a signed signal as numbers or as patterns, and stores patterns', () => {
    const signal = readSignal('{ name: a, bytes: 0, sign: signed, fault: [-1, 0x80], not_available: -3..2, states: { -2: reverse } }');
    expect(signal.fault).toEqual([
      { from: 0xffn, to: 0xffn },
      { from: 0x80n, to: 0x80n },
    ]);
    expect(signal.notAvailable).toEqual([
      { from: 0xfdn, to: 0xffn },
      { from: 0n, to: 2n },
    ]);
    expect([...signal.states]).toEqual([[0xfen, 'reverse']]);
  });

  it('carries the conditions of its conditions', () => {
    const frame = readSignals(
      '{ name: page, bytes: 0 }, { name: part, bytes: 1, when: { page: 1..3 } }, { name: deep, bytes: 2, when: { part: [0, 5..6], page: 2 } }',
    );
    expect(frame.signals[2]?.when).toEqual([
      {
        signal: 'part',
        ranges: [
          { from: 0n, to: 0n },
          { from: 5n, to: 6n },
        ],
      },
      { signal: 'page', ranges: [{ from: 2n, to: 2n }] },
    ]);
  });

  it('gets the J1939 ranges of its size on request, and its own where it says some', () => {
    const frame = readSignals(
      '{ name: a, bytes: 0, j1939: true }, { name: b, bytes: 1..2, j1939: true }, { name: c, start_bit: 24, bit_length: 2, j1939: true }, { name: d, bytes: 4..7, j1939: true, not_available: 0 }, { name: e, start_bit: 26, bit_length: 2 }',
    );
    const ranges = frame.signals.map(({ fault, notAvailable }) => [fault, notAvailable].flat().map(({ from, to }) => [from, to]));
    expect(ranges).toEqual([
      [
        [0xfbn, 0xfen],
        [0xffn, 0xffn],
      ],
      [
        [0xfb00n, 0xfeffn],
        [0xff00n, 0xffffn],
      ],
      [
        [2n, 2n],
        [3n, 3n],
      ],
      [
        [0xfb000000n, 0xfeffffffn],
        [0n, 0n],
      ],
      [],
    ]);
  });
});

describe('a frame', () => {
  it('is CAN FD above 8 bytes, a broadcast message with a pgn, and extended as said', () => {
    expect(readSignals('', 'id: 0x100, length: 64')).toMatchObject({ fd: true, extended: false, lengthBytes: 64 });
    expect(readSignals('', 'pgn: 65226, length: 39')).toMatchObject({ fd: false, extended: true, pgn: 65226 });
    expect(readSignals('', 'id: 0x7FF, length: 0')).toMatchObject({ fd: false, extended: false, id: 0x7ff });
    expect(readSignals('', 'id: 0x100, extended: true, length: 8, fd: true')).toMatchObject({ fd: true, extended: true });
  });

  it('reads its period and its source addresses', () => {
    expect(readSignals('', 'pgn: 61444, source_address: [0, 3..5], length: 8, period: 12.5 ms')).toMatchObject({
      periodUs: 12_500,
      sourceAddresses: [
        { from: 0, to: 0 },
        { from: 3, to: 5 },
      ],
    });
    expect(readSignals('', 'id: 1, length: 8').periodUs).toBeUndefined();
  });
});

describe('a second device of a kind', () => {
  const box = `device: box
frames:
  - name: first
    id: 0x100
    length: 4
    counter: count
    signals: [{ name: page, bytes: 0 }, { name: temp, bytes: 1, when: { page: 0 } }, { name: count, bytes: 2 }]
  - { name: group, pgn: 61444, source_address: 3, length: 8, signals: [{ name: speed, bytes: 3..4 }] }
`;
  const vehicle = read({
    'vehicle.yaml': busOf('box, { device: box, as: rear-box, id_offset: 0x10, prefix: rear_ }'),
    'devices/box.yaml': box,
  });

  it('has its own ids, and its prefix before channels, frames, conditions and counter', () => {
    const [, , rear, rearGroup] = vehicle.buses[0]?.frames ?? [];
    expect(rear).toMatchObject({ name: 'rear_first', id: 0x110, device: 'rear-box', counter: 'rear_count' });
    expect(rear?.signals[1]).toMatchObject({ name: 'rear_temp', when: [{ signal: 'rear_page' }] });
    expect(rearGroup).toMatchObject({ name: 'rear_group', pgn: 61444, sourceAddresses: [{ from: 0x13, to: 0x13 }] });
  });

  it('numbers its channels behind those of the first', () => {
    const channels = vehicle.buses.flatMap((bus) => bus.frames.flatMap((frame) => frame.signals.map((signal) => signal.channel)));
    expect(channels).toEqual([0, 1, 2, 3, 4, 5, 6, 7]);
  });
});

describe('a vehicle', () => {
  it('needs a name and a bus, and guesses nothing else', () => {
    const vehicle = read({ 'vehicle.yaml': 'vehicle: Bare\nbuses: { one: { bit_rate: 1 Mbit/s } }\n' });
    expect(vehicle).toMatchObject({ name: 'Bare', electrical: {}, injectorSets: [], derived: [], alarms: [] });
    expect(vehicle.buses[0]).toMatchObject({ name: 'one', bitRate: 1_000_000, devices: [] });
    expect(vehicle.engine).toBeUndefined();
    expect(vehicle.fuel).toMatchObject({ name: 'petrol', stoichiometricAfr: 14.7 });
    expect(vehicle.buses[0]?.trunk).toBeUndefined();
  });

  it('finds a shared device file beside the folder, and prefers its own', () => {
    const own = 'device: box\nframes: [{ name: own, id: 1, length: 0, signals: [] }]\n';
    const shared = own.replace('own', 'shared');
    const broken = 'device: other\nframes: [{ nam: x }]\n';
    const files = { 'vehicle.yaml': busOf('box'), '../devices/box.yaml': shared, '../devices/other.yaml': broken };
    expect(read(files).buses[0]?.frames[0]?.name).toBe('shared');
    expect(read(files).files.map((file) => file.path)).toEqual(['vehicle.yaml', '../devices/box.yaml']);
    expect(read({ ...files, 'devices/box.yaml': own }).buses[0]?.frames[0]?.name).toBe('own');
  });

  it('may call a device by its file, where no device is called so', () => {
    const device = (name: string, id: number) => `device: ${name}\nframes: [{ name: of_${name}, id: ${id}, length: 0, signals: [] }]\n`;
    const files = { 'vehicle.yaml': busOf('one, other'), 'devices/one.yaml': device('other', 1), 'devices/other.yaml': device('one', 2) };
    expect(read(files).buses[0]?.frames.map((frame) => frame.name)).toEqual(['of_one', 'of_other']);
    const byFile = { 'vehicle.yaml': busOf('stem'), 'devices/stem.yaml': device('other', 1) };
    expect(read(byFile).buses[0]?.devices[0]).toMatchObject({ name: 'stem', kind: 'other' });
  });

  it('lets a channel of the usual name stand in for a role that is not said', () => {
    expect(readVehicle('engine: { cylinders: 2 }\n').engine?.roles).toEqual({ oilPressure: 'oil_pressure', battery: 'battery_voltage' });
    expect(readVehicle('engine: { battery: pulse, speed: rpm }\n').engine?.roles).toMatchObject({ battery: 'pulse', speed: 'rpm' });
  });

  it('reads engines of one to sixteen cylinders', () => {
    for (const cylinders of [1, 2, 3, 5, 8, 12, 16]) {
      const order = Array.from({ length: cylinders }, (_, i) => cylinders - i);
      const engine = readVehicle(`engine: { cylinders: ${cylinders}, firing_order: [${order}] }\n`).engine;
      expect(engine).toMatchObject({ cylinders, firingOrder: order, banks: [], cycle: 'four-stroke' });
    }
  });

  it('counts cylinders by what names them when the number is not said', () => {
    expect(readVehicle('engine: { banks: { left: [1, 3], right: [2, 4] } }\n').engine?.cylinders).toBe(4);
    expect(readVehicle('engine: { exhaust_temps: { 2: { channel: egt_2 }, 1: { channel: egt_1 } } }\n').engine?.cylinders).toBe(2);
    expect(readVehicle('engine: { speed: rpm }\n').engine?.cylinders).toBe(0);
  });

  it('reads probes in order of cylinders, with lag, place and thing', () => {
    const engine = readVehicle(
      'engine: { exhaust_temps: { 2: { channel: egt_2, lag: 600..1200 ms, probe: 7 }, 1: { channel: egt_1, lag: 0.8 s } } }\n',
    ).engine;
    expect(engine?.exhaustTemps).toEqual([
      { cylinder: 1, channel: 'egt_1', lagS: { low: 0.8, high: 0.8 }, place: 'port' },
      { cylinder: 2, channel: 'egt_2', lagS: { low: 0.6, high: 1.2 }, place: 'port', probe: '7' },
    ]);
  });

  it('reads a barometer as a channel, as a value, or as a value with its time', () => {
    expect(readVehicle('engine: { barometer: oil_pressure }\n').engine?.barometer).toEqual({ channel: 'oil_pressure' });
    expect(readVehicle('engine: { barometer: 998 mbar }\n').engine?.barometer).toEqual({ valueKpa: 99.80000000000001 });
    expect(readVehicle('engine: { barometer: { value: 99 kPa, at: 2026-05-01 09:30 } }\n').engine?.barometer).toEqual({
      valueKpa: 99,
      at: '2026-05-01 09:30',
    });
  });

  it('reads injector sets with plans, dead time and what the pulse counts', () => {
    const [set] = readVehicle(`engine: { cylinders: 4 }
injector_sets:
  plenum:
    pulse: pulse
    pulse_is: per cycle without dead time
    injections_per_cycle: 2
    flow: 1500 cc/min at 3 bar
    dead_time: [[9 V, 1500 us], [14 V, 0.8 ms]]
    target: 43.5 psi
    plans: { drawn: { A: [1, 4], B: [2, 3] } }
    group_angles: { zero: compression top of cylinder 1, A: 60 deg, B: 240 deg }
`).injectorSets;
    expect(set).toMatchObject({
      pulseIs: { per: 'cycle', deadTime: 'excluded' },
      flow: { ccPerMin: 1500, atKpa: 300 },
      deadTime: [
        [9, 1.5],
        [14, 0.8],
      ],
      plan: 'drawn',
      cylinders: [1, 2, 3, 4],
    });
    // 43.5 psi = 299.92 kPa.
    expect(set?.targetKpa).toBeCloseTo(299.92, 2);
    expect(set?.groupAngles?.anglesDeg.get('B')).toBe(240);
  });

  it('turns a flow by mass into volume by the density of the fuel', () => {
    // 1 lb/h = 7.559873 g/min: 60 lb/h are 60 × 7.559873 / 0.792 = 572.72 cc/min of methanol, 60 × 10.5 = 630 of petrol.
    const flowOf = (fuel: string) =>
      readVehicle(`fuel: ${fuel}\ninjector_sets: { port: { flow: 60 lb/h at 43.5 psi } }\n`).injectorSets[0]?.flow;
    expect(flowOf('methanol')?.ccPerMin).toBeCloseTo(572.718, 2);
    expect(flowOf('petrol')?.ccPerMin).toBeCloseTo(629.99, 1);
  });

  it('mixes fuels by mass', () => {
    // Half and half: (6.4734 + 14.7) / 2 parts of air; 1 kg takes 0.5 / 0.792 + 0.5 / 0.72 = 1.32576 L.
    const { fuel } = readVehicle('fuel: { methanol: 50 %, petrol: 0.5 }\n');
    expect(fuel.stoichiometricAfr).toBeCloseTo(10.5867, 6);
    expect(fuel.densityKgPerL).toBeCloseTo(0.754286, 5);
  });

  it('reads alarms, limits, tables and the electrical system', () => {
    const vehicle = readVehicle(`electrical: { nominal: 12 V, charging: false }
tables: { floor: [[0, 1.5], [3000, 2e2]] }
alarms:
  - { name: low, when: oil_pressure < 50, arm_after: 3 s, for: 300 ms, clear: oil_pressure > 80, severity: caution, latch: true, advice: Stop }
  - { name: bare, when: oil_pressure < 20 }
limits: { exhaust_temp: 1436 degF, exhaust_spread: 144 degF, duty: 85 % }
`);
    expect(vehicle.electrical).toEqual({ nominalV: 12, charging: false });
    expect(vehicle.tables.get('floor')).toEqual([
      [0, 1.5],
      [3000, 200],
    ]);
    expect(vehicle.alarms[0]).toMatchObject({
      armAfterUs: 3_000_000,
      forUs: 300_000,
      clear: 'oil_pressure > 80',
      severity: 'caution',
      latch: true,
    });
    expect(vehicle.alarms[1]).toMatchObject({ armAfterUs: 0, forUs: 0, severity: 'warning', latch: false, advice: '' });
    expect(vehicle.limits.exhaustTempC).toBeCloseTo(780, 9);
    expect(vehicle.limits.exhaustSpreadK).toBeCloseTo(80, 9);
    expect(vehicle.limits.dutyPercent).toBe(85);
  });

  it('reads the trunk from end to end', () => {
    const { buses } = readVehicle(
      'trunk: { engine: [terminator, { listener: bench plug, stub: 30 mm }, { device: box, terminator: inside }] }\n',
    );
    expect(buses[0]?.trunk).toEqual([
      { kind: 'terminator', name: 'terminator', terminated: true },
      { kind: 'listener', name: 'bench plug', stubM: 0.03, terminated: false },
      { kind: 'device', name: 'box', terminated: true },
    ]);
  });

  it('is the same, hash included, whenever the same files are read, and has another hash for another text', () => {
    const files = { 'vehicle.yaml': busOf('box'), 'devices/box.yaml': 'device: box\nframes: []\n' };
    expect(read(files)).toEqual(read(files));
    expect(read({ ...files, 'devices/box.yaml': 'device: box\nframes: [] # \n' }).hash).not.toBe(read(files).hash);
  });

  it('takes % as a unit without the quotes that YAML wants', () => {
    expect(readSignal('{ name: a, bytes: 0, unit: % }').unit).toBe('%');
    const box =
      'device: box\nframes:\n  - name: first\n    id: 1\n    length: 1\n    signals:\n      - name: a\n        bytes: 0\n        unit: %   # of full scale\n';
    expect(read({ 'vehicle.yaml': busOf('box'), 'devices/box.yaml': box }).buses[0]?.frames[0]?.signals[0]?.unit).toBe('%');
  });

  it('reads files of other editors: CRLF, a byte order mark, tabs behind values', () => {
    const vehicle = read({
      'vehicle.yaml': `\uFEFF${busOf('box').replaceAll('\n', '\t\r\n')}`,
      'devices/box.yaml': 'device: box\r\nframes: []\r\n',
    });
    expect(vehicle.name).toBe('Test');
  });
});

describe('a folder', () => {
  it.each(['garganey', 'j1939-engine'])('bus-definitions/%s is good and raises no warning', async (name) => {
    const { vehicle, problems } = await loadVehicle(join(import.meta.dirname, '../../bus-definitions', name));
    expect(problems).toEqual([]);
    expect(vehicle).toBeDefined();
  });

  it('that has errors stops commands with all of them, each with its place', async () => {
    const dir = join(import.meta.dirname, '../fixtures/broken-definitions/all-at-once');
    const error = await getVehicle(dir).catch((caught: unknown) => caught);
    expect(error).toMatchObject({ code: 'VEHICLE_INVALID', exitCode: 3 });
    const lines = String((error as { details: { problems: string } }).details.problems).split('\n');
    expect(lines).toHaveLength(4);
    expect(lines[0]).toMatch(/all-at-once\/vehicle\.yaml:5:13: error CHANNEL_UNKNOWN: /);
  });

  it('that is not there is one problem', async () => {
    const dir = mkdtempSync(join(tmpdir(), 'evenburn-'));
    rmSync(dir, { recursive: true });
    expect((await loadVehicle(dir)).problems).toMatchObject([{ code: 'FILE_MISSING', file: 'vehicle.yaml', line: 1, column: 1 }]);
  });

  it('with a file of more than 256 KiB says so', () => {
    const { problems } = parseVehicle([{ path: 'vehicle.yaml', text: `vehicle: Test\n#${'x'.repeat(256 * 1024)}` }]);
    expect(problems).toMatchObject([{ code: 'FILE_TOO_LARGE', file: 'vehicle.yaml' }]);
  });
});
