import { spawnSync } from 'node:child_process';
import { mkdirSync, mkdtempSync, readFileSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { acceptFinding } from '../../server/finder/accept-finding.ts';
import type { Finding } from '../../server/finder/signal-finder.ts';

const device = `# A box.
device: box
frames:
  - name: temperatures # four of them
    id: 0x100
    length: 8
    signals:
      - { name: one,  bytes: 0..1 }   # spaces as a person left them
  - name: pages
    id: 0x101
    length: 4
    signals:
      - { name: page, start_bit: 0, bit_length: 4 }
`;

function vehicle(entry = 'box'): Vehicle {
  const parsed = parseVehicle([
    { path: 'vehicle.yaml', text: `vehicle: V\nbuses:\n  main: { bit_rate: 500 kbit/s, devices: [${entry}] }\n` },
    { path: 'devices/box.yaml', text: device },
  ]);
  if (!parsed.vehicle) throw new Error(JSON.stringify(parsed.problems));
  return parsed.vehicle;
}

function finding(given: Partial<Finding>): Finding {
  return {
    bus: 0,
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
    factor: 0.1000000001,
    offset: -60.00000002,
    signTold: false,
    frames: 100,
    cost: -11,
    alike: [],
    ...given,
  };
}

const accepted = { device: 'box', name: 'found', unit: 'degC', scaled: true };

describe('an accepted finding', () => {
  it('is one line more in its frame, and nothing else moves', () => {
    const { path, text } = acceptFinding(vehicle(), finding({}), accepted);
    expect(path).toBe('devices/box.yaml');
    const line = '      - { name: found, bytes: 2..3, byte_order: big, factor: 0.1, offset: -60, unit: degC }\n';
    expect(text.replace(line, '')).toBe(device);
    expect(text).toContain(`a person left them\n${line}  - name: pages`);
  });

  it('of an id that the file doesn’t have is a frame of its own', () => {
    const { text } = acceptFinding(
      vehicle(),
      finding({ id: 0x18ff0001, extended: true, startBit: 4, bitLength: 3, byteOrder: 'little', sign: 'signed' }),
      {
        ...accepted,
        scaled: false,
      },
    );
    const added = text.slice(device.length);
    expect(text.startsWith(device.trimEnd())).toBe(true);
    expect(added).toContain('id: 0x18FF0001, extended: true, length: 8');
    expect(added).toContain('{ name: found, start_bit: 4, bit_length: 3, sign: signed, unit: degC }');
  });

  it('on a page names the signal that selects it, or adds one', () => {
    const onPage = finding({
      id: 0x101,
      lengthBytes: 4,
      startBit: 8,
      bitLength: 8,
      byteOrder: 'little',
      page: { startBit: 0, bitLength: 4, value: 3 },
    });
    expect(acceptFinding(vehicle(), onPage, accepted).text).toContain('when: { page: 3 }');
    const other = finding({ startBit: 16, byteOrder: 'little', page: { startBit: 48, bitLength: 8, value: 2 } });
    const { text } = acceptFinding(vehicle(), other, accepted);
    expect(text).toContain('- { name: found_page, bytes: 6 }');
    expect(text).toContain('when: { found_page: 2 }');
  });

  it('is written for the device file’s own ids and names where the device is a second one of its kind', () => {
    const second = vehicle('{ device: box, as: rear, id_offset: 0x10, prefix: rear_ }');
    const { text } = acceptFinding(
      second,
      finding({ id: 0x111, lengthBytes: 4, startBit: 8, bitLength: 8, byteOrder: 'little', page: { startBit: 0, bitLength: 4, value: 1 } }),
      {
        ...accepted,
        device: 'rear',
      },
    );
    expect(text).toContain('{ name: found, bytes: 1, factor: 0.1, offset: -60, unit: degC, when: { page: 1 } }');
  });

  it('is refused where the vehicle would be faulty with it', () => {
    expect(() => acceptFinding(vehicle(), finding({ startBit: 8, byteOrder: 'little' }), accepted)).toThrow(/overlaps 'one'/);
    expect(() => acceptFinding(vehicle(), finding({}), { ...accepted, name: 'one' })).toThrow(/second channel 'one'/);
    expect(() => acceptFinding(vehicle(), finding({}), { ...accepted, device: 'other' })).toThrow(
      expect.objectContaining({ code: 'DEVICE_UNKNOWN' }),
    );
  });
});

describe('evenburn find', () => {
  const folder = mkdtempSync(join(tmpdir(), 'evenburn-find-'));
  writeFileSync(join(folder, 'vehicle.yaml'), 'vehicle: V\nbuses:\n  main: { bit_rate: 500 kbit/s, devices: [box] }\n');
  const devices = join(folder, 'devices');
  mkdirSync(devices);
  writeFileSync(join(devices, 'box.yaml'), device);
  // Channel `one` in bytes 0..1, and in bytes 4..5, most significant first, 1.9 times as much.
  const lines = Array.from({ length: 400 }, (_, i) => {
    const raw = Math.round(3000 + 2500 * Math.sin(i / 23));
    const bytes = Buffer.alloc(8, 0xff);
    bytes.writeUInt16LE(raw, 0);
    bytes.writeUInt16BE(Math.round(raw * 1.9), 4);
    return `(${(100 + i * 0.02).toFixed(6)}) can0 100#${bytes.toString('hex')}`;
  });
  const log = join(folder, 'drive.log');
  writeFileSync(log, `${lines.join('\n')}\n`);
  const run = (...args: string[]) =>
    spawnSync(process.execPath, ['server/start.mjs', 'find', log, '--vehicle', folder, ...args], { encoding: 'utf8' });

  it('prints the findings with what is defined there already, as JSON with evidence', () => {
    const { status, stdout } = run('--like', 'one', '--json');
    const { findings } = JSON.parse(stdout);
    expect(status).toBe(0);
    expect(findings[0]).toMatchObject({ number: 1, idHex: '0x100', busName: 'main', startBit: 0, bitLength: 16, defined: ['one'] });
    expect(findings[1]).toMatchObject({ startBit: 39, bitLength: 16, byteOrder: 'big', defined: [] });
    expect(findings[1].evidence.raw.length).toBeGreaterThan(20);
  });

  it('writes what is accepted into the device file', () => {
    const { status, stdout } = run('--like', 'one', '--unclaimed', '--accept', '1', '--device', 'box', '--name', 'twice');
    expect([status, stdout.includes('twice added')]).toEqual([0, true]);
    const line = /.*name: twice.*\n/.exec(readFileSync(join(devices, 'box.yaml'), 'utf8'))?.[0] ?? '';
    expect(line).toContain('bytes: 4..5, byte_order: big, factor: 0.526');
    expect(readFileSync(join(devices, 'box.yaml'), 'utf8').replace(line, '')).toBe(device);
  });

  it('exits with 1 when nothing follows, with 2 for a wrong command line, with 3 for an unknown channel', () => {
    expect(run('--during', '900..910').status).toBe(1);
    expect(run().status).toBe(2);
    expect(run('--like', 'one', '--during', '1..2').status).toBe(2);
    expect(run('--during', '5..3').status).toBe(2);
    expect(run('--like', 'one', '--accept', '1').status).toBe(2);
    expect(run('--like', 'nobody').status).toBe(3);
  });
});
