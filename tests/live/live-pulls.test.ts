// The pull in progress as pages hear of it: found while it is driven, judged by the worker as soon as it is over, the last beside the one before.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it, vi } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { type PullNowView, pullNow } from '../../server/contract/pull-now.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { FirstPull } from '../../server/live/first-pull.ts';
import { LivePulls } from '../../server/live/live-pulls.ts';
import { Pipeline } from '../../server/pipeline.ts';
import { DynoDesk } from '../../server/recording/dyno-desk.ts';
import type { DrivenWindow } from '../../server/recording/dyno-messages.ts';
import { Simulation } from '../../server/simulator/simulator.ts';
import { readScenario } from '../doubles/simulated-run.ts';

const evening = `scenario: live
seed: 4
start: hot
stages:
  - { stage: key_on, for: 1 s }
  - { stage: start, for: 4 s }
  - { stage: pull, from: 3000 rpm, to: 6400 rpm, rate: 600 rpm/s }
  - { stage: cool_down, for: 7 s, speed: 1800 rpm }
  - { stage: stab, for: 3 s }
  - { stage: pull, from: 3000 rpm, to: 6400 rpm, rate: 600 rpm/s }
  - { stage: cool_down, for: 7 s, speed: 1800 rpm }
`;

const data = mkdtempSync(join(tmpdir(), 'evenburn-live-pulls-'));
const desk = new DynoDesk(data);
let vehicle: Vehicle;
beforeAll(async () => {
  vehicle = await getVehicle('bus-definitions/garganey');
});
afterAll(async () => {
  await desk.close();
  rmSync(data, { recursive: true, force: true });
});

/** Drives the evening through a pipeline, and gives every line that a page would have heard. */
async function drive(
  judge: { window(window: DrivenWindow): ReturnType<DynoDesk['window']> },
  failing = false,
  kept?: FirstPull,
): Promise<PullNowView[]> {
  vi.useFakeTimers({ toFake: ['setInterval', 'clearInterval'] });
  const simulation = new Simulation(vehicle, readScenario(evening, vehicle));
  let nowUs = 0;
  let asked: Promise<unknown> = Promise.resolve();
  const watched = {
    window: (window: DrivenWindow) => {
      const answer = judge.window(window);
      asked = answer.catch(() => undefined);
      return answer;
    },
    figure: (of: string) => desk.figure(of),
  };
  const station = { vehicle, timeUs: () => nowUs, status: () => ({ recording: { session: null } }) };
  let pulls: LivePulls | undefined;
  const pipeline = new Pipeline(vehicle, { samples: (batch) => pulls?.samples(batch), alarm: () => {} });
  pulls = new LivePulls(station, pipeline.channels, watched, kept);
  const heard: PullNowView[] = [];
  pulls.listen((view) => heard.push(view));
  pulls.start();
  const batch = new FrameBatch(4096);
  for (nowUs = 100_000; nowUs <= simulation.lengthUs; nowUs += 100_000) {
    batch.clear();
    simulation.advance(nowUs, batch);
    pipeline.take({ kind: 'frames', batch });
    pipeline.take({ kind: 'mark', timeUs: nowUs });
    vi.advanceTimersByTime(100);
    await asked;
    if (failing) await new Promise((resolve) => setImmediate(resolve));
  }
  pulls.close();
  vi.useRealTimers();
  return heard;
}

describe('the pull in progress', () => {
  it('is found while it is driven, and judged within two seconds of its end', async () => {
    const heard = await drive(desk);
    expect(() => heard.map((view) => pullNow.parse(view))).not.toThrow();
    const phases = heard.map(({ now }) => now.phase).filter((phase, i, all) => phase !== all[i - 1]);
    expect(phases).toEqual(['none', 'sweep', 'none', 'sweep', 'none']);
    const ends = heard.flatMap((view, i) => (view.now.phase === 'none' && heard[i - 1]?.now.phase === 'sweep' ? [view.timeUs] : []));
    const told = heard.filter(({ over }) => over);
    for (const [i, end] of ends.entries()) {
      const first = told.find(({ timeUs, over }) => timeUs > end && over?.pull.number === i + 1);
      expect((first?.timeUs ?? Number.POSITIVE_INFINITY) - end).toBeLessThan(2_000_000);
      expect(told.findLast(({ over }) => over?.pull.number === i + 1)?.over?.settled).toBe(true);
    }
    const last = told.at(-1)?.over?.pull;
    expect(last).toMatchObject({ kind: 'sweep', number: 2, complete: true, beside: { before: 1 } });
    expect(last?.beside?.bands.length).toBeGreaterThan(5);
    expect(Math.abs((last?.speedTo ?? 0) - 6400)).toBeLessThan(60);
  });

  it('tells what is over once for each change, not with every line', async () => {
    const heard = await drive(desk);
    expect(heard.filter((view) => 'over' in view).length).toBeLessThan(heard.length / 5);
    expect(new Set(heard.filter((view) => 'over' in view).map(({ overVersion }) => overVersion)).size).toBe(
      heard.filter((view) => 'over' in view).length,
    );
  });

  it('goes on when judging fails', async () => {
    const said = vi.spyOn(process.stderr, 'write').mockReturnValue(true);
    const heard = await drive({ window: () => Promise.reject(new Error('the worker ended')) }, true);
    expect(heard.at(-1)).toMatchObject({ count: 0, overVersion: 0 });
    expect(heard.some(({ now }) => now.phase === 'sweep')).toBe(true);
    expect(said.mock.calls.flat().join()).toContain('could not be judged: the worker ended');
    said.mockRestore();
  });
});

describe("the evening's first pull", () => {
  const hour = 3600 * 1000;
  const start = { oil: 90, coolant: 80, intake: 25, fuel: null, exhaust: 300 };

  it('still sets the window after a new start of the program', async () => {
    const kept = () => new FirstPull(data, () => 1_800_000_000_000);
    const heard = await drive(desk, false, kept());
    const wanted = heard.at(-1)?.now.readiness.items.map(({ what, low, high }) => [what, low, high]);
    expect(wanted?.length).toBeGreaterThan(2);
    const station = { vehicle, timeUs: () => 0, status: () => ({ recording: { session: null } }) };
    const { now } = new LivePulls(station, [], desk, kept()).view();
    expect(now.readiness.items.map(({ what, low, high }) => [what, low, high])).toEqual(wanted);
    // Nothing is read yet: an unknown never looks ready.
    expect(now.readiness.ready).toBeNull();
  });

  it('is that of this vehicle and of these twelve hours', () => {
    const at = (wallMs: number) => new FirstPull(data, () => wallMs);
    at(100 * hour).write('Garganey', start, true);
    expect(at(101 * hour).read('Garganey')).toEqual({ start, isPull: true });
    expect(at(101 * hour).read('Another')).toBeUndefined();
    expect(at(112 * hour).read('Garganey')).toBeUndefined();
    expect(at(99 * hour).read('Garganey')).toBeUndefined();
  });

  it('that can not be read is none', () => {
    writeFileSync(join(data, 'first-pull.json'), '{ "vehicle": "Garganey", "wallMs": 1');
    expect(new FirstPull(data, () => 2).read('Garganey')).toBeUndefined();
    expect(new FirstPull(join(data, 'no-such-folder'), () => 2).read('Garganey')).toBeUndefined();
  });
});
