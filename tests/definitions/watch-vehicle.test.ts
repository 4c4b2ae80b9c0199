// Live reload: a save of a vehicle folder is told, good or broken, however the editor saves. How soon: `npm run bench -- reload`.
import { appendFileSync, cpSync, mkdirSync, mkdtempSync, readFileSync, renameSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { type LoadedVehicle, loadVehicle } from '../../server/definitions/load-vehicle.ts';
import { type VehicleWatch, watchVehicle } from '../../server/definitions/watch-vehicle.ts';

const garganey = join(import.meta.dirname, '../../bus-definitions/garganey');

describe('a watched vehicle folder', () => {
  let root: string;
  let dir: string;
  let watching: VehicleWatch;
  let told: LoadedVehicle[];
  let waiting: (() => void) | undefined;

  beforeEach(async () => {
    root = mkdtempSync(join(tmpdir(), 'evenburn-watch-'));
    dir = join(root, 'boat');
    cpSync(garganey, dir, { recursive: true });
    told = [];
    watching = await watchVehicle(dir, await loadVehicle(dir), (loaded) => {
      told.push(loaded);
      waiting?.();
    });
  });

  afterEach(async () => {
    await watching.close();
    rmSync(root, { recursive: true });
  });

  const nextSave = async (count: number) => {
    while (told.length < count) {
      await new Promise<void>((resolve) => {
        waiting = resolve;
      });
    }
    return told[count - 1] as LoadedVehicle;
  };
  const vehiclePath = () => join(dir, 'vehicle.yaml');
  const devicePath = () => join(dir, 'devices', 'pressure-node.yaml');
  const replaceIn = (path: string, from: string, to: string) => writeFileSync(path, readFileSync(path, 'utf8').replace(from, to));

  it('tells a good save with its vehicle, a broken one with its problems, and the mending of it', async () => {
    replaceIn(vehiclePath(), 'duty: 85 %', 'duty: 80 %');
    expect((await nextSave(1)).vehicle?.limits.dutyPercent).toBe(80);
    replaceIn(devicePath(), 'unit: kPa', 'unit: kPaa');
    const broken = await nextSave(2);
    expect(broken.vehicle).toBeUndefined();
    expect(broken.problems).toMatchObject([{ code: 'UNIT_UNKNOWN', file: 'devices/pressure-node.yaml' }]);
    replaceIn(devicePath(), 'unit: kPaa', 'unit: kPa');
    expect((await nextSave(3)).vehicle).toBeDefined();
  });

  it('takes a save by a new file that is renamed over the old one, again and again', async () => {
    for (let i = 1; i <= 3; i++) {
      const next = join(dir, 'devices', `.pressure-node.yaml.${i}~`);
      writeFileSync(next, `${readFileSync(devicePath(), 'utf8')}# save ${i}\n`);
      renameSync(next, devicePath());
      const loaded = await nextSave(i);
      expect(loaded.files.find((file) => file.path === 'devices/pressure-node.yaml')?.text).toContain(`# save ${i}`);
      expect(loaded.vehicle).toBeDefined();
    }
  });

  it('tells each of several saves that change the file in its place', async () => {
    for (let i = 1; i <= 5; i++) {
      appendFileSync(vehiclePath(), `# save ${i}\n`);
      expect((await nextSave(i)).files.find((file) => file.path === 'vehicle.yaml')?.text).toMatch(new RegExp(`# save ${i}\n$`));
    }
    expect(told).toHaveLength(5);
  });

  it('notices device files in the folder shared by several vehicles', async () => {
    mkdirSync(join(root, 'devices'));
    renameSync(devicePath(), join(root, 'devices', 'pressure-node.yaml'));
    const loaded = await nextSave(1);
    const last = loaded.vehicle ? loaded : await nextSave(2);
    expect(last.files.map((file) => file.path)).toContain('../devices/pressure-node.yaml');
  });

  it('says nothing of a save that changes nothing', async () => {
    writeFileSync(vehiclePath(), readFileSync(vehiclePath()));
    appendFileSync(vehiclePath(), '# a change\n');
    await nextSave(1);
    expect(told).toHaveLength(1);
    expect(told[0]?.files[0]?.text.endsWith('# a change\n')).toBe(true);
  });
});
