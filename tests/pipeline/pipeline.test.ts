// The pipeline as a whole: instants, quality, staleness, late frames, and that cutting batches or restoring a state changes nothing.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import type { PipelineInput } from '../../server/pipeline-input.ts';
import { alarm, batchOf, derived, ids, madeEngine, madeEngineVehicle, type Words } from './made-engine.ts';
import { PipelineRun } from './pipeline-run.ts';

const ms = 1000;

describe('instants', () => {
  it('evaluates a derived channel at the first instant at or behind its input, once a later frame has come', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('double_speed', 'engine_speed * 2')] }));
    run.frames({ timeUs: 12_345, id: ids.engine, words: [1000, 0, 0, 0] });
    expect(run.of('double_speed')).toEqual([]);
    run.frames({ timeUs: 20_001, id: ids.engine, words: [1100, 0, 0, 0] });
    expect(run.of('double_speed')).toEqual([{ timeUs: 20_000, channel: 'double_speed', value: 2000, quality: 'ok' }]);
  });

  it('sees a frame that lies exactly on the instant', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('double_speed', 'engine_speed * 2')] }));
    run.frames({ timeUs: 20_000, id: ids.engine, words: [1000, 0, 0, 0] }).mark(20_000);
    expect(run.of('double_speed')).toMatchObject([{ timeUs: 20_000, value: 2000 }]);
  });

  it('takes the last of several samples between two instants', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('double_speed', 'engine_speed * 2')] }));
    for (const t of [1, 4, 9]) run.frames({ timeUs: t * ms, id: ids.engine, words: [t, 0, 0, 0] });
    expect(run.mark(10 * ms).of('double_speed')).toMatchObject([{ timeUs: 10_000, value: 18 }]);
  });

  it('runs the first instant behind the last frame at the end', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('double_speed', 'engine_speed * 2')] }));
    run.frames({ timeUs: 1_700_000_000_000_454, id: ids.engine, words: [7, 0, 0, 0] }).finish();
    expect(run.of('double_speed')).toMatchObject([{ timeUs: 1_700_000_000_010_000, value: 14 }]);
  });

  it('costs nothing for a gap of years', () => {
    const run = new PipelineRun(madeEngineVehicle());
    run.frames({ timeUs: 0, id: ids.engine, words: [1, 0, 0, 0] });
    run.frames({ timeUs: 3 * 365 * 86_400e6, id: ids.engine, words: [2, 0, 0, 0] }).finish();
    expect(run.instants.length).toBeLessThan(30);
  });

  it('applies a late frame when it comes, counts it, and lets the next instant see it', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('double_speed', 'engine_speed * 2')] }));
    run.frames({ timeUs: 55 * ms, id: ids.exhaustHigh, words: [1, 2] });
    run.frames({ timeUs: 12 * ms, id: ids.engine, words: [500, 0, 0, 0] }, { timeUs: 70 * ms, id: ids.exhaustHigh, words: [1, 2] });
    run.finish();
    expect(run.of('engine_speed')).toMatchObject([{ timeUs: 12_000, value: 500 }]);
    expect(run.of('double_speed')).toMatchObject([{ timeUs: 60_000, value: 1000 }]);
    expect(run.pipeline.lateFrames).toBe(1);
  });

  it('computes channels of channels in one instant, whatever their order in the file', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('b', 'a + 1'), derived('a', 'engine_speed + 1')] }));
    run.frames({ timeUs: 0, id: ids.engine, words: [10, 0, 0, 0] }).finish();
    expect([run.last('a'), run.last('b')]).toEqual([11, 12]);
  });

  it('leaves a channel alone while no input of it has a new sample', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('double_speed', 'engine_speed * 2')] }));
    run.frames({ timeUs: 0, id: ids.engine, words: [1, 0, 0, 0] }, { timeUs: 30 * ms, id: ids.exhaustHigh, words: [1, 2] });
    expect(run.finish().of('double_speed')).toHaveLength(1);
  });
});

describe('quality', () => {
  it.each([
    [50, 'ok', 50],
    [1300, 'out-of-range', 1300],
    [0xffff, 'fault', null],
    [0xfffe, 'missing', null],
  ] as const)('reads raw %d as %s, and a formula over it says the same', (raw, quality, value) => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('same', 'exhaust_temp_1 * 1')] }));
    run.frames({ timeUs: 0, id: ids.exhaustLow, words: [raw, 1, 1, 1] }).finish();
    expect(run.of('exhaust_temp_1')).toMatchObject([{ quality, value }]);
    expect(run.of('same')).toMatchObject([{ quality, value }]);
  });

  it('gives a division by zero no result', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('ratio', 'throttle / engine_speed')] }));
    run.frames({ timeUs: 0, id: ids.engine, words: [0, 10, 0, 0] }).finish();
    expect(run.of('ratio')).toMatchObject([{ quality: 'missing', value: null }]);
  });

  it('calls a derived channel out of range by its own limits', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('double', 'throttle * 2', '', { max: 100 })] }));
    run.frames({ timeUs: 0, id: ids.engine, words: [0, 60, 0, 0] }).finish();
    expect(run.of('double')).toMatchObject([{ quality: 'out-of-range', value: 120 }]);
  });

  it('lets the worst input name the reason', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('sum', 'exhaust_temp_1 + exhaust_temp_2 + exhaust_temp_3')] }));
    run.frames({ timeUs: 0, id: ids.exhaustLow, words: [1300, 0xfffe, 0xffff, 1] }).finish();
    expect(run.last('sum')).toBe('missing');
  });
});

describe('staleness', () => {
  const stale = (run: PipelineRun, channel: string) =>
    run
      .of(channel)
      .filter((sample) => sample.quality === 'stale')
      .map((s) => s.timeUs);

  it('makes a signal stale after three periods, at least 100 ms, and a second where no period is given', () => {
    const run = new PipelineRun(madeEngineVehicle());
    run.frames(
      { timeUs: 0, id: ids.engine, words: [1, 1, 1, 1] },
      { timeUs: 0, id: ids.exhaustHigh, words: [1, 1] },
      { timeUs: 0, id: ids.pressures, words: [1, 1, 1, 1] },
    );
    run.mark(2000 * ms);
    expect(stale(run, 'engine_speed')).toEqual([100_000]);
    expect(stale(run, 'exhaust_temp_5')).toEqual([150_000]);
    expect(stale(run, 'rail_pressure')).toEqual([1_000_000]);
  });

  it('counts from the last frame, and takes the channel back with the next', () => {
    const run = new PipelineRun(madeEngineVehicle());
    for (const t of [0, 90, 185]) run.frames({ timeUs: t * ms, id: ids.engine, words: [t, 0, 0, 0] });
    run.mark(284 * ms);
    expect(stale(run, 'engine_speed')).toEqual([]);
    run.mark(300 * ms);
    expect(stale(run, 'engine_speed')).toEqual([290_000]);
    run.frames({ timeUs: 400 * ms, id: ids.engine, words: [5, 0, 0, 0] });
    expect(run.last('engine_speed')).toBe(5);
  });

  it('goes stale inside a batch that skips the silence', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('double_speed', 'engine_speed * 2')] }));
    run.frames({ timeUs: 0, id: ids.engine, words: [1, 0, 0, 0] }, { timeUs: 500 * ms, id: ids.engine, words: [2, 0, 0, 0] }).finish();
    expect(run.of('double_speed').map(({ timeUs, value, quality }) => [timeUs, value, quality])).toEqual([
      [0, 2, 'ok'],
      [100_000, null, 'stale'],
      [500_000, 4, 'ok'],
    ]);
  });

  it('calls what was never seen missing, not stale', () => {
    const run = new PipelineRun(madeEngineVehicle());
    run.frames({ timeUs: 0, id: ids.engine, words: [1, 0, 0, 0] }).mark(5000 * ms);
    expect(run.of('rail_pressure')).toEqual([]);
    expect(run.pipeline.table.quality[run.pipeline.channels.findIndex((channel) => channel.name === 'rail_pressure')]).toBe(3);
  });

  it('forgets the state of a function over a gap', () => {
    const run = new PipelineRun(madeEngineVehicle({ derived: [derived('calm', 'smooth(engine_speed, 10 s)')] }));
    run.frames({ timeUs: 0, id: ids.engine, words: [1000, 0, 0, 0] }, { timeUs: 50 * ms, id: ids.engine, words: [2000, 0, 0, 0] });
    run.frames({ timeUs: 1000 * ms, id: ids.engine, words: [3000, 0, 0, 0] }).finish();
    expect(run.last('calm')).toBe(3000);
  });
});

describe('built-in channels', () => {
  it('computes what the vehicle file makes possible, with numbers worked by hand', () => {
    const run = new PipelineRun(madeEngineVehicle());
    run.frames(
      { timeUs: 0, id: ids.engine, words: [6000, 100, 10_000, 0] },
      { timeUs: 0, id: ids.exhaustLow, words: [700, 710, 720, 730] },
      { timeUs: 0, id: ids.exhaustHigh, words: [650, 740] },
      { timeUs: 0, id: ids.pressures, words: [300, 200, 1000, 400] },
    );
    run.finish();
    // 10 ms at 6000 rpm, sequential: 50 %. Rail 300 gauge + 100 barometer - 200 manifold: 200 kPa.
    expect(run.last('duty_port')).toBe(50);
    expect(run.last('fuel_delta_port')).toBe(200);
    // 6 × 1000 × √(200 / 300) × (10 - 1) / 20
    expect(run.last('flow_port')).toBeCloseTo(6 * 816.4966 * 0.45, 3);
    expect(run.last('flow_total')).toBe(run.last('flow_port'));
    expect(run.last('engine_running')).toBe(1);
    expect(run.last('engine_cranking')).toBe(0);
    expect(run.last('exhaust_spread')).toBe(90);
    expect(run.last('exhaust_spread_front')).toBe(20);
    expect(run.last('exhaust_count')).toBe(6);
    // Others of 5: 700 710 720 730 740, median 720.
    expect(run.last('exhaust_deviation_5')).toBe(-70);
    // Mean of 700 710 720: 710; squares 100, 0, 100.
    expect(run.last('exhaust_rms_front')).toBeCloseTo(Math.sqrt(200 / 3), 12);
  });

  it('uses the good probes only, and counts them', () => {
    const run = new PipelineRun(madeEngineVehicle());
    run.frames({ timeUs: 0, id: ids.exhaustLow, words: [700, 0xffff, 1300, 730] }, { timeUs: 0, id: ids.exhaustHigh, words: [690, 740] });
    run.finish();
    expect(run.last('exhaust_count')).toBe(4);
    expect(run.last('exhaust_spread')).toBe(50);
    expect(run.last('exhaust_spread_front')).toBe('fault');
    expect(run.last('exhaust_deviation_2')).toBe('fault');
    expect(run.last('exhaust_deviation_1')).toBe(700 - 730);
  });

  it('measures bus load over the last second, exactly, and falls back to nothing', () => {
    const run = new PipelineRun(madeEngineVehicle());
    // Eight zero bytes behind 0x100 are 111 bits and 15 stuff bits (counted by hand in the wire length tests), 100 times a second.
    const frames: Words[] = Array.from({ length: 200 }, (_, i) => ({ timeUs: i * 10 * ms, id: ids.engine, words: [0, 0, 0, 0] }));
    run.frames(...frames).mark(4000 * ms);
    const loads = run.of('bus_load_engine').map((sample) => sample.value as number);
    const bits = 126;
    expect(loads).toContain((100 * 100 * bits) / 500_000);
    expect(loads.at(-1)).toBe(0);
    expect(run.of('bus_errors_engine')).toMatchObject([{ value: 0 }]);
  });
});

/** A random minute of an engine: speed and temperatures that move, faults, gaps, late frames, acknowledgements. */
const randomInputs = fc.array(
  fc.record({
    gapUs: fc.oneof({ weight: 20, arbitrary: fc.integer({ min: 0, max: 20_000 }) }, fc.integer({ min: 0, max: 2_000_000 })),
    lateUs: fc.oneof({ weight: 15, arbitrary: fc.constant(0) }, fc.integer({ min: 0, max: 40_000 })),
    id: fc.constantFrom(...Object.values(ids)),
    words: fc.tuple(...Array.from({ length: 4 }, () => fc.oneof(fc.integer({ min: 0, max: 1400 }), fc.constantFrom(0xffff, 0xfffe, 0)))),
    acknowledge: fc.boolean(),
    reload: fc.oneof({ weight: 10, arbitrary: fc.constant(false) }, { weight: 1, arbitrary: fc.constant(true) }),
  }),
  { minLength: 1, maxLength: 120 },
);

const busyVehicle = () =>
  madeEngineVehicle({
    derived: [
      derived('slope', 'rate(exhaust_temp_1, 0.3 s)'),
      derived('calm', 'smooth(engine_speed, 0.2 s) + hold(throttle, 0.5 s)'),
      derived('long', 'time_while(engine_speed > 500)'),
      derived('gas', 'lag_corrected(exhaust_temp_2, 1 s, 0.4 s)'),
    ],
    alarms: [
      alarm('hot', 'exhaust_temp_1 > 900', { latch: true }),
      alarm('fast', 'engine_speed > 700', { forUs: 50_000, clear: 'engine_speed < 500' }),
      alarm('oil', 'oil_pressure < 300', { while: 'engine_running', armAfterUs: 200_000, forUs: 30_000, latch: true }),
      alarm('steep', 'rate(exhaust_temp_3, 0.2 s) > 100', { severity: 'caution' }),
    ],
    limits: { exhaustTempC: 1000, exhaustSpreadK: 100, dutyPercent: 80, at: { file: '', line: 1, column: 1 } },
    engine: madeEngine,
  });

const reloadedVehicle = () => ({ ...busyVehicle(), hash: 'reloaded', derived: [derived('slope', 'rate(exhaust_temp_1, 0.2 s)')] });

type RandomInput = typeof randomInputs extends fc.Arbitrary<infer T> ? T : never;

function toInputs(random: RandomInput): PipelineInput[] {
  const inputs: PipelineInput[] = [];
  let nowUs = 0;
  for (const { gapUs, lateUs, id, words, acknowledge, reload } of random) {
    nowUs += gapUs;
    const frame = { timeUs: Math.max(0, nowUs - lateUs), id, words: id === ids.exhaustHigh ? words.slice(0, 2) : words };
    inputs.push({ kind: 'frames', batch: batchOf([frame]) });
    if (reload) inputs.push({ kind: 'definitions', timeUs: nowUs, vehicle: reloadedVehicle() });
    if (acknowledge) inputs.push({ kind: 'acknowledge', timeUs: nowUs, alarm: 'hot', by: 'crew' });
  }
  return inputs;
}

/** The same inputs with neighbouring batches joined where `cuts` doesn't say otherwise. */
function joined(inputs: PipelineInput[], cuts: boolean[]): PipelineInput[] {
  const result: PipelineInput[] = [];
  for (const [i, input] of inputs.entries()) {
    const last = result.at(-1);
    if (input.kind !== 'frames' || last?.kind !== 'frames' || cuts[i % cuts.length]) {
      result.push(input.kind === 'frames' ? { kind: 'frames', batch: copyOf(input.batch) } : input);
    } else last.batch.pushFrom(input.batch, 0);
  }
  return result;
}

function copyOf(batch: FrameBatch): FrameBatch {
  const copy = new FrameBatch(8);
  for (let i = 0; i < batch.count; i++) copy.pushFrom(batch, i);
  return copy;
}

describe('the same inputs', () => {
  it('give the same samples and alarms however the batches are cut', () => {
    fc.assert(
      fc.property(randomInputs, fc.array(fc.boolean(), { minLength: 1, maxLength: 20 }), (random, cuts) => {
        const inputs = toInputs(random);
        const one = new PipelineRun(busyVehicle());
        const other = new PipelineRun(busyVehicle());
        for (const input of inputs) one.take(input);
        for (const input of joined(inputs, cuts)) other.take(input);
        one.finish();
        other.finish();
        expect(other.samples).toEqual(one.samples);
        expect(other.events).toEqual(one.events);
        expect(other.instants).toEqual(one.instants);
      }),
      { numRuns: 300 },
    );
  });

  it('give the same samples and alarms when the state is saved and restored on the way', () => {
    fc.assert(
      fc.property(randomInputs, fc.nat(), (random, where) => {
        const inputs = toInputs(random);
        const at = where % inputs.length;
        const whole = new PipelineRun(busyVehicle());
        const first = new PipelineRun(busyVehicle());
        for (const input of inputs) whole.take(input);
        for (const input of inputs.slice(0, at)) first.take(input);
        const second = new PipelineRun(first.pipeline.vehicle);
        second.pipeline.restoreState(JSON.parse(JSON.stringify(first.pipeline.saveState())), () => reloadedVehicle());
        for (const input of inputs.slice(at)) second.take(input);
        whole.finish();
        second.finish();
        expect([...first.samples, ...second.samples]).toEqual(whole.samples);
        expect([...first.events, ...second.events]).toEqual(whole.events);
        expect([...first.instants, ...second.instants]).toEqual(whole.instants);
        expect(second.pipeline.alarms).toEqual(whole.pipeline.alarms);
      }),
      { numRuns: 300 },
    );
  });
});
