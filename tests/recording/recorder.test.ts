// The recorder in its built worker: what it is given is in the session file, in order.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { Recorder } from '../../server/recording/recorder.ts';
import { SessionFile } from '../../server/recording/session-file.ts';
import { canTrace } from '../doubles/can-trace.ts';
import { eventually } from '../waiting.ts';
import { recordLines } from './record-lines.ts';
import { testVehicle } from './test-vehicle.ts';

let data: string;
beforeEach(() => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-recorder-'));
});
afterEach(() => rmSync(data, { recursive: true, force: true }));

describe('recorder', () => {
  it('opens a session with the first frame and closes it as one file with everything in it', async () => {
    const recorder = await Recorder.open(data, testVehicle());
    recorder.take({ kind: 'clock', timeUs: 0, wallMs: 1_764_000_000_000 });
    recorder.take({ kind: 'source', timeUs: 0, bus: 0, state: 'up', detail: '' });
    recorder.take({ kind: 'mark', timeUs: 5000 });
    const batch = canTrace({ seed: 1, seconds: 25, ids: 12, startUs: 10_000 });
    recorder.take({ kind: 'frames', batch });
    await eventually(() => expect(['recording', 'slow']).toContain(recorder.status().state));
    recorder.take({ kind: 'mark', timeUs: 26_000_000 });
    await recorder.stop();
    const file = SessionFile.open(data, 1);
    expect(file.facts).toMatchObject({
      number: 1,
      state: 'closed',
      frames: batch.count,
      vehicle: testVehicle().name,
      firstUs: batch.timeUs[0],
    });
    expect(file.facts.startedWallMs).toBeCloseTo(1_764_000_000_000 + (batch.timeUs[0] as number) / 1000, 3);
    const lines = recordLines(file.record());
    expect(lines.filter((line) => line.startsWith('frame'))).toEqual(recordLines([{ kind: 'frames', batch }]));
    expect(lines.filter((line) => !line.startsWith('frame')).map((line) => JSON.parse(line).kind)).toEqual([
      'definitions',
      'clock',
      'source',
      'mark',
      'mark',
    ]);
    expect(file.db.pragma('journal_mode', { simple: true })).toBe('delete');
    file.close();
  });

  it('refuses a second recorder on the same folder and names the process', async () => {
    const recorder = await Recorder.open(data, testVehicle());
    await expect(Recorder.open(data, testVehicle())).rejects.toMatchObject({
      code: 'DATA_IN_USE',
      message: expect.stringContaining(String(process.pid)),
    });
    await recorder.stop();
    const next = await Recorder.open(data, testVehicle());
    await next.stop();
  });
});
