// The same drive in other units and with less said: pulls are found alike, or the line that is missing is named.
import { describe, expect, it } from 'vitest';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { findPulls } from '../../server/dyno/pulls.ts';
import { studyDistribution } from '../../server/dyno/study.ts';
import { drawn, seriesOf } from '../doubles/drawn-series.ts';

interface Read {
  unit: string;
  reference?: string;
  min?: number;
  max?: number;
  /** From a share of full throttle, or from absolute kPa. */
  of(value: number): number;
}

const throttles: Record<string, Read> = {
  'per cent': { unit: '%', of: (share) => 100 * share },
  'volts with a span': { unit: 'V', min: 0.5, max: 4.5, of: (share) => 0.5 + 4 * share },
  'volts as seen': { unit: 'V', of: (share) => 0.5 + 4 * share },
  degrees: { unit: 'deg', min: 3, max: 84, of: (share) => 3 + 81 * share },
  'a share of one': { unit: '', min: 0, max: 1, of: (share) => share },
};

const pressures: Record<string, Read | undefined> = {
  'absolute kPa': { unit: 'kPa', reference: 'absolute', of: (kpa) => kpa },
  psi: { unit: 'psi', reference: 'absolute', of: (kpa) => kpa / 6.894757 },
  bar: { unit: 'bar', reference: 'absolute', of: (kpa) => kpa / 100 },
  'gauge kPa': { unit: 'kPa', reference: 'gauge', of: (kpa) => kpa - 101.3 },
  'no sensor': undefined,
};

/** 20 % throttle and 70 kPa from 2 to 10 s at 3500 rpm; a pull from 15 to 22 s; a closed throttle in between. */
const share = (s: number) => (s >= 2 && s < 10 ? 0.2 : s >= 15 && s < 22 ? 1 : 0);
const kpa = (s: number) => (s >= 2 && s < 10 ? 70 : s >= 15 && s < 22 ? 100 : 30);
const rpm = (s: number) => (s >= 2 && s < 10 ? 3500 : s >= 15 && s < 22 ? 3000 + 500 * (s - 15) : 1800);

function find(throttle: Read | undefined, pressure: Read | undefined) {
  const signals = [...(throttle ? [{ name: 'pedal', ...throttle }] : []), ...(pressure ? [{ name: 'boost', ...pressure }] : [])];
  const vehicle = {
    engine: {
      roles: { speed: 'rpm', ...(throttle ? { throttle: 'pedal' } : {}), ...(pressure ? { manifoldPressure: 'boost' } : {}) },
      runningAboveRpm: 400,
      exhaustTemps: [],
    },
    buses: [{ frames: [{ signals }] }],
    derived: [],
    injectorSets: [],
    limits: {},
  } as unknown as Vehicle;
  const series = [
    drawn('rpm', 'rpm', 30, rpm, 50),
    ...(throttle ? [drawn('pedal', throttle.unit, 30, (s) => throttle.of(share(s)), 50)] : []),
    ...(pressure ? [drawn('boost', pressure.unit, 30, (s) => pressure.of(kpa(s)), 50)] : []),
  ];
  return findPulls(seriesOf(series, 30), vehicle);
}

describe('pulls of one drive', () => {
  it.each(Object.entries(throttles))('are found by a throttle in %s', (_, throttle) => {
    const { pulls } = find(throttle, pressures['absolute kPa']);
    expect(pulls.map(({ kind }) => kind)).toEqual(['hold', 'sweep']);
    expect(Math.abs((pulls[1]?.from ?? 0) - 15)).toBeLessThan(0.3);
    expect(pulls[1]?.speedTo).toBeGreaterThan(6350);
  });

  it.each(Object.entries(pressures))('are told from idle by a manifold pressure in %s', (_, pressure) => {
    expect(find(throttles['per cent'], pressure).pulls.map(({ kind }) => kind)).toEqual(['hold', 'sweep']);
  });

  it('are none at 20 % throttle with a manifold of 40 kPa, in any unit', () => {
    for (const pressure of Object.values(pressures)) {
      if (!pressure) continue;
      const weak: Read = { ...pressure, of: (value) => pressure.of(value === 70 ? 40 : value) };
      expect(find(throttles['per cent'], weak).pulls.map(({ kind }) => kind)).toEqual(['sweep']);
    }
  });

  it('are not judged without a throttle, and the line that would let them be is named', () => {
    const { pulls, notJudged } = find(undefined, pressures['absolute kPa']);
    expect(pulls).toEqual([]);
    expect(notJudged).toEqual([{ what: 'pulls and holds', line: 'engine: { throttle: <channel of throttle opening> }' }]);
  });
});

describe('a study', () => {
  const hold = (probes: number, temps: [number, number][]) => ({
    session: 1,
    vehicle: {
      engine: { exhaustTemps: Array.from({ length: probes }, (_, i) => ({ cylinder: i + 1 })), banks: [], cylinders: probes },
      injectorSets: [],
    } as unknown as Vehicle,
    from: 0,
    to: 8,
    speedRpm: 4000,
    load: 100,
    temps: new Map(temps),
    off: new Set<string>(),
    share: new Map<string, number>(),
  });

  it.each([
    ['no hold', [], /no steady hold/],
    ['one probe alone', [hold(1, [[1, 600]])], /exhaust_temps/],
    ['two probes that had not settled', [hold(2, [[1, 600]])], /settled/],
  ])('of %s says why it can say nothing', (_, holds, line) => {
    const study = studyDistribution(holds);
    expect(study).toMatchObject({ effects: [], cylinders: [], trials: [] });
    expect(study.notJudged[0]?.line).toMatch(line);
  });
});
