// A kill at any instant: the session opens, everything in it is sound, and at most 250 ms of frames are missing. `npm run fault` kills more.
import { mkdtempSync, readFileSync, rmSync, statSync, truncateSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { compareReadings } from '../../server/recording/compare-readings.ts';
import { ReadingFile } from '../../server/recording/reading-file.ts';
import { rereadSession } from '../../server/recording/reread.ts';
import { SessionFile } from '../../server/recording/session-file.ts';
import { randomFrom } from '../doubles/can-trace.ts';
import { testVehicle } from './test-vehicle.ts';

interface TrialResult {
  sent: number;
  recorded: number;
  missing: number;
  missingMs: number;
  damage: { part: string; why: string }[];
  state: string;
  session: number;
}

type KillTrial = (trial: {
  data: string;
  vehicle: { files: unknown[] };
  framesPerSecond: number;
  killAfterMs: number;
  tamper?: (path: string) => void;
}) => Promise<TrialResult>;

const { killTrial } = (await import('../fault/kill-trial.mjs' as string)) as { killTrial: KillTrial };

let data: string;
beforeEach(() => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-kill-'));
});
afterEach(() => rmSync(data, { recursive: true, force: true }));

const framesPerSecond = 8500;
const seed = 20_261;
const random = randomFrom(seed);

describe(`a kill at full bus load (seed ${seed})`, () => {
  it.each([1, 2, 3, 4, 5])('number %i loses at most the last 250 ms and damages nothing', { retry: 2 }, async () => {
    const trial = await killTrial({ data, vehicle: testVehicle({ ids: 60 }), framesPerSecond, killAfterMs: 700 + random() * 1500 });
    expect(trial.damage).toEqual([]);
    expect(trial.state).toBe('killed');
    expect(trial.recorded).toBeGreaterThan(1000);
    expect(trial.missingMs).toBeLessThan(250);
  });

  it('behind the first slice loses no more, and the reading goes on from there', { retry: 2 }, async () => {
    const trial = await killTrial({ data, vehicle: testVehicle({ ids: 60 }), framesPerSecond, killAfterMs: 10_900 + random() * 400 });
    expect(trial.damage).toEqual([]);
    expect(trial.recorded).toBeGreaterThan(80_000);
    expect(trial.missingMs).toBeLessThan(250);
    // The reading went on from the state stored with the slice before: read from the beginning it is the same to the last bit.
    const reading = await rereadSession(data, trial.session, { nowWallMs: 0 });
    const file = SessionFile.open(data, trial.session);
    expect(compareReadings(new ReadingFile(file, 1), new ReadingFile(file, reading))).toMatchObject({ identical: true });
    file.close();
  });

  it('with the log cut short keeps everything before the cut', async () => {
    const trial = await killTrial({
      data,
      vehicle: testVehicle({ ids: 60 }),
      framesPerSecond,
      killAfterMs: 1500,
      tamper: (path) => truncateSync(`${path}-wal`, Math.floor(statSync(`${path}-wal`).size * 0.7)),
    });
    expect(trial.damage).toEqual([]);
    expect(trial.recorded).toBeGreaterThan(1000);
    expect(trial.recorded).toBeLessThan(trial.sent);
  });

  it('with the end of the log garbled keeps everything before it', async () => {
    const trial = await killTrial({
      data,
      vehicle: testVehicle({ ids: 60 }),
      framesPerSecond,
      killAfterMs: 1500,
      tamper: (path) => {
        const bytes = readFileSync(`${path}-wal`);
        const garbled = Buffer.from(bytes);
        for (let i = Math.floor(bytes.length * 0.8); i < bytes.length; i += 3) garbled[i] = (garbled[i] as number) ^ 0x5a;
        writeFileSync(`${path}-wal`, garbled);
      },
    });
    expect(trial.damage).toEqual([]);
    expect(trial.recorded).toBeGreaterThan(1000);
  });
});
