// What is found by hand as a result: branches that were moved, devices that were unplugged, voltages at a plug.
import { describe, expect, it } from 'vitest';
import { judgeDeviceVolts, judgeUnplugs, judgeWiggle, type WatchedByHand } from '../../server/checks/hand-tests.ts';

const watched: WatchedByHand = {
  startedUs: 1_000_000,
  endedUs: 31_000_000,
  moved: [
    { branch: 'bench plug – thermocouple-box', fromUs: 2_000_000, toUs: 12_000_000 },
    { branch: 'left bank', fromUs: 12_000_000, toUs: 31_000_000 },
  ],
  events: [
    {
      timeUs: 5_500_000,
      kind: 'gap',
      bus: 'engine',
      device: 'node',
      stretch: 'box - node',
      branch: 'bench plug – thermocouple-box',
      say: 'node is missing',
    },
    { timeUs: 5_700_000, kind: 'back', bus: 'engine', device: 'node', branch: 'bench plug – thermocouple-box', say: 'node is back' },
  ],
  unplugs: [
    { device: 'box', phase: 'failed', others: ['node'], say: 'node lost frames too' },
    { device: 'box', phase: 'passed', others: [], say: 'exactly its frames' },
    { device: 'node', phase: 'vanished', others: [], say: 'plug it in again' },
  ],
  absent: ['pump'],
  devices: ['box', 'node', 'pump'],
};

describe('a wiggle test', () => {
  it('has a verdict a branch, with what dropped out, when, and where it points', () => {
    const { verdicts, notJudged, seconds } = judgeWiggle(watched);
    expect(seconds).toBe(30);
    expect(verdicts.map(({ branch, ok, measured, at, stretch, seconds: moved }) => ({ branch, ok, measured, at, stretch, moved }))).toEqual(
      [
        { branch: 'bench plug – thermocouple-box', ok: false, measured: 1, at: 4.5, stretch: 'box - node', moved: 10 },
        { branch: 'left bank', ok: true, measured: 0, at: undefined, stretch: undefined, moved: 19 },
      ],
    );
    expect(notJudged?.map(({ what }) => what)).toEqual(['whether pump drops out: it was not heard']);
  });

  it('in which no branch was named judges none', () => {
    const { verdicts, notJudged } = judgeWiggle({ ...watched, moved: [], events: [], absent: [] });
    expect(verdicts).toEqual([]);
    expect(notJudged).toHaveLength(1);
  });
});

describe('an unplug test', () => {
  it('counts the last try of each device, and says which were not tried to the end', () => {
    const { verdicts, notJudged } = judgeUnplugs(watched);
    expect(verdicts.map(({ device, ok }) => [device, ok])).toEqual([['box', true]]);
    expect(notJudged?.map(({ what }) => what.split(':')[0])).toEqual(['node', 'pump']);
  });
});

describe('voltages at a plug', () => {
  it.each([
    [12.6, 12.4, 0.03, 12, true, /12.4 V of 12.6 V/],
    [12.6, 11.9, 0.03, 12, false, /lost in its feed/],
    [12.6, 12.4, 0.25, 12, false, /poor ground/],
    [12.6, 0, 0, 12, false, /no supply/],
    [12.6, 13.4, 0, 12, false, /contradict/],
    // 0.15 V of ground is too much on 12 V, and not on 24.
    [12.6, 12.5, 0.15, 12, false, /poor ground/],
    [25.2, 25.0, 0.15, 24, true, /25 V of 25.2 V/],
  ])('battery %f, supply %f, ground %f on %i V', (battery, supply, ground, nominal, ok, say) => {
    const verdict = judgeDeviceVolts({ device: 'node', battery, supply, ground }, nominal);
    expect(verdict.ok).toBe(ok);
    expect(verdict.say).toMatch(say);
  });

  it('give the drop in feed and ground together', () => {
    expect(judgeDeviceVolts({ device: 'node', battery: 12.6, supply: 12.3, ground: 0.05 }).measured).toBeCloseTo(0.35, 9);
  });
});
