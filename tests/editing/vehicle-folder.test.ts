// The vehicle folder changed by pages: new device files, devices put on a bus, and everything that must not be written.
import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { loadVehicle } from '../../server/definitions/load-vehicle.ts';
import { addDevice, addSignal } from '../../server/editing/vehicle-folder.ts';
import type { Finding } from '../../server/finder/signal-finder.ts';

const vehicleText = `vehicle: V
buses:
  main: { bit_rate: 500 kbit/s, devices: [box] } # the only one
  bare: { bit_rate: 250 kbit/s }
`;
const boxText = `device: box
frames:
  - name: temperatures
    id: 0x100
    length: 8
    signals:
      - { name: one,  bytes: 0..1 }   # spaces as a person left them
`;
const table = 'id,frame,name,bytes,unit\n0x200,pressures,Oil pressure,0-1,kPa\n';

let dir: string;
beforeEach(() => {
  dir = join(mkdtempSync(join(tmpdir(), 'evenburn-folder-')), 'boat');
  put('vehicle.yaml', vehicleText);
  put('devices/box.yaml', boxText);
});
afterEach(() => rmSync(dirname(dir), { recursive: true, force: true }));

function put(path: string, text: string): void {
  mkdirSync(dirname(join(dir, path)), { recursive: true });
  writeFileSync(join(dir, path), text);
}

function read(path: string): string {
  return readFileSync(join(dir, path), 'utf8');
}

/** Every file of the folder with its text, so that nothing changes unseen. */
function everything(): Record<string, string> {
  const paths = readdirSync(dirname(dir), { recursive: true, withFileTypes: true });
  return Object.fromEntries(
    paths.filter((entry) => entry.isFile()).map(({ parentPath, name }) => [name, readFileSync(join(parentPath, name), 'utf8')]),
  );
}

describe('a table saved as a device', () => {
  it('is a file of its own; nothing else changes, and the vehicle stays good', async () => {
    const saved = await addDevice(dir, { text: table, device: 'node' });
    expect(saved).toMatchObject({ path: 'devices/node.yaml', line: 1 });
    expect(read('devices/node.yaml')).toBe(saved.added);
    expect(read('devices/node.yaml')).toContain('{ name: oil_pressure, bytes: 0..1, unit: kPa }');
    expect([read('vehicle.yaml'), read('devices/box.yaml')]).toEqual([vehicleText, boxText]);
    expect((await loadVehicle(dir)).problems.filter(({ severity }) => severity === 'error')).toEqual([]);
  });

  it.each([
    ['main', 'devices: [box, node] } # the only one'],
    ['bare', 'bare: { bit_rate: 250 kbit/s, devices: [node] }'],
  ])('is put on bus %s where that is wished', async (bus, line) => {
    await addDevice(dir, { text: table, device: 'node', bus });
    expect(read('vehicle.yaml')).toContain(line);
    const { vehicle } = await loadVehicle(dir);
    const frame = vehicle?.buses.find(({ name }) => name === bus)?.frames.find(({ id }) => id === 0x200);
    expect(frame?.signals.map(({ name }) => name)).toEqual(['oil_pressure']);
  });

  it.each([
    ['the name of a device', 'box', 'devices/box.yaml', boxText],
    ['the name of a device in other letters', 'Box', 'devices/box.yaml', boxText],
    [
      "another file's device",
      'gauge',
      'devices/panel.yaml',
      boxText.replace('box', 'gauge').replace('one', 'two').replace('0x100', '0x101'),
    ],
    ['a device that several vehicles share', 'gauge', '../devices/gauge.yaml', boxText.replace('box', 'gauge')],
  ])('is refused under %s, and no file is overwritten', async (_, device, path, text) => {
    put(path, text);
    const before = everything();
    await expect(addDevice(dir, { text: table, device })).rejects.toMatchObject({ code: 'DEVICE_EXISTS' });
    expect(everything()).toEqual(before);
  });

  it.each([
    ['a table with conflicts', { text: 'id,name,bytes\n0x100,a,0-1\n0x100,b,1\n' }, 'TABLE_CONFLICTS'],
    ['a bus that is not there', { text: table, bus: 'mian' }, 'BUS_UNKNOWN'],
    ['an id that another device has on the bus', { text: table.replace('0x200', '0x100'), bus: 'main' }, 'DEFINITION_NOT_WRITTEN'],
    ["a channel's name that is taken", { text: table.replace('Oil pressure', 'one'), bus: 'main' }, 'DEFINITION_NOT_WRITTEN'],
  ])('is refused for %s, and nothing is written', async (_, request, code) => {
    const before = everything();
    await expect(addDevice(dir, { device: 'node', ...request })).rejects.toMatchObject({ code });
    expect(everything()).toEqual(before);
  });

  it('is saved into a folder with other errors, which are no fault of it', async () => {
    put('devices/broken.yaml', 'device: broken\nframes: 3\n');
    await addDevice(dir, { text: table, device: 'node' });
    expect(read('devices/node.yaml')).toContain('oil_pressure');
  });

  it('makes the folder of devices where there is none', async () => {
    rmSync(join(dir, 'devices'), { recursive: true });
    put('vehicle.yaml', 'vehicle: V\nbuses:\n  main: { bit_rate: 500 kbit/s }\n');
    await addDevice(dir, { text: table, device: 'node', bus: 'main' });
    expect((await loadVehicle(dir)).vehicle?.buses[0]?.devices.map(({ name }) => name)).toEqual(['node']);
  });
});

describe('a found signal', () => {
  const finding: Finding = {
    bus: 7,
    id: 0x100,
    extended: false,
    flags: 0,
    lengthBytes: 8,
    startBit: 23,
    bitLength: 16,
    byteOrder: 'big',
    sign: 'unsigned',
    r: 1,
    variant: { lagS: 0, riseS: 0 },
    factor: 0.1,
    offset: -60,
    signTold: false,
    frames: 100,
    cost: -11,
    alike: [],
  };
  const acceptance = { device: 'box', name: 'found', unit: 'degC', scaled: true };

  it('is one line more, on the bus of its name, with the scaling that a person gave', async () => {
    const saved = await addSignal(dir, { finding, bus: 'main' }, { ...acceptance, scale: { factor: 0.125, offset: -40.0625 } });
    const line = '      - { name: found, bytes: 2..3, byte_order: big, factor: 0.125, offset: -40.0625, unit: degC }';
    expect(saved).toEqual({ path: 'devices/box.yaml', line: 8, added: line });
    expect(read('devices/box.yaml')).toBe(`${boxText}${line}\n`);
  });

  it.each([
    ['a bus that is not there any more', { finding, bus: 'gone' }, acceptance, 'BUS_UNKNOWN'],
    ['bits that another signal has', { finding: { ...finding, startBit: 7 }, bus: 'main' }, acceptance, 'FINDING_NOT_WRITTEN'],
    ['a name that is taken', { finding, bus: 'main' }, { ...acceptance, name: 'one' }, 'FINDING_NOT_WRITTEN'],
    ['a device that is not on the bus', { finding, bus: 'main' }, { ...acceptance, device: 'node' }, 'DEVICE_UNKNOWN'],
  ])('is refused for %s, and nothing is written', async (_, found, accepted, code) => {
    const before = everything();
    await expect(addSignal(dir, found, accepted)).rejects.toMatchObject({ code });
    expect(everything()).toEqual(before);
  });
});
