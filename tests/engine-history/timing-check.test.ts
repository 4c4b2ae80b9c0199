// The timing check by hand-worked readings: a constant error is an offset, one that grows with speed a delay, and both are told with their uncertainty.
import { describe, expect, it } from 'vitest';
import { judgeTiming, type TimingReading } from '../../server/engine-history/timing-check.ts';
import { noiseFrom } from '../doubles/noise.ts';

const reading = (speedRpm: number, lightDeg: number, commandedDeg = 15): TimingReading => ({ speedRpm, lightDeg, commandedDeg });
const badOf = (readings: TimingReading[]) =>
  judgeTiming(readings)
    .verdicts.filter(({ ok }) => !ok)
    .map(({ code }) => code);

describe('timing readings', () => {
  it('that agree at low and high speed allow load', () => {
    const judgement = judgeTiming([reading(1500, 15), reading(3500, 15)]);
    expect(judgement.verdicts.map(({ code, ok }) => [code, ok])).toEqual([
      ['timing-delay', true],
      ['timing-offset', true],
    ]);
    expect(judgement.loadAllowed).toBe(true);
  });

  it('four degrees late at every speed are an offset of -4, and no delay', () => {
    const judgement = judgeTiming([reading(1500, 11), reading(2500, 11), reading(3500, 11)]);
    expect(badOf([reading(1500, 11), reading(3500, 11)])).toEqual(['timing-offset']);
    expect(judgement.offsetDeg?.value).toBeCloseTo(-4, 9);
    expect(judgement.delayUs?.value).toBeCloseTo(0, 6);
    expect(judgement.loadAllowed).toBe(false);
    expect(judgement.verdicts.at(-1)?.say).toContain('late at every speed');
  });

  it('200 µs of delay are 1.8 degrees at 1500 rpm and 4.2 at 3500: 6 degrees a second for each rpm', () => {
    const judgement = judgeTiming([reading(1500, 15 - 1.8), reading(3500, 15 - 4.2)]);
    expect(judgement.verdicts.filter(({ ok }) => !ok).map(({ code }) => code)).toEqual(['timing-delay']);
    expect(judgement.delayUs?.value).toBeCloseTo(200, 6);
    expect(judgement.offsetDeg?.value).toBeCloseTo(0, 6);
    // Two readings of ± 0.5 degrees (1 sigma) over 2000 rpm: 1.96 × 0.5 × √2 / 2000 / 6e-6 is 115.5 µs.
    expect((judgement.delayUs?.high as number) - 200).toBeCloseTo(115.5, 1);
  });

  it('offset and delay together are told apart', () => {
    const at = (rpm: number) => reading(rpm, 15 - 5 - 250 * 6e-6 * rpm);
    const judgement = judgeTiming([at(1200), at(1500), at(3200), at(4000)]);
    expect(judgement.verdicts.filter(({ ok }) => !ok).map(({ code }) => code)).toEqual(['timing-delay', 'timing-offset']);
    expect(judgement.delayUs?.value).toBeCloseTo(250, 6);
    expect(judgement.offsetDeg?.value).toBeCloseTo(-5, 6);
  });

  it('an early spark that comes earlier with speed is a delay below zero', () => {
    const judgement = judgeTiming([reading(1500, 15.9), reading(4500, 17.7)]);
    expect(judgement.delayUs?.value).toBeCloseTo(-100, 6);
    expect(judgement.verdicts.find(({ code }) => code === 'timing-delay')?.say).toContain('earlier the faster it turns');
  });

  it('at one speed alone say how far off, and that offset and delay are not told apart', () => {
    const judgement = judgeTiming([reading(1500, 10), reading(1600, 10)]);
    expect(judgement.verdicts.map(({ code, ok }) => [code, ok])).toEqual([['timing-offset', false]]);
    expect(judgement.notJudged[0]?.what).toBe('offset and delay apart');
    expect(judgement.delayUs).toBeNull();
    expect(judgement.loadAllowed).toBe(false);
    expect(judgeTiming([reading(1500, 15)]).loadAllowed).toBe(false);
  });

  it('without any, load stays blocked', () => {
    expect(judgeTiming([])).toMatchObject({ loadAllowed: false, offsetDeg: null, verdicts: [] });
  });

  it('that jump about are called scattered, never exact', () => {
    const readings = [reading(1500, 9), reading(1500, 21), reading(3500, 10), reading(3500, 20)];
    expect(badOf(readings)).toEqual(['timing-scatter']);
  });

  it('one degree of reading error at idle is no verdict: below the limit', () => {
    expect(badOf([reading(1500, 14.2), reading(3500, 15)])).toEqual([]);
  });

  it('commanded timing that differs from reading to reading is taken out', () => {
    expect(badOf([reading(1500, 10, 10), reading(3500, 28, 28)])).toEqual([]);
  });

  it('between which sync was lost are called so', () => {
    const lost = [
      { ...reading(1500, 15), syncLosses: 4 },
      { ...reading(3500, 15), syncLosses: 6 },
    ];
    expect(badOf(lost)).toEqual(['sync-loss']);
    expect(badOf(lost.map((one) => ({ ...one, syncLosses: 4 })))).toEqual([]);
  });

  it('of a steady hand have the true delay in their interval 19 times out of 20, over 500 seeds', () => {
    const speeds = [1300, 1500, 1700, 3200, 3600, 4000];
    let inside = 0;
    for (let seed = 1; seed <= 500; seed++) {
      const hand = noiseFrom(seed);
      const readings = speeds.map((rpm) => reading(rpm, 15 - 3 - 300 * 6e-6 * rpm + 0.5 * hand()));
      const { delayUs } = judgeTiming(readings);
      if (delayUs && delayUs.low <= 300 && delayUs.high >= 300) inside++;
    }
    // Binomial, three standard deviations about 475.
    expect(inside).toBeGreaterThan(460);
  });
});
