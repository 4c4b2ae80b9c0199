// The pull in progress, stepped through by hand: when a limit's time is told, when to lift, and that what isn't known is never good news.
import { describe, expect, it } from 'vitest';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import type { PullProfile } from '../../server/dyno/pull-profile.ts';
import { type PullNow, PullWatch } from '../../server/dyno/pull-watch.ts';

const vehicle = (change: object = {}) =>
  ({
    engine: {
      roles: { speed: 'rpm', throttle: 'throttle', oilTemp: 'oil' },
      runningAboveRpm: 400,
      exhaustTemps: [1, 2, 3].map((cylinder) => ({ cylinder, channel: `t${cylinder}`, place: 'port' })),
    },
    injectorSets: [{ name: 'port', targetKpa: 300 }],
    buses: [{ frames: [{ signals: [{ name: 'throttle', unit: '%' }] }] }],
    derived: [],
    limits: { exhaustTempC: 780, dutyPercent: 85 },
    ...change,
  }) as unknown as Vehicle;

type Values = Record<string, number | undefined>;

/** Steps ten times a second; `at` gives what channels read at each second. */
function drive(watch: PullWatch, seconds: number, at: (s: number) => Values, fromS = 0): PullNow[] {
  return Array.from({ length: seconds * 10 + 1 }, (_, i) => {
    const s = fromS + i / 10;
    const values = at(s);
    return watch.step(s * 1e6, (channel) => (channel === undefined ? undefined : values[channel]));
  });
}

/** A pull from 3000 rpm with 500 rpm/s that begins at 1 s and is lifted at `liftS`. */
const pull =
  (liftS: number, more: (s: number) => Values = () => ({})) =>
  (s: number): Values => ({
    throttle: s >= 1 && s < liftS ? 100 : 5,
    rpm: s < 1 ? 3000 : s < liftS ? 3000 + 500 * (s - 1) : 2500,
    t1: 600,
    t2: 610,
    t3: 620,
    ...more(s),
  });

describe('the pull in progress', () => {
  it('begins when speed rises at full throttle and ends with the lift', () => {
    const phases = drive(new PullWatch(vehicle()), 10, pull(8)).map(({ phase }) => phase);
    expect(phases[8]).toBe('none');
    expect(phases[20]).toBe('sweep');
    expect(phases[79]).toBe('sweep');
    expect(phases[85]).toBe('none');
  });

  it('is none while the throttle is stabbed in neutral, up to the limiter too', () => {
    const stab = (s: number) => ({
      throttle: s > 1 && s < 3 ? 100 : 5,
      rpm: s < 1 || s > 3 ? 1000 : Math.min(7000, 1000 + 6000 * (s - 1)),
    });
    expect(drive(new PullWatch(vehicle()), 4, stab).every(({ phase }) => phase === 'none')).toBe(true);
  });

  it('goes on while engine speed or throttle is lost for a moment: what is not known is no lift', () => {
    const lost = pull(8, (s) => (s > 4 && s < 5 ? { rpm: undefined, throttle: undefined } : {}));
    const states = drive(new PullWatch(vehicle()), 8, lost);
    expect(states[45]?.phase).toBe('sweep');
    expect(states[60]?.sinceUs).toBe(states[30]?.sinceUs);
  });

  it('becomes a hold once speed has stood for four seconds under load', () => {
    const hold = (s: number) => ({ throttle: 60, rpm: 4000 + 20 * Math.sin(s) });
    const phases = drive(new PullWatch(vehicle()), 6, hold).map(({ phase }) => phase);
    expect(phases[35]).toBe('none');
    expect(phases[45]).toBe('hold');
  });

  it('tells no time to a limit in the first two seconds, and between pulls', () => {
    const states = drive(
      new PullWatch(vehicle()),
      10,
      pull(8, () => ({ exhaust_time_to_limit_2: 6 })),
    );
    const told = states.map(({ nearest }) => nearest !== null);
    expect(told.indexOf(true) / 10).toBeGreaterThanOrEqual(3);
    expect(told.indexOf(true) / 10).toBeLessThan(3.3);
    expect(told[90]).toBe(false);
    expect(states[50]?.nearest).toEqual({ cylinder: 2, limitInS: 6 });
  });

  it('says lift now below a second and a half, and at once above the limit whatever is hidden', () => {
    const near = drive(
      new PullWatch(vehicle()),
      6,
      pull(8, () => ({ exhaust_time_to_limit_2: 1.4 })),
    );
    expect([near[15]?.liftNow, near[50]?.liftNow]).toEqual([false, true]);
    const over = drive(
      new PullWatch(vehicle()),
      2,
      pull(8, () => ({ t3: 781 })),
    );
    expect(over[12]?.liftNow).toBe(true);
    expect(over[12]?.cylinders.filter(({ liftNow }) => liftNow).map(({ cylinder }) => cylinder)).toEqual([3]);
  });

  it('tells of a cylinder that falls by itself, and of none that falls with the others', () => {
    const falling = (deviation: number) => pull(8, () => ({ exhaust_rate_2: -60, exhaust_deviation_2: deviation }));
    const last = (of: (s: number) => Values) => drive(new PullWatch(vehicle()), 4, of).at(-1)?.cylinders[1]?.falls;
    expect([last(falling(-40)), last(falling(-5)), last(pull(8, () => ({ exhaust_rate_2: -60 })))]).toEqual([true, false, false]);
    // Behind the lift each falls as fast as its probe follows.
    expect(drive(new PullWatch(vehicle()), 10, falling(-40)).at(-1)?.cylinders[1]?.falls).toBe(false);
  });

  it('shows headroom to the limit, and the delta in a band of a tenth around its target', () => {
    const set = (duty: number | undefined, delta: number | undefined) =>
      drive(new PullWatch(vehicle()), 0, () => ({ duty_port: duty, fuel_delta_port: delta }))[0]?.sets[0];
    expect(set(80, 271)).toMatchObject({ headroomPercent: 5, bandKpa: [270, 330], inBand: true });
    expect(set(90, 269)).toMatchObject({ headroomPercent: -5, inBand: false });
    expect(set(undefined, undefined)).toMatchObject({ dutyPercent: null, headroomPercent: null, deltaKpa: null, inBand: null });
  });

  it('sets spread beside the last pull at the same engine speed', () => {
    const watch = new PullWatch(vehicle());
    watch.last = { sweep: { profile: { bands: [{ speed: 4125, spreadK: 33, rmsK: 12 }] } as unknown as PullProfile, fromUs: 7e6 } };
    const states = drive(
      watch,
      6,
      pull(8, () => ({ exhaust_spread: 40 })),
    );
    const beside = states.filter(({ lastSpreadK }) => lastSpreadK !== null);
    expect(beside.every(({ rpm, lastSpreadK }) => (rpm ?? 0) >= 4000 && (rpm ?? 0) <= 4250 && lastSpreadK === 33)).toBe(true);
    expect(beside.length).toBeGreaterThan(3);
  });

  it('is ready for the next pull only within the window of the first', () => {
    const watch = new PullWatch(vehicle());
    watch.first = { oil: 90, coolant: null, intake: null, fuel: null, exhaust: null };
    const ready = (oil: number | undefined) => watch.step(0, (channel) => (channel === 'oil' ? oil : undefined)).readiness.ready;
    expect([ready(92), ready(96), ready(undefined)]).toEqual([true, false, null]);
  });

  it.each([
    [{ engine: { roles: {}, exhaustTemps: [] } }, 'engine: { speed: <channel of engine speed> }'],
    [{ limits: {} }, 'limits: { exhaust_temp: 780 degC }'],
    [{ buses: [{ frames: [{ signals: [{ name: 'throttle', unit: 'V' }] }] }] }, '{ name: throttle, ..., min: <closed>, max: <full open> }'],
  ])('names the line that is missing (%#)', (change, line) => {
    const state = new PullWatch(vehicle(change)).step(0, () => undefined);
    expect(state.notJudged.map((item) => item.line)).toContain(line);
    expect(state.phase).toBe('none');
  });

  it('reads a throttle in volts by the span of its signal', () => {
    const volts = { buses: [{ frames: [{ signals: [{ name: 'throttle', unit: 'V', min: 0.5, max: 4.5 }] }] }] };
    const inVolts = (s: number) => ({ ...pull(8)(s), throttle: s >= 1 && s < 8 ? 4.4 : 0.6 });
    expect(drive(new PullWatch(vehicle(volts)), 4, inVolts).at(-1)?.phase).toBe('sweep');
  });
});
