// Pulls and the study of stored sessions through the worker: what was driven is found, an unknown session is refused with its code.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { pullsView, studyView } from '../../server/contract/pulls.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { DynoDesk } from '../../server/recording/dyno-desk.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { runScenario } from '../doubles/simulated-run.ts';

const data = mkdtempSync(join(tmpdir(), 'evenburn-dyno-'));
const desk = new DynoDesk(data);
const evening = `scenario: evening
seed: 5
start: hot
stages:
  - { stage: key_on, for: 3 s }
  - { stage: start, for: 6 s }
  - { stage: hold, for: 10 s, speed: 4000 rpm, load: 60 % }
  - { stage: cool_down, for: 8 s, speed: 1800 rpm }
  - { stage: pull, from: 3000 rpm, to: 6600 rpm, rate: 400 rpm/s }
  - { stage: cool_down, for: 8 s, speed: 1800 rpm }
`;

beforeAll(async () => {
  const vehicle = await getVehicle('bus-definitions/garganey');
  await importFrames(data, vehicle, { frames: [runScenario(evening, vehicle).batch], origin: 'evening.log', remarks: () => [] }, 0);
});
afterAll(async () => {
  await desk.close();
  rmSync(data, { recursive: true, force: true });
});

describe('pulls of a stored session', () => {
  it('are found with the peak of every probe and the spread by engine speed, in the form of the contract', async () => {
    const view = pullsView.parse(await desk.pulls(1));
    expect(view.pulls.map(({ kind, complete }) => [kind, complete])).toEqual([
      ['hold', true],
      ['sweep', true],
    ]);
    const sweep = view.pulls[1];
    expect(sweep?.peaks.map(({ cylinder }) => cylinder)).toEqual([1, 2, 3, 4, 5, 6]);
    for (const { peakC, at } of sweep?.peaks ?? []) {
      expect(peakC).toBeGreaterThan(300);
      expect(at).toBeGreaterThanOrEqual(sweep?.from ?? 0);
    }
    expect(sweep?.bands.length).toBeGreaterThan(10);
    expect(sweep?.bands.every(({ spreadK }) => (spreadK ?? -1) >= 0)).toBe(true);
  });

  it('are studied by their holds', async () => {
    const study = studyView.parse(await desk.study([1]));
    expect(study.holds.map(({ session }) => session)).toEqual([1]);
    expect(study.cylinders).toHaveLength(6);
  });

  it('of a session that is not there are refused', async () => {
    await expect(desk.pulls(99)).rejects.toMatchObject({ code: 'SESSION_UNKNOWN' });
    await expect(desk.study([1, 99])).rejects.toMatchObject({ code: 'SESSION_UNKNOWN' });
  });
});
