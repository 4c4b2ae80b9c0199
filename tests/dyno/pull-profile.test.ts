// What a pull did to each cylinder, on temperatures drawn by hand: peaks after the lift, bands of engine speed, bad probes, limits.
import { describe, expect, it } from 'vitest';
import { quality } from '../../server/channels/quality.ts';
import type { Series, SeriesSet } from '../../server/channels/series.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { profilePull } from '../../server/dyno/pull-profile.ts';
import type { Pull } from '../../server/dyno/pulls.ts';

const startUs = 5_000_000;

/** Ten samples a second from the beginning on. */
function drawn(channel: string, unit: string, seconds: number, at: (s: number) => number | 'fault' | { beyond: number }): Series {
  const times = Array.from({ length: seconds * 10 + 1 }, (_, i) => i / 10);
  const values = times.map(at);
  const codes = values.map((value) => (typeof value === 'number' ? quality.ok : value === 'fault' ? quality.fault : quality.outOfRange));
  return {
    channel,
    unit,
    timeUs: Float64Array.from(times, (s) => startUs + s * 1e6),
    value: Float64Array.from(values, (value) => (typeof value === 'number' ? value : value === 'fault' ? 0 : value.beyond)),
    quality: Uint8Array.from(codes),
  };
}

function set(series: Series[]): SeriesSet {
  return { startUs, endUs: startUs + 20e6, frames: 1, get: (name) => series.find(({ channel }) => channel === name) };
}

const vehicle = {
  engine: {
    roles: { speed: 'rpm', manifoldPressure: 'map', timing: 'timing' },
    lambda: new Map([['main', 'lambda']]),
    exhaustTemps: [1, 2, 3].map((cylinder) => ({ cylinder, channel: `t${cylinder}`, place: 'port' })),
  },
  injectorSets: [{ name: 'port' }],
  limits: { exhaustTempC: 780 },
} as unknown as Vehicle;

const sweep: Pull = { kind: 'sweep', from: 2, to: 6, speedFrom: 3000, speedTo: 5000, complete: true };
/** 500 rpm/s between 2 and 6 s. */
const rpm = drawn('rpm', 'rpm', 20, (s) => 3000 + 500 * Math.min(4, Math.max(0, s - 2)));

describe('the profile of a pull', () => {
  it('finds the peak that a lagging probe reaches after the lift, with its engine speed and its margin', () => {
    const t1 = drawn('t1', 'degC', 20, (s) => 700 - 20 * Math.abs(s - 7.5));
    const { peaks } = profilePull(set([rpm, t1]), vehicle, sweep);
    expect(peaks[0]).toEqual({ cylinder: 1, peakC: 700, at: 7.5, speed: 5000, marginK: 80 });
    expect(peaks[1]).toEqual({ cylinder: 2, peakC: null, at: null, speed: null, marginK: null });
  });

  it('takes no peak of the next pull, and none after a hold', () => {
    const t1 = drawn('t1', 'degC', 20, (s) => 600 + 10 * s);
    const peakOf = (pull: Pull, next?: number) => profilePull(set([rpm, t1]), vehicle, pull, next).peaks[0]?.peakC;
    expect(peakOf(sweep)).toBe(690);
    expect(peakOf(sweep, 7)).toBe(670);
    expect(peakOf({ ...sweep, kind: 'hold' })).toBe(660);
  });

  it('gives spread and RMS by bands of 250 rpm: of 600, 630 and 660 °C 60 K and 24.5 K', () => {
    const temps = [600, 630, 660].map((level, i) => drawn(`t${i + 1}`, 'degC', 20, () => level));
    const { bands } = profilePull(set([rpm, ...temps]), vehicle, sweep);
    expect(bands[0]?.speed).toBe(3125);
    // At 5,000 rpm it ends: of the band from there on it went through nothing.
    expect(bands.map(({ speed }) => speed)).toEqual([3125, 3375, 3625, 3875, 4125, 4375, 4625, 4875]);
    for (const { temps: means, spreadK, rmsK } of bands) expect([means, spreadK, rmsK]).toEqual([[600, 630, 660], 60, 24.5]);
  });

  it('has no band of which the sweep went through a few rpm: there some probes have no sample, and the others make no spread', () => {
    // From 2,999 rpm: 1 rpm of the band from 2,750. Only one probe of three has its sample there.
    const early = drawn('rpm', 'rpm', 20, (s) => (s < 2.1 ? 2999 : 2999 + 500 * Math.min(4, Math.max(0, s - 2))));
    const temps = [600, 630, 660].map((level, i) => drawn(`t${i + 1}`, 'degC', 20, (s) => (i > 1 && s < 2.2 ? 'fault' : level)));
    const { bands } = profilePull(set([early, ...temps]), vehicle, { ...sweep, speedFrom: 2999, speedTo: 4999 });
    expect(bands[0]).toMatchObject({ speed: 3125, spreadK: 60 });
    expect(bands.every(({ spreadK }) => spreadK === 60)).toBe(true);
  });

  it('leaves probes without a good number out of the spread, and keeps one beyond its range as a peak', () => {
    const series = [
      rpm,
      drawn('t1', 'degC', 20, () => 600),
      drawn('t2', 'degC', 20, () => 'fault'),
      drawn('t3', 'degC', 20, () => ({ beyond: 1300 })),
    ];
    const { bands, peaks } = profilePull(set(series), vehicle, sweep);
    expect(bands.every(({ spreadK, rmsK }) => spreadK === null && rmsK === null)).toBe(true);
    expect(peaks.map(({ peakC, marginK }) => [peakC, marginK])).toEqual([
      [600, 180],
      [null, null],
      [1300, -520],
    ]);
  });

  it('converts probes that read in another unit, and makes one band of a hold', () => {
    const hold: Pull = { kind: 'hold', from: 8, to: 14, speedFrom: 4990, speedTo: 5010, complete: true };
    const series = [rpm, drawn('t1', 'degF', 20, () => 1112), drawn('t2', 'degC', 20, () => 620)];
    const { bands } = profilePull(set(series), vehicle, hold);
    expect(bands).toHaveLength(1);
    expect(bands[0]).toMatchObject({ speed: 5000, temps: [600, 620, null], spreadK: 20, rmsK: 10 });
  });

  it('gives load, duty, delta, lambda and timing of each band, in kPa whatever the sensor reads in, and null for what is not there', () => {
    const series = [
      rpm,
      drawn('t1', 'degC', 20, () => 600),
      drawn('t2', 'degC', 20, () => 640),
      drawn('map', 'bar', 20, () => 1.5),
      drawn('duty_port', '%', 20, (s) => 10 * s),
      drawn('lambda', 'lambda', 20, () => 0.85),
    ];
    const { bands } = profilePull(set(series), vehicle, sweep);
    // 3000 to 3250 rpm are the samples of 2.0 to 2.4 s.
    expect(bands[0]).toMatchObject({ speed: 3125, load: 150, duty: [22], deltaKpa: [null], lambda: [0.85], timing: null });
  });

  it('gives the highest duty and the range of the fuel pressure delta of each set within the pull', () => {
    const series = [
      rpm,
      drawn('duty_port', '%', 20, (s) => (s < 8 ? 10 * s : 99)),
      drawn('fuel_delta_port', 'kPa', 20, (s) => (s < 2 ? 100 : 300 - s)),
    ];
    expect(profilePull(set(series), vehicle, sweep).sets).toEqual([{ set: 'port', dutyMax: 60, deltaMin: 294, deltaMax: 298 }]);
  });
});
