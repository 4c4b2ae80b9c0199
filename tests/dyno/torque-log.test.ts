// A dyno's own log: columns and units read, and laid on the session by the trace of engine speed.
import { describe, expect, it } from 'vitest';
import { alignBySpeed, parseTorqueLog } from '../../server/dyno/torque-log.ts';
import { randomFrom } from '../doubles/scripted-bus.ts';

/** Held at 3000 rpm, a pull from 10 s on with 500 rpm/s, then down. */
const speedAt = (s: number) => (s < 10 ? 3000 : s < 17 ? 3000 + 500 * (s - 10) : Math.max(1200, 6500 - 900 * (s - 17)));
const trace = (noise = 0) => {
  const random = randomFrom(5);
  return { startUs: 0, stepUs: 20_000, values: Float64Array.from({ length: 1500 }, (_, i) => speedAt(i / 50) + noise * (random() - 0.5)) };
};

describe('a torque log', () => {
  it('is read with its units turned to SI', () => {
    const { log, problems } = parseTorqueLog('Time (ms),RPM,Torque (lb-ft),Power [hp]\n0,3000,100,57.1\n100,3050,101,58\n');
    expect(problems).toEqual([]);
    expect(log?.timeS).toEqual([0, 0.1]);
    // 1 lbf·ft is 1.3558179483 Nm, 1 hp 745.69987158 W (exact definitions of foot, pound and standard gravity).
    expect(log?.torqueNm?.[0]).toBeCloseTo(135.58179483, 8);
    expect(log?.powerKw?.[0]).toBeCloseTo(57.1 * 0.74569987158, 8);
  });

  it('may have semicolons and decimal commas', () => {
    const { log } = parseTorqueLog('time s;engine_speed;torque_nm\r\n0,5;3000;210,5\r\n');
    expect(log).toEqual({ timeS: [0.5], speedRpm: [3000], torqueNm: [210.5] });
  });

  it('says which line has no number, and what the heading lacks', () => {
    expect(parseTorqueLog('time,rpm,torque\n0,3000,200\n0.1,,201\n').problems).toEqual([{ line: 3, say: 'no number in: 0.1,,201' }]);
    expect(parseTorqueLog('time,rpm\n0,3000\n').log).toBeUndefined();
    expect(parseTorqueLog('').log).toBeUndefined();
  });

  it.each([0, 60])('is laid where the speeds agree, noise of %i rpm or not', (noise) => {
    // The log begins at session second 9 and counts from 100.
    const timeS = Array.from({ length: 90 }, (_, i) => 100 + i / 10);
    const log = { timeS, speedRpm: timeS.map((t) => speedAt(t - 100 + 9)) };
    const found = alignBySpeed(log, trace(noise));
    expect(found?.offsetS).toBeCloseTo(9 - 100, 1);
    expect(found?.rmsRpm).toBeLessThan(40);
  });

  it('is not laid on a session of another pull, nor by a speed that stands still', () => {
    const timeS = Array.from({ length: 90 }, (_, i) => i / 10);
    expect(alignBySpeed({ timeS, speedRpm: timeS.map((t) => 2500 + 900 * t) }, trace())).toBeUndefined();
    expect(alignBySpeed({ timeS, speedRpm: timeS.map(() => 1200) }, trace())).toBeUndefined();
  });
});
