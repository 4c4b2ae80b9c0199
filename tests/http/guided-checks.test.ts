// Checks led step by step over HTTP: windows, skips with a reason, gates, a new start in between, and found maps written to vehicle.yaml.
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, describe, expect, it } from 'vitest';
import type { CorrectionView, PreparationView } from '../../server/contract/check-steps.ts';
import type { CheckRun, CheckState } from '../../server/contract/checks.ts';
import type { LogEntry } from '../../server/contract/log-book.ts';
import { CheckedBus } from '../doubles/checked-bus.ts';
import { untilSeen } from '../waiting.ts';

let bus: CheckedBus;
afterEach(() => bus.close());

type Refusal = { error: string; message: string };
const running = async () => (await bus.ask<CheckState>('GET', '/api/checks/running')).body;
const act = <T = CheckState>(step: string, what: 'begin' | 'done' | 'skip', more: object = {}) =>
  bus.ask<T>('POST', '/api/checks/running/steps', { step, act: what, by: 'Ida', ...more });
const finish = async () => (await bus.ask<CheckRun>('POST', '/api/checks/running/finish')).body;
const begin = (check: string) => bus.ask<CheckState>('POST', '/api/checks/running', { check, by: 'Ida' });
const scenario = (stages: string[], faults: string[] = [], start = 'cold') =>
  `scenario: t\nseed: 4\nstart: ${start}\nstages:\n${stages.map((stage) => `  - { ${stage} }\n`).join('')}${
    faults.length > 0 ? `faults:\n${faults.map((fault) => `  - { ${fault} }\n`).join('')}` : ''
  }`;
const badOf = ({ result }: CheckRun) =>
  result.verdicts.filter(({ ok }) => !ok).map(({ code, cylinder, set, group }) => [code, cylinder ?? group ?? set]);

describe('the probe check led step by step', () => {
  /** Probes warmed in an order of the person's own, 14 s each with rests of 6 s between. */
  const order = [4, 1, 5, 2, 6, 3];
  const warmed = [
    'stage: key_on, for: 6 s, pump: false',
    ...order.flatMap((n) => [`stage: warm_probe, cylinder: ${n}, for: 14 s`, 'stage: stop, for: 6 s']),
  ];

  async function warmAll(): Promise<CheckRun> {
    await begin('probes');
    bus.run(6);
    for (const n of order) {
      expect((await act(`probe-${n}`, 'begin')).status).toBe(200);
      bus.run(20);
      await act(`probe-${n}`, 'done');
    }
    return finish();
  }

  it('finds a swapped pair in any order, writes the found map in one press, and keeps comments and the old map', async () => {
    bus = await CheckedBus.open(scenario(warmed, ['fault: swapped_probes, cylinders: [2, 5]']));
    const run = await warmAll();
    expect(badOf(run)).toEqual([
      ['probe-swapped', 2],
      ['probe-swapped', 5],
    ]);
    expect([run.by, run.title, run.steps['probe-4']?.by]).toEqual(['Ida', 'Probes', 'Ida']);
    const before = readFileSync(join(bus.vehicleDir, 'vehicle.yaml'), 'utf8');
    const path = `/api/checks/runs/${run.run}/correction`;
    const { body: found } = await bus.ask<CorrectionView>('GET', path);
    const changes = [
      { what: 'exhaust_temps of cylinder 2', from: 'exhaust_temp_2', to: 'exhaust_temp_5' },
      { what: 'exhaust_temps of cylinder 5', from: 'exhaust_temp_5', to: 'exhaust_temp_2' },
    ];
    expect(found).toEqual({ proved: false, changes, notes: [], writtenWallMs: null });
    const { status, body: written } = await bus.ask<CorrectionView>('POST', path, { by: 'Ida' });
    expect([status, written.changes]).toEqual([200, changes]);
    // Only the two channels changed places; the probe in each port is the same thing as before.
    const wanted = before
      .replace('2: { channel: exhaust_temp_2,', '2: { channel: exhaust_temp_TWO,')
      .replace('5: { channel: exhaust_temp_5,', '5: { channel: exhaust_temp_2,')
      .replace('exhaust_temp_TWO', 'exhaust_temp_5');
    expect(readFileSync(join(bus.vehicleDir, 'vehicle.yaml'), 'utf8')).toBe(wanted);
    const { body: log } = await bus.ask<LogEntry[]>('GET', '/api/log-book');
    expect(log.find(({ kind }) => kind === 'correction')).toMatchObject({ run: run.run, by: 'Ida', changes });
    // A second press would turn them back.
    expect((await bus.ask<Refusal>('POST', path, {})).body.error).toBe('CHECK_CORRECTS_NOTHING');
    await bus.reload();
    expect(bus.vehicle.engine?.exhaustTemps.map(({ channel }) => channel.slice(-1)).join('')).toBe('153426');
  });

  it('proves the map of a healthy engine, and closes the probes of the preparation list', async () => {
    bus = await CheckedBus.open(scenario(warmed));
    const open = async () => (await bus.ask<PreparationView>('GET', '/api/preparation')).body.items.find(({ item }) => item === 'probes');
    expect((await open())?.covers).toHaveLength(6);
    const run = await warmAll();
    expect(badOf(run)).toEqual([]);
    expect((await bus.ask<CorrectionView>('GET', `/api/checks/runs/${run.run}/correction`)).body).toMatchObject({
      proved: true,
      changes: [],
    });
    expect(await open()).toBeUndefined();
    // The samples around the verdict are kept: warming begins near the bottom and ends higher.
    const { samples } = run.result.verdicts.find(({ cylinder }) => cylinder === 4) as unknown as {
      samples: { at: number[]; value: number[] };
    };
    expect(samples.at.length).toBeGreaterThan(10);
    expect(Math.max(...samples.value) - (samples.value[0] as number)).toBeGreaterThan(5);
  });

  it('gives no verdict of a probe whose step was skipped, and says who skipped it and why', async () => {
    bus = await CheckedBus.open(scenario(warmed));
    await begin('probes');
    bus.run(6);
    await act('probe-4', 'begin');
    bus.run(20);
    expect((await act<Refusal>('probe-1', 'skip')).body.error).toBe('REQUEST_WRONG');
    await act('probe-1', 'skip', { reason: 'no probe fitted yet' });
    const run = await finish();
    expect(run.result.verdicts.map(({ cylinder }) => cylinder)).toEqual([4]);
    expect(run.skipped).toBe(1);
    expect(run.result.notJudged).toContainEqual({
      what: 'Warm the probe of cylinder 1: skipped by Ida',
      line: 'nothing: no probe fitted yet',
    });
    expect(run.result.notJudged?.some(({ what }) => what === 'Warm the probe of cylinder 6: not done')).toBe(true);
  });
});

describe('the injector check', () => {
  it('waits until the rail is bled, takes what clicked, and writes the found plan', async () => {
    bus = await CheckedBus.open(scenario(['stage: prime, for: 5 s', 'stage: stop, for: 300 s']));
    await begin('injectors');
    bus.run(4);
    expect((await act<Refusal>('plenum-A', 'begin')).body).toMatchObject({ error: 'CHECK_STEP_BLOCKED' });
    await act('pump-off', 'done');
    await untilSeen(running, ({ result }) => (result?.seconds ?? 0) > 3);
    // Primed to 300 kPa: not bled, whatever anybody says.
    expect((await act<Refusal>('bled-port', 'done')).body.error).toBe('CHECK_STEP_WAITS');
    await act('bled-port', 'skip', { reason: 'bled by hand, gauge reads 0' });
    await act('bled-plenum', 'skip', { reason: 'bled by hand, gauge reads 0' });
    for (const n of [1, 2, 3, 4, 5, 6]) await act(`port-${n}`, 'done', { cylinders: n === 2 ? [3] : n === 3 ? [2] : [n] });
    expect((await act<Refusal>('plenum-A', 'done')).body.error).toBe('REQUEST_WRONG');
    await act('plenum-A', 'done', { cylinders: [5, 1, 3] });
    await act('plenum-B', 'done', { cylinders: [2, 4, 6] });
    const run = await finish();
    expect(badOf(run)).toEqual([
      ['injector-swapped', 2],
      ['injector-swapped', 3],
      ['group-wiring', 'A'],
      ['group-wiring', 'B'],
    ]);
    const path = `/api/checks/runs/${run.run}/correction`;
    // What was found is the plan `alternate` of the file: only the plan in force changes.
    expect((await bus.ask<CorrectionView>('POST', path, { by: 'Ida' })).body.changes).toEqual([
      { what: 'plan of plenum', from: 'as-built', to: 'alternate' },
    ]);
    await bus.reload();
    expect(bus.vehicle.injectorSets[1]?.plan).toBe('alternate');
  });

  it('writes groups that no plan has into the plan in force', async () => {
    bus = await CheckedBus.open(scenario(['stage: key_on, for: 300 s, pump: false']));
    await begin('injectors');
    await act('pump-off', 'done');
    bus.run(5);
    // A rail that reads zero is bled: the steps settle themselves.
    await untilSeen(
      async () => {
        bus.run(1);
        return running();
      },
      ({ steps }) => steps['bled-plenum']?.state === 'done',
    );
    expect((await running()).steps['bled-port']).toMatchObject({ state: 'done', by: 'the check itself' });
    await act('plenum-A', 'done', { cylinders: [1, 2, 6] });
    await act('plenum-B', 'done', { cylinders: [3, 4, 5] });
    const run = await finish();
    await bus.ask('POST', `/api/checks/runs/${run.run}/correction`, { by: 'Ida' });
    const text = readFileSync(join(bus.vehicleDir, 'vehicle.yaml'), 'utf8');
    expect(text).toContain('      as-built: { A: [1, 2, 6], B: [3, 4, 5] }\n');
    expect(text).toContain('# upstream of the blower');
  });
});

describe('the key-on check led step by step', () => {
  it('with the pump left disabled judges no prime, and gives the reason', async () => {
    bus = await CheckedBus.open(scenario(['stage: key_on, for: 300 s, pump: false']));
    await begin('key-on');
    await act('pump-off', 'done');
    bus.run(6);
    await act('zeros', 'done');
    await act('pump-on', 'skip', { reason: 'fuel is not in yet' });
    await act('prime', 'begin');
    bus.run(10);
    const run = await finish();
    expect(run.result.verdicts.filter(({ code }) => code === 'prime')).toEqual([]);
    expect(run.result.notJudged?.map(({ what }) => what)).toContain('the prime of port (enabling the pump was skipped)');
    expect(run.result.verdicts.filter(({ code }) => code === 'zero-offset').length).toBeGreaterThan(2);
  });

  it('with a pump that was confirmed and never ran names each set', async () => {
    bus = await CheckedBus.open(scenario(['stage: key_on, for: 300 s, pump: false']));
    await begin('key-on');
    bus.run(2);
    await act('pump-on', 'done');
    bus.run(10);
    const run = await finish();
    expect(badOf(run)).toEqual([
      ['prime', 'port'],
      ['prime', 'plenum'],
    ]);
  });

  it('holds the rail at reference pressure to what was typed, and tells leak-down without judging it', async () => {
    bus = await CheckedBus.open(
      scenario([
        'stage: key_on, for: 4 s, pump: false',
        'stage: prime, for: 10 s',
        'stage: stop, for: 30 s',
        'stage: prime, for: 60 s, reference: 100 kPa',
      ]),
    );
    await begin('key-on');
    bus.run(4);
    await act('pump-on', 'done');
    bus.run(10);
    await act('leak-down', 'begin');
    bus.run(30);
    await act('reference', 'done', { value: 100 });
    await act('prime-again', 'begin');
    bus.run(15);
    const { result } = await finish();
    const of = (code: string) => result.verdicts.filter((verdict) => verdict.code === code);
    expect(of('prime').map(({ ok }) => ok)).toEqual([true, true]);
    expect(of('leak-down').map(({ ok, set }) => [ok, set])).toEqual([
      [true, 'port'],
      [true, 'plenum'],
    ]);
    // 300 kPa of target and 100 kPa of air.
    expect(of('prime-at-reference')).toHaveLength(1);
    expect(of('prime-at-reference')[0]?.ok).toBe(true);
    expect(of('prime-at-reference')[0]?.measured).toBeGreaterThan(370);
    expect(result.notJudged?.find(({ what }) => what.includes('plenum at reference'))?.line).toContain('does not follow the manifold');
  });
});

describe('the first start led step by step', () => {
  const stages = [
    'stage: key_on, for: 4 s',
    'stage: oil_crank, for: 9 s',
    'stage: stop, for: 20 s',
    'stage: start, for: 8 s',
    'stage: idle, for: 30 s',
  ];

  it('is blocked until oil pressure came and was steady, and until nothing blocking is open', async () => {
    bus = await CheckedBus.open(scenario(stages));
    await begin('first-start');
    bus.run(2);
    await untilSeen(running, ({ result }) => result !== null);
    expect((await act<Refusal>('oil-before-fire', 'done')).body.error).toBe('CHECK_STEP_WAITS');
    expect((await act<Refusal>('arm', 'done')).body.error).toBe('CHECK_STEP_BLOCKED');
    bus.run(14);
    // Settled as soon as pressure is steady; the turn itself goes on, and is over once it is judged to the end.
    const isOver = ({ result }: CheckState) => result?.bouts?.[0]?.turning === false;
    const seen = await untilSeen(running, (state) => state.steps['oil-before-fire']?.state === 'done' && isOver(state));
    expect(seen.armed).toBe(false);
    expect(seen.result?.bouts?.[0]).toMatchObject({ dry: true, ran: false, tooLong: false, restS: null });
    expect(seen.result?.bouts?.[0]?.seconds).toBeGreaterThan(7);
    const refused = await act<Refusal>('arm', 'done');
    expect([refused.status, refused.body.error]).toEqual([409, 'CHECK_NOT_READY']);
    expect(refused.body.message).toContain('Engine oil');
    const { items } = (await bus.ask<PreparationView>('GET', '/api/preparation')).body;
    for (const { item, blocking, closesItself, covers } of items.filter(({ blocking: blocks }) => blocks)) {
      expect(blocking).toBe(true);
      const state = closesItself ? 'waived' : 'closed';
      await bus.ask('POST', '/api/log-book', {
        kind: 'item-settled',
        item,
        state,
        covers,
        reason: closesItself ? 'first evening' : '',
        by: 'Ida',
      });
    }
    expect((await act('arm', 'done')).body.armed).toBe(true);
    bus.run(30);
    const started = await untilSeen(running, ({ steps }) => steps.start?.state === 'done');
    expect(started.current).toBe('lit');
    bus.run(10);
    const run = await finish();
    expect(badOf(run)).toEqual([]);
    expect(run.result.verdicts.filter(({ code }) => code === 'cylinder-cold')).toHaveLength(6);
  });

  it('cranking longer than a starter should be held is told', async () => {
    bus = await CheckedBus.open(scenario(['stage: key_on, for: 2 s', 'stage: oil_crank, for: 14 s', 'stage: stop, for: 5 s']));
    await begin('first-start');
    bus.run(20);
    const { result } = await finish();
    // 10 s and 60 s unless the file says otherwise: common practice, no source.
    expect(result.bouts?.map(({ tooLong, restWantedS }) => [tooLong, restWantedS])).toEqual([[true, 60]]);
  });
});

describe('a check of the vehicle’s own', () => {
  it('judges readings and conditions, and a condition that never comes is wrong once its time is over', async () => {
    bus = await CheckedBus.open(scenario(['stage: key_on, for: 300 s, pump: false']));
    const { appendFileSync } = await import('node:fs');
    appendFileSync(
      join(bus.vehicleDir, 'vehicle.yaml'),
      `checks:\n  belts: { title: Belts, steps: [ { step: slack, title: Slack, reading: { unit: mm, min: 5, max: 12 } },\n    { step: quiet, title: It stands, watch: { until: engine_speed < 10, for: 1 s } },\n    { step: turns, title: It turns, watch: { until: engine_speed > 400, within: 4 s } } ] }\n`,
    );
    await bus.reload();
    await bus.kill();
    await bus.serve();
    expect((await begin('nobody')).status).toBe(404);
    await begin('belts');
    await act('slack', 'done', { value: 14 });
    await untilSeen(
      async () => {
        bus.run(1);
        return running();
      },
      ({ steps }) => steps.quiet?.state === 'done',
    );
    bus.run(6);
    const { result } = await finish();
    expect(result.verdicts.map(({ code, ok, step }) => [code, ok, step])).toEqual([
      ['reading', false, 'slack'],
      ['step-condition', true, 'quiet'],
      ['step-condition', false, 'turns'],
    ]);
    expect(result.verdicts[0]).toMatchObject({ measured: 14, limit: 12 });
  });
});

describe('a new start of the server', () => {
  it('goes on with the check: its steps, who began it, and the step in hand', async () => {
    bus = await CheckedBus.open(scenario(['stage: key_on, for: 300 s, pump: false']));
    await begin('key-on');
    bus.run(2);
    await act('pump-off', 'done');
    bus.run(6);
    await act('zeros', 'skip', { reason: 'sensors are unplugged' });
    const before = await running();
    await bus.kill();
    await bus.serve();
    const after = await running();
    expect(after).toMatchObject({ check: 'key-on', resumed: true, by: 'Ida', current: before.current, steps: before.steps });
    await finish();
    await bus.kill();
    await bus.serve();
    expect(await running()).toBeNull();
  });

  it('does not bring a dropped check back', async () => {
    bus = await CheckedBus.open(scenario(['stage: key_on, for: 300 s, pump: false']));
    await begin('key-on');
    await bus.ask('DELETE', '/api/checks/running');
    await bus.kill();
    await bus.serve();
    expect(await running()).toBeNull();
  });
});
