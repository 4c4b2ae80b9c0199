// The key-on check on channels drawn by hand: what slow samples hide, what a pump does, what a warm engine tells of a probe.
import { describe, expect, it } from 'vitest';
import { checkKeyOn } from '../../server/checks/key-on.ts';
import type { CheckResult } from '../../server/checks/verdict.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { badOf } from '../doubles/judged-run.ts';
import { type MadeChannel, makeSeries } from '../doubles/made-series.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';

const lengthS = 40;
const level = (unit: string, value: number): MadeChannel => ({ unit, at: () => value });

function judge(channels: Record<string, MadeChannel>, vehicle = makeVehicle({ cylinders: 4 })): CheckResult {
  return checkKeyOn(makeSeries(lengthS, { engine_speed: level('rpm', 0), ...channels }), vehicle);
}
const notJudged = (result: CheckResult): string => (result.notJudged ?? []).map(({ what }) => what).join('; ');
const verdictOf = (result: CheckResult, code: string) => result.verdicts.find((verdict) => verdict.code === code);

/** Shut until 5 s, open at 15, shut again at 25: ten percent a second. */
const slowSweep = (s: number): number => Math.max(0, 100 - Math.abs(s - 15) * 10);
const throttle = (hz: number, at: (s: number) => number | undefined): CheckResult => judge({ throttle: { unit: '%', hz, at } });
const near = (s: number, at: number) => Math.abs(s - at) < 1e-6;

describe('a throttle that is swept', () => {
  it.each([100, 50, 20, 10, 5])('shows one wrong sample of %i a second', (hz) => {
    for (const at of [10, 15, 20]) {
      const result = throttle(hz, (s) => (near(s, at) ? slowSweep(s) - 40 : slowSweep(s)));
      expect(verdictOf(result, 'throttle-range')).toMatchObject({ ok: false, at, measured: expect.closeTo(-40, -1) });
    }
  });

  it.each([50, 10, 5])('shows a dead spot, %i samples a second', (hz) => {
    const dead = (reads: number) => (s: number) => (slowSweep(s) > 40 && slowSweep(s) < 52 ? reads : slowSweep(s));
    for (const reads of [0, 100]) expect(badOf(throttle(hz, dead(reads)))).toEqual(['throttle-range throttle']);
  });

  it('shows a stretch of its way that it jumps over', () => {
    const skips = (s: number) => (slowSweep(s) > 30 && slowSweep(s) < 55 ? 30 : slowSweep(s));
    expect(badOf(throttle(10, skips))).toEqual(['throttle-range throttle']);
  });

  it.each([100, 20, 10, 5])('may be stamped on, %i samples a second', (hz) => {
    // Up in 0.3 s, held for a second, back in 0.2 s, and again; then slowly.
    const stamp = (s: number) => Math.max(0, Math.min(100, s / 0.003, (1.5 - s) / 0.002));
    const result = throttle(hz, (s) => Math.max(stamp(s - 2), stamp(s - 3.6), slowSweep(s - 3)));
    expect(verdictOf(result, 'throttle-range')).toMatchObject({ ok: true, say: 'throttle goes smoothly from 0.0 to 100.0 %' });
  });

  it('is not called smooth by samples half a second apart and more', () => {
    const result = throttle(1, slowSweep);
    expect(verdictOf(result, 'throttle-range')).toMatchObject({ ok: true, say: 'throttle goes from 0.0 to 100.0 %' });
    expect(notJudged(result)).toContain('whether throttle goes smoothly (its samples are 1.0 s apart)');
  });

  it('may have reached an end between two samples: then its ends are not judged', () => {
    // Turns at 15.5 s; the samples at 15 and 16 s read 94 %.
    const turned = (s: number) => Math.max(0, 100 - Math.abs(s - 15.5) * 12);
    const result = throttle(1, turned);
    expect(badOf(result)).toEqual([]);
    expect(verdictOf(result, 'throttle-range')).toBeUndefined();
    expect(notJudged(result)).toContain('the ends of throttle (its samples, 1.0 s apart, show it from 0.0 to 94.0 %)');
    const held = throttle(1, (s) => Math.min(94, turned(s)));
    expect(badOf(held)).toEqual([]);
    expect(badOf(throttle(1, (s) => Math.min(80, turned(s))))).toEqual(['throttle-range throttle']);
  });
});

/** Pressure that rises from 0 to `to` in `takes` seconds from `from` on, and stays. */
const rise = (s: number, from: number, to: number, takes: number): number => to * Math.max(0, Math.min(1, (s - from) / takes));
/** 12.6 V, and 0.4 V less while the pump runs. */
const battery = (...runs: [from: number, to: number][]): MadeChannel => ({
  unit: 'V',
  at: (s) => (runs.some(([from, to]) => s >= from && s < to) ? 12.2 : 12.6),
});
const prime = (at: (s: number) => number | undefined, volts: MadeChannel, more: Record<string, MadeChannel> = {}): CheckResult =>
  judge({ fuel_delta_port: { unit: 'kPa', hz: 50, at }, battery_voltage: volts, ...more });

describe('a prime', () => {
  it('counts with the run of the pump in which it came up: the first had air in the rail', () => {
    // 1.7 s of a rise that takes 2.1 s, held; the second run of the pump brings the rest.
    const result = prime((s) => Math.max(Math.min(240, rise(s, 10, 300, 2.1)), rise(s, 20, 300, 1)), battery([10, 11.7], [20.2, 22]));
    expect(verdictOf(result, 'prime')).toMatchObject({ ok: true, measured: 300 });
    expect(verdictOf(result, 'prime')?.say).toContain('2nd time');
  });

  it('is not judged when its pump stopped on the way, and fails when it settles as low with the pump on', () => {
    const low = (s: number) => Math.min(240, rise(s, 10, 300, 2.1));
    expect(notJudged(prime(low, battery([10, 11.7])))).toContain('its pump stopped before it was seen to settle');
    expect(badOf(prime(low, battery([10, 11.7])))).toEqual([]);
    expect(verdictOf(prime(low, battery([10, 14])), 'prime')).toMatchObject({ ok: false, measured: 240, limit: 270 });
  });

  it('is not what a rail holds from before and loses', () => {
    const result = prime((s) => (s < 6 ? 280 : 0), battery());
    expect(badOf(result)).toEqual([]);
    expect(notJudged(result)).toContain('the prime of port (no rail rose');
  });

  it('at reference pressure later on is not taken for an overshoot', () => {
    const result = prime(
      (s) => (s < 30 ? rise(s, 10, 300, 0.5) : rise(s, 25, 450, 0.5)) * (s > 20 && s < 25 ? 0 : 1),
      battery([10, 20], [25, 40]),
    );
    expect(verdictOf(result, 'prime')).toMatchObject({ ok: true, measured: 300 });
    const again = prime((s) => (s < 20 ? rise(s, 10, 300, 0.5) : rise(s, 25, 450, 0.5)), battery([10, 20], [25, 40]));
    expect(badOf(again)).toEqual([]);
    expect(notJudged(again)).toContain('a later prime of port (it held 450 kPa: air on its reference?)');
  });

  it('that stays too high is told apart from one that overshoots', () => {
    const peak = (s: number) => (s < 10 ? 0 : 300 + 200 * Math.exp(-(s - 10) / 0.5));
    expect(verdictOf(prime(peak, battery([10, 20])), 'prime')?.say).toContain('overshoots');
    expect(
      verdictOf(
        prime((s) => rise(s, 10, 420, 0.5), battery([10, 20])),
        'prime',
      )?.say,
    ).toContain('stays there');
  });

  it('is not judged without a number, nor while what shares its supply moves with the pump', () => {
    expect(badOf(prime(() => undefined, battery([10, 20])))).toEqual([]);
    const oil: MadeChannel = { unit: 'kPa', at: (s) => ((s > 4 && s < 7) || s > 10 ? -15 : 0) };
    const result = prime((s) => rise(s, 10, 240, 0.5), battery([4, 7], [10, 20]), { oil_pressure: oil });
    expect(badOf(result)).toEqual(['supply-shift sensors']);
    expect(notJudged(result)).toContain('the prime of port (oil_pressure, which shares a wire with its sensor, moves with the pump)');
  });
});

describe('zeros', () => {
  it('of an absolute rail sensor are judged beside the atmosphere, not taken for pressure in the rail', () => {
    const vehicle: Vehicle = makeVehicle({ cylinders: 4 });
    for (const bus of vehicle.buses)
      for (const frame of bus.frames)
        for (const signal of frame.signals) if (signal.name === 'rail_pressure') signal.reference = 'absolute';
    const zero = (kpa: number) => judge({ rail_pressure: level('kPa', kpa), station_pressure: level('kPa', 100) }, vehicle);
    expect(verdictOf(zero(130), 'zero-offset')).toMatchObject({ ok: false, measured: 30 });
    // Two fifths of its target of 300 kPa above the atmosphere: it still holds.
    expect(badOf(zero(225))).toEqual([]);
    expect(notJudged(zero(225))).toContain('zero of rail_pressure (the rail still holds 125 kPa)');
  });
});

describe('probes of an engine at rest', () => {
  const temps = (probes: number[], more: Record<string, number>, cylinders = probes.length, withoutProbe: number[] = []) => {
    const channels = probes.map((at, i): [string, MadeChannel] => [`egt_${i + 1}`, level('degC', at)]);
    const others = Object.entries(more).map(([name, at]): [string, MadeChannel] => [name, level('degC', at)]);
    return judge(Object.fromEntries([...channels, ...others]), makeVehicle({ cylinders, withoutProbe }));
  };

  it('are not called shorted for being as warm as the coolant', () => {
    expect(badOf(temps([95, 101, 66, 92], { coolant_temp: 66, oil_temp: 70 }))).toEqual([]);
  });

  it('are told apart where the air around is warmer than the cable: shorted near it, reversed far below', () => {
    const soaked = { coolant_temp: 80, oil_temp: 78, box_temp: 40 };
    expect(badOf(temps([120, 20, 125, 118], soaked))).toEqual(['probe-shorted 2']);
    expect(badOf(temps([120, -60, 125, 118], soaked))).toEqual(['probe-reversed 2']);
  });

  it('are told by the engine itself where nothing measures the air', () => {
    expect(badOf(temps([120, 20, 125, 118], { coolant_temp: 80, oil_temp: 78 }))).toEqual(['probe-shorted 2']);
    expect(badOf(temps([120, -80, 125, 118], { coolant_temp: 80, oil_temp: 78 }))).toEqual(['probe-reversed 2']);
  });

  it('of which one is wrong do not make the others look wrong, with three, two and one', () => {
    const cold = { coolant_temp: 20, oil_temp: 20 };
    expect(badOf(temps([20, 45, 21], cold))).toEqual(['probe-disagrees 2']);
    expect(badOf(temps([20, 45], cold))).toEqual(['probe-disagrees 2']);
    expect(badOf(temps([44], { coolant_temp: 40, oil_temp: 40 }))).toEqual([]);
    expect(badOf(temps([27.5], cold))).toEqual(['probe-disagrees 1']);
  });

  it('beside an input without a probe, or a sensor without its wire, are still compared', () => {
    // The fourth input reads zero, the oil sensor has no wire: a resistive one reads -40 °C then.
    expect(badOf(temps([20, 21, 40, 0], { coolant_temp: 20, oil_temp: -40 }, 4, [4]))).toEqual(['probe-disagrees 3']);
  });

  it('are not compared on an engine that is warm all over, nor where most of them disagree', () => {
    expect(notJudged(temps([60, 62, 75, 61], { coolant_temp: 60, oil_temp: 61 }))).toContain('the engine is not cold-soaked');
    expect(badOf(temps([60, 62, 75, 61], { coolant_temp: 60, oil_temp: 61 }))).toEqual([]);
    expect(badOf(temps([10, 34, 22, 14, 30], { coolant_temp: 22, oil_temp: 22 }))).toEqual([]);
  });
});

describe('channels that never came', () => {
  it('are told by device, or by frame where others of the device came, and are no fault here', () => {
    const result = judge({ coolant_temp: level('degC', 20), battery_voltage: level('V', 12.6) });
    expect(badOf(result)).toEqual([]);
    const told = notJudged(result);
    expect(told).toContain('the channels of egt-box (nothing of it came)');
    expect(told).toContain('of engine-ecu (never came)');
    expect(told).not.toContain('ecu_slow');
  });
});
