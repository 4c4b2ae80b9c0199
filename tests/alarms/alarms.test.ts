// Alarms in the pipeline: gates, spikes, first-out, numbers, acknowledgements, changes of definitions, and the rules made from limits.
import { describe, expect, it } from 'vitest';
import { listAlarmRules } from '../../server/alarms/alarm-rules.ts';
import { formulaScope, listChannels } from '../../server/channels/channel-list.ts';
import { checkFormula } from '../../server/channels/formula.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { alarm, derived, ids, madeEngine, madeEngineVehicle, madePortSet, type Words } from '../pipeline/made-engine.ts';
import { PipelineRun } from '../pipeline/pipeline-run.ts';

const ms = 1000;
const limitsAt = { file: 'made', line: 1, column: 1 };

const speed = (timeMs: number, rpm: number, throttle = 0, cut = 0): Words => ({
  timeUs: timeMs * ms,
  id: ids.engine,
  words: [rpm, throttle, 1000, cut],
});
const oil = (timeMs: number, kpa: number): Words => ({ timeUs: timeMs * ms, id: ids.pressures, words: [300, 100, 1000, kpa] });
const probes = (timeMs: number, ...temps: number[]): Words[] => [
  { timeUs: timeMs * ms, id: ids.exhaustLow, words: temps.slice(0, 4) },
  { timeUs: timeMs * ms, id: ids.exhaustHigh, words: temps.slice(4) },
];

/** Frames each 20 ms from one time up to another. */
function each(fromMs: number, toMs: number, make: (timeMs: number) => Words[]): Words[] {
  const frames: Words[] = [];
  for (let t = fromMs; t < toMs; t += 20) frames.push(...make(t));
  return frames;
}

describe('the low oil alarm', () => {
  const vehicle = () =>
    madeEngineVehicle({
      alarms: [
        alarm('oil low', 'oil_pressure < 100', {
          while: 'engine_running',
          armAfterUs: 3_000_000,
          forUs: 300_000,
          clear: 'oil_pressure > 130',
          latch: true,
        }),
      ],
    });

  it('stays quiet at every start, and comes 3.3 s behind running when there is no pressure', () => {
    const run = new PipelineRun(vehicle());
    run.frames(...each(0, 1000, (t) => [speed(t, 0), oil(t, 0)]), ...each(1000, 5000, (t) => [speed(t, 900), oil(t, 0)])).finish();
    expect(run.story()).toEqual(['4300 ms: raised oil low']);
  });

  it('is not silenced by losing engine speed, and stays armed until the engine is proven stopped', () => {
    const run = new PipelineRun(vehicle());
    run.frames(...each(0, 4000, (t) => [speed(t, 900), oil(t, 400)]), ...each(4000, 6000, (t) => [oil(t, 0)])).finish();
    expect(run.story()).toEqual(['4300 ms: raised oil low']);
    const stopped = new PipelineRun(vehicle());
    stopped.frames(...each(0, 4000, (t) => [speed(t, 900), oil(t, 400)]), ...each(4000, 6000, (t) => [speed(t, 0), oil(t, 0)])).finish();
    expect(stopped.story()).toEqual([]);
  });

  it('is neither raised nor cleared by a sensor that fails, and says that it can not judge', () => {
    const run = new PipelineRun(vehicle());
    run.frames(...each(0, 4000, (t) => [speed(t, 900), oil(t, 50)]), ...each(4000, 5000, (t) => [speed(t, 900), oil(t, 0xffff)]));
    expect(run.story()).toEqual(['3300 ms: raised oil low']);
    expect(run.pipeline.alarms.standing).toMatchObject([{ name: 'oil low', state: 'raised', unknown: true }]);
    run.frames(...each(5000, 5500, (t) => [speed(t, 900), oil(t, 120)]));
    expect(run.pipeline.alarms.standing).toMatchObject([{ state: 'raised', unknown: false }]);
    run.frames(...each(5500, 6000, (t) => [speed(t, 900), oil(t, 400)]));
    expect(run.story()).toEqual(['3300 ms: raised oil low', '5500 ms: cleared oil low']);
    expect(run.pipeline.alarms.standing).toMatchObject([{ state: 'latched', acknowledged: false }]);
    run.take({ kind: 'acknowledge', timeUs: 6000 * ms, alarm: 'oil low', by: 'Ada' });
    expect(run.pipeline.alarms.standing).toEqual([]);
    expect(run.events.at(-1)).toMatchObject({ event: 'acknowledged', by: 'Ada', sequence: 3 });
  });
});

describe('an alarm whose clear condition holds while it does', () => {
  const hot = (clear: string) => madeEngineVehicle({ alarms: [alarm('hot', 'exhaust_temp_1 > 900', { clear })] });

  it('stays raised, and is not raised and cleared in turn, until its condition no longer holds', () => {
    const run = new PipelineRun(hot('exhaust_temp_2 < 500'));
    run.frames(...each(0, 200, (t) => probes(t, 950, 400, 1, 1, 1, 1)), ...each(200, 300, (t) => probes(t, 800, 400, 1, 1, 1, 1))).finish();
    expect(run.story()).toEqual(['0 ms: raised hot', '200 ms: cleared hot']);
  });

  it('is cleared by it while the condition itself is unknown', () => {
    const run = new PipelineRun(hot('exhaust_temp_2 < 500'));
    run
      .frames(...each(0, 200, (t) => probes(t, 950, 700, 1, 1, 1, 1)), ...each(200, 300, (t) => probes(t, 0xffff, 400, 1, 1, 1, 1)))
      .finish();
    expect(run.story()).toEqual(['0 ms: raised hot', '200 ms: cleared hot']);
  });
});

describe('spikes between instants', () => {
  it('are caught by an alarm without time, which shows the extreme and ends at the next instant', () => {
    const run = new PipelineRun(madeEngineVehicle({ alarms: [alarm('hot', 'exhaust_temp_1 > 900')] }));
    run.frames(...probes(1, 800, 1, 1, 1, 1, 1), ...probes(3, 950, 1, 1, 1, 1, 1), ...probes(7, 810, 1, 1, 1, 1, 1)).mark(30 * ms);
    expect(run.story()).toEqual(['10 ms: raised hot', '20 ms: cleared hot']);
    expect(run.events[0]).toMatchObject({ channel: 'exhaust_temp_1', value: 950, quality: 0, unit: 'degC' });
  });

  it('are caught downwards, in a converted unit, and before a fault in the same interval', () => {
    const low = new PipelineRun(madeEngineVehicle({ alarms: [alarm('low', 'in(oil_pressure, bar) < 1 bar')] }));
    low.frames(oil(1, 400), oil(3, 50), oil(7, 400)).mark(10 * ms);
    expect(low.story()).toEqual(['10 ms: raised low']);
    const fault = new PipelineRun(madeEngineVehicle({ alarms: [alarm('low', 'oil_pressure < 100')] }));
    fault.frames(oil(1, 50), oil(3, 0xffff)).mark(10 * ms);
    expect(fault.story()).toEqual(['10 ms: raised low']);
  });

  it('are passed over by an alarm that needs time', () => {
    const run = new PipelineRun(madeEngineVehicle({ alarms: [alarm('hot', 'exhaust_temp_1 > 900', { forUs: 10_000 })] }));
    run.frames(...probes(1, 950, 1, 1, 1, 1, 1), ...probes(7, 810, 1, 1, 1, 1, 1)).mark(60 * ms);
    expect(run.story()).toEqual([]);
  });
});

describe('a burst', () => {
  const vehicle = madeEngineVehicle({
    alarms: [
      alarm('second', 'engine_speed > 700', { severity: 'caution', latch: true }),
      alarm('first', 'throttle > 50', { severity: 'warning', latch: true }),
      alarm('long before', 'fuel_cut > 0', { severity: 'advisory', forUs: 20_000, latch: true }),
    ],
  });

  it('marks the alarm that came first, numbers events without holes, and starts anew when all is acknowledged', () => {
    const run = new PipelineRun(vehicle);
    run.frames(speed(5, 0, 60), speed(15, 800, 60), speed(25, 800, 60)).mark(30 * ms);
    expect(run.events.map(({ sequence, alarm: name, firstOut }) => [sequence, name, firstOut])).toEqual([
      [1, 'first', true],
      [2, 'second', false],
    ]);
    expect(run.pipeline.alarms).toMatchObject({
      sequence: 2,
      standing: [
        { name: 'first', firstOut: true },
        { name: 'second', firstOut: false },
      ],
    });
    for (const name of ['first', 'second']) run.take({ kind: 'acknowledge', timeUs: 31 * ms, alarm: name, by: 'crew' });
    run.frames(speed(35, 0, 0)).mark(40 * ms);
    run.frames(speed(45, 900, 0)).mark(50 * ms);
    expect(run.events.at(-1)).toMatchObject({ event: 'raised', alarm: 'second', firstOut: true, sequence: 7 });
  });

  it('at one instant puts first what was true first, then what is worse', () => {
    const run = new PipelineRun(vehicle);
    run.frames(speed(5, 0, 0, 1), speed(25, 800, 60, 1)).mark(30 * ms);
    expect(run.events.map(({ alarm: name, firstOut }) => [name, firstOut])).toEqual([
      ['long before', true],
      ['first', false],
      ['second', false],
    ]);
  });
});

describe('a change of definitions', () => {
  const hot = alarm('hot', 'exhaust_temp_1 > 900', { latch: true });
  const raised = (vehicle: Vehicle) => {
    const run = new PipelineRun(vehicle);
    return run.frames(...probes(1, 950, 1, 1, 1, 1, 1), ...probes(21, 950, 1, 1, 1, 1, 1));
  };

  it('takes effect at the next instant, and frames before it are read by the old set', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('x', 'engine_speed')] }));
    run.frames(speed(1, 100));
    run.take({ kind: 'definitions', timeUs: 3 * ms, vehicle: madeEngineVehicle({ derived: [derived('x', 'engine_speed * 10')] }) });
    run.frames(speed(12, 200)).mark(20 * ms);
    expect(run.of('x').map(({ timeUs, value }) => [timeUs, value])).toEqual([
      [10_000, 1000],
      [20_000, 2000],
    ]);
  });

  it('keeps what stands where the text is the same', () => {
    const run = raised(madeEngineVehicle({ alarms: [hot] }));
    run.take({ kind: 'definitions', timeUs: 25 * ms, vehicle: madeEngineVehicle({ alarms: [hot], derived: [derived('x', '1')] }) });
    run.mark(40 * ms);
    expect(run.story()).toEqual(['10 ms: raised hot']);
    expect(run.pipeline.alarms.standing).toMatchObject([{ name: 'hot', sinceUs: 10_000 }]);
  });

  it('lets a latched alarm survive whose rule is gone, until somebody acknowledges it', () => {
    const run = raised(madeEngineVehicle({ alarms: [hot] }));
    run.take({ kind: 'definitions', timeUs: 25 * ms, vehicle: madeEngineVehicle() }).mark(40 * ms);
    expect(run.pipeline.alarms.standing).toMatchObject([{ name: 'hot', state: 'latched' }]);
    run.take({ kind: 'acknowledge', timeUs: 50 * ms, alarm: 'hot', by: 'crew' });
    expect(run.pipeline.alarms.standing).toEqual([]);
  });

  it('removes what stood and does not latch, and says so', () => {
    const run = raised(madeEngineVehicle({ alarms: [{ ...hot, latch: false }] }));
    run.take({ kind: 'definitions', timeUs: 25 * ms, vehicle: madeEngineVehicle() }).mark(40 * ms);
    expect(run.story()).toEqual(['10 ms: raised hot', '30 ms: removed hot']);
    expect(run.pipeline.alarms.standing).toEqual([]);
  });

  it('keeps the state of a formula whose text is the same', () => {
    const calm = derived('calm', 'smooth(engine_speed, 10 s)');
    const run = new PipelineRun(madeEngineVehicle({ derived: [calm] }));
    run.frames(speed(1, 1000), speed(21, 1000));
    run.take({ kind: 'definitions', timeUs: 22 * ms, vehicle: madeEngineVehicle({ derived: [derived('other', '2'), calm] }) });
    run.frames(speed(41, 3000)).finish();
    expect(run.last('calm')).toBeCloseTo(1000 + 2000 * (1 - Math.exp(-0.02 / 10)), 9);
  });
});

describe('rules made from the vehicle', () => {
  const limits = { exhaustTempC: 780, exhaustSpreadK: 80, dutyPercent: 85, at: limitsAt };

  it('are formulas without a fault, and a rule of the user takes the place of one of the same name', () => {
    const vehicle = madeEngineVehicle({ limits, injectorSets: [{ ...madePortSet, targetKpa: 300 }] });
    const rules = listAlarmRules(vehicle, listChannels(vehicle));
    const scope = formulaScope(vehicle);
    for (const rule of rules)
      for (const text of [rule.when, rule.while, rule.clear]) if (text) expect(checkFormula(text, scope)).toEqual([]);
    expect(rules.map((rule) => rule.name)).toEqual([
      ...[1, 2, 3, 4, 5, 6].map((n) => `exhaust temperature ${n}`),
      'exhaust spread',
      'duty port',
      'fuel delta port low',
      'fuel delta port high',
      ...[1, 2, 3, 4, 5, 6].map((n) => `cylinder ${n} falls`),
    ]);
    const own = alarm('exhaust spread', 'exhaust_spread > 200');
    const mixed = listAlarmRules({ ...vehicle, alarms: [own] }, listChannels(vehicle));
    expect(mixed.filter((rule) => rule.name === 'exhaust spread')).toEqual([own]);
  });

  it('makes none of what is not said', () => {
    const { engine: _none, ...bare } = madeEngineVehicle({ injectorSets: [], limits });
    expect(listAlarmRules(bare, listChannels(bare))).toEqual([]);
  });

  it('raises the temperature limit on one frame, on the indicated temperature, but not during a cut', () => {
    const run = new PipelineRun(madeEngineVehicle({ limits }));
    run.frames(speed(0, 6000, 100, 1), ...probes(1, 800, 700, 700, 700, 700, 700), speed(20, 6000, 100, 1));
    expect(run.story()).toEqual([]);
    run.frames(speed(40, 6000, 100, 0), speed(60, 6000, 100, 0));
    expect(run.story()).toEqual(['40 ms: raised exhaust temperature 1']);
  });

  it('does not let a cut that went stale silence the temperature limit', () => {
    const run = new PipelineRun(madeEngineVehicle({ limits }));
    run.frames(speed(0, 6000, 100, 1), ...each(20, 400, (t) => probes(t, 800, 700, 700, 700, 700, 700))).finish();
    expect(run.story()).toEqual(['100 ms: raised exhaust temperature 1']);
  });

  it('judges the spread at settled load only', () => {
    const spread = (throttle: number) => {
      const run = new PipelineRun(madeEngineVehicle({ limits }));
      return run
        .frames(...each(0, 4000, (t) => [speed(t, 6000, throttle), ...probes(t, 700, 600, 700, 700, 700, 700)]))
        .finish()
        .story();
    };
    expect(spread(20)).toEqual([]);
    expect(spread(90)).toEqual(['2500 ms: raised exhaust spread']);
  });

  it('cries when one cylinder falls at load, and not when all fall with the throttle', () => {
    const at = (t: number) => (t < 4000 ? 700 : 700 - (t - 4000) * 0.15);
    const one = new PipelineRun(madeEngineVehicle());
    one.frames(...each(0, 6000, (t) => [speed(t, 6000, 100), ...probes(t, 700, 700, 700, 700, Math.round(at(t)), 700)])).finish();
    expect(one.events.map(({ alarm: name }) => name)).toEqual(['cylinder 5 falls']);
    expect(one.events[0]?.timeUs).toBeGreaterThan(4_200_000);
    expect(one.events[0]?.timeUs).toBeLessThan(5_000_000);
    const lifted = new PipelineRun(madeEngineVehicle());
    const lift = (t: number) => (t < 4000 ? 100 : 0);
    lifted.frames(...each(0, 6000, (t) => [speed(t, 6000, lift(t)), ...probes(t, 700, 700, 700, 700, Math.round(at(t)), 700)])).finish();
    expect(lifted.story()).toEqual([]);
    const together = new PipelineRun({ ...madeEngineVehicle(), engine: madeEngine });
    together.frames(...each(0, 6000, (t) => [speed(t, 6000, 100), ...probes(t, ...Array(6).fill(Math.round(at(t))))])).finish();
    expect(together.story()).toEqual([]);
  });

  it('judges fuel pressure delta while running, held and smoothed', () => {
    const vehicle = madeEngineVehicle({ injectorSets: [{ ...madePortSet, targetKpa: 300 }] });
    const rail = (t: number, kpa: number): Words => ({ timeUs: t * ms, id: ids.pressures, words: [kpa, 100, 1000, 400] });
    const fading = new PipelineRun(vehicle);
    fading.frames(...each(0, 6000, (t) => [speed(t, 3000), rail(t, t < 4000 ? 300 : 240)])).finish();
    expect(fading.events.map(({ alarm: name }) => name)).toEqual(['fuel delta port low']);
    const tipIn = new PipelineRun(vehicle);
    tipIn.frames(...each(0, 6000, (t) => [speed(t, 3000), rail(t, t > 4000 && t < 4200 ? 240 : 300)])).finish();
    expect(tipIn.story()).toEqual([]);
    const standing = new PipelineRun(vehicle);
    standing.frames(...each(0, 6000, (t) => [speed(t, 0), rail(t, 0)])).finish();
    expect(standing.story()).toEqual([]);
  });
});
