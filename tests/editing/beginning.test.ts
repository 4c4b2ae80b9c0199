// The beginning of a vehicle: an empty folder is one, what is listened to must be there, and a new start says how to repeat it.
import { existsSync, mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { Beginning, type NextServed } from '../../server/editing/beginning.ts';
import { isBlankFolder, toBlankVehicle } from '../../server/editing/blank-vehicle.ts';

let dir: string;
let started: NextServed[];
let underWay: string[];
beforeEach(() => {
  dir = mkdtempSync(join(tmpdir(), 'evenburn-beginning-'));
  started = [];
  underWay = [];
});
afterEach(() => rmSync(dir, { recursive: true, force: true }));

const sources = [
  { source: 'socketcan:can0', say: 'CAN interface can0', ready: true },
  { source: 'serial:/dev/ttyACM0', say: 'Serial port', ready: true },
];
const beginning = (served: Partial<ConstructorParameters<typeof Beginning>[0]> = {}) =>
  new Beginning(
    { folder: dir, demo: false, buses: [], data: dir, ...served },
    { startAgain: (next) => started.push(next), underWay: () => underWay, findSources: async () => sources },
  );

describe('an empty folder', () => {
  it('is one without definition files; one that is not there is a mistake', () => {
    expect(isBlankFolder(dir)).toBe(true);
    writeFileSync(join(dir, 'notes.txt'), '');
    mkdirSync(join(dir, 'devices'));
    expect(isBlankFolder(dir)).toBe(true);
    writeFileSync(join(dir, 'devices', 'box.yaml'), 'device: box');
    expect(isBlankFolder(dir)).toBe(false);
    expect(isBlankFolder(join(dir, 'elsewhere'))).toBe(false);
  });

  it('is served as a vehicle of the buses that were given, or of one', () => {
    expect(toBlankVehicle(['main', 'hull']).buses.map(({ name, bitRate }) => [name, bitRate])).toEqual([
      ['main', 500_000],
      ['hull', 500_000],
    ]);
    expect(toBlankVehicle([], '250 kbit/s').buses.map(({ bitRate }) => bitRate)).toEqual([250_000]);
    expect(() => toBlankVehicle(['no good'])).toThrow(expect.objectContaining({ code: 'USAGE_WRONG' }));
  });
});

describe('beginning', () => {
  it('does nothing when it is asked for nothing: the buses go on', async () => {
    await expect(beginning({ buses: ['main=socketcan:can0'] }).begin({})).rejects.toMatchObject({ code: 'REQUEST_WRONG' });
    expect(started).toEqual([]);
  });

  it('starts again with the source that was chosen, an adapter with its bit rate, and tells the command', async () => {
    const view = await beginning().begin({ listen: { bus: 'main', source: 'serial:/dev/ttyACM0', bitRateKbit: 250 } });
    expect(started).toEqual([{ folder: dir, buses: ['main=serial:/dev/ttyACM0?rate=250000'], bitRate: '250 kbit/s' }]);
    expect(view.command).toBe(`npx evenburn serve --vehicle ${dir} --bus 'main=serial:/dev/ttyACM0?rate=250000'`);
    expect(view).toMatchObject({ blank: true, demo: false, buses: [{ bus: 'main', source: 'serial:/dev/ttyACM0?rate=250000' }] });
  });

  it('makes a folder of its own below the data folder, and never takes one that holds a vehicle', async () => {
    await beginning({ demo: true }).begin({ folder: 'teal' });
    expect(started).toEqual([{ folder: join(dir, 'vehicles', 'teal'), buses: [] }]);
    writeFileSync(join(dir, 'vehicles', 'teal', 'vehicle.yaml'), 'vehicle: Teal');
    await expect(beginning().begin({ folder: 'teal' })).rejects.toMatchObject({ code: 'OUTPUT_FILE_EXISTS' });
    expect(started).toHaveLength(1);
  });

  it('refuses a source that this computer has not: files least of all', async () => {
    for (const source of ['file:/etc/passwd', 'socketcan:can7', 'simulator', '']) {
      await expect(beginning().begin({ listen: { bus: 'main', source, bitRateKbit: 500 } })).rejects.toMatchObject({
        code: 'REQUEST_WRONG',
      });
    }
    expect(started).toEqual([]);
  });

  it('interrupts nothing that is under way unless the request says that it knows', async () => {
    underWay = ['the engine runs', 'a pull is in progress'];
    const refused = expect.objectContaining({
      code: 'BEGINNING_INTERRUPTS',
      message: expect.stringContaining('the engine runs, a pull is'),
    });
    await expect(beginning().begin({ folder: 'teal' })).rejects.toThrow(refused);
    await expect(beginning().begin({ folder: 'teal', despiteUnderWay: false })).rejects.toThrow(refused);
    expect([started, existsSync(join(dir, 'vehicles'))]).toEqual([[], false]);
    await beginning().begin({ folder: 'teal', despiteUnderWay: true });
    expect(started).toHaveLength(1);
  });

  it('says why the last new start was taken back', async () => {
    expect(await beginning({ failed: 'can0 is down' }).view()).toMatchObject({ failed: 'can0 is down', sources });
  });
});
