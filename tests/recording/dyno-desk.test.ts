// Pulls and the study of stored sessions through the worker: what was driven is found, an unknown session is refused with its code.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { listChannels } from '../../server/channels/channel-list.ts';
import { collectSeries } from '../../server/collect-series.ts';
import { compareQuery, pullsView, setComparisonView, studyView, trialView } from '../../server/contract/pulls.ts';
import { type FigureView, figureView } from '../../server/contract/why.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { Attachments } from '../../server/recording/attachments.ts';
import { DynoDesk } from '../../server/recording/dyno-desk.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { LogBook } from '../../server/recording/log-book.ts';
import { runScenario } from '../doubles/simulated-run.ts';

const data = mkdtempSync(join(tmpdir(), 'evenburn-dyno-'));
const desk = new DynoDesk(data);
const evening = `scenario: evening
seed: 5
start: hot
stages:
  - { stage: key_on, for: 3 s }
  - { stage: start, for: 6 s }
  - { stage: hold, for: 10 s, speed: 4000 rpm, load: 60 % }
  - { stage: cool_down, for: 8 s, speed: 1800 rpm }
  - { stage: pull, from: 3000 rpm, to: 6600 rpm, rate: 400 rpm/s }
  - { stage: cool_down, for: 8 s, speed: 1800 rpm }
`;

const book = new LogBook(data);

beforeAll(async () => {
  const vehicle = await getVehicle('bus-definitions/garganey');
  for (const origin of ['evening.log', 'again.log'])
    await importFrames(data, vehicle, { frames: [runScenario(evening, vehicle).batch], origin, remarks: () => [] }, 0);
});
afterAll(async () => {
  await desk.close();
  rmSync(data, { recursive: true, force: true });
});

describe('pulls of a stored session', () => {
  it('are found with the peak of every probe and the spread by engine speed, in the form of the contract', async () => {
    const view = pullsView.parse(await desk.pulls(1));
    expect(view.pulls.map(({ kind, complete }) => [kind, complete])).toEqual([
      ['hold', true],
      ['sweep', true],
    ]);
    const sweep = view.pulls[1];
    expect(sweep?.peaks.map(({ cylinder }) => cylinder)).toEqual([1, 2, 3, 4, 5, 6]);
    for (const { peakC, at } of sweep?.peaks ?? []) {
      expect(peakC).toBeGreaterThan(300);
      expect(at).toBeGreaterThanOrEqual(sweep?.from ?? 0);
    }
    expect(sweep?.bands.length).toBeGreaterThan(10);
    expect(sweep?.bands.every(({ spreadK }) => (spreadK ?? -1) >= 0)).toBe(true);
  });

  it('are studied by their holds', async () => {
    const study = studyView.parse(await desk.study([1]));
    expect(study.holds.map(({ session }) => session)).toEqual([1]);
    expect(study.cylinders).toHaveLength(6);
  });

  it('of a session that is not there are refused', async () => {
    await expect(desk.pulls(99)).rejects.toMatchObject({ code: 'SESSION_UNKNOWN' });
    await expect(desk.study([1, 99])).rejects.toMatchObject({ code: 'SESSION_UNKNOWN' });
  });
});

describe('what is said of a pull', () => {
  it('stands with it: margins, gas estimates, fuel demand, start, and the pull before it', async () => {
    const { pulls, fallOff, limits } = await desk.pulls(1);
    const sweep = pulls[1];
    expect(limits).toEqual({ exhaustTempC: 780, exhaustSpreadK: 80, dutyPercent: 85 });
    expect(sweep?.margins.exhaustK).toBe(Math.min(...(sweep?.peaks ?? []).map(({ marginK }) => marginK ?? 0)));
    expect(sweep?.gas).toHaveLength(6);
    for (const { cylinder, lowC, highC } of sweep?.gas ?? []) {
      expect(highC).toBeGreaterThanOrEqual(lowC);
      expect(highC).toBeGreaterThanOrEqual(sweep?.peaks.find((peak) => peak.cylinder === cylinder)?.peakC ?? 0);
    }
    expect(sweep?.demand.map(({ set }) => set)).toEqual(['port', 'plenum']);
    expect(sweep?.start.oil).toBeGreaterThan(40);
    // There is one sweep: a hold is nothing to compare it with.
    expect(sweep?.beside).toBeNull();
    expect(fallOff.map(({ causes }) => causes)).toEqual([['none'], ['none']]);
  });

  it('follows what people write down: names, ends, and pulls that are none', async () => {
    const before = await desk.pulls(2);
    const [hold, sweep] = before.pulls;
    const middle = (pull = hold) => Math.round(before.startUs + (((pull?.from ?? 0) + (pull?.to ?? 0)) / 2) * 1e6);
    const given = { by: 'R', note: '', session: 2, kind: 'pull' as const };
    await book.add({ ...given, atUs: middle(), isNone: true }, 'Garganey', 1, null);
    await book.add({ ...given, atUs: middle(sweep), name: 'baseline' }, 'Garganey', 2, null);
    const after = await desk.pulls(2);
    expect(after.pulls.map(({ number, name, kind }) => [number, name, kind])).toEqual([[1, 'baseline', 'sweep']]);
    // Without the hold the sweep stands in.
    expect(studyView.parse(await desk.study([2])).holds.map(({ kind }) => kind)).toEqual(['sweep']);
    await book.add({ ...given, atUs: middle(), isNone: false }, 'Garganey', 3, null);
    expect((await desk.pulls(2)).pulls).toHaveLength(2);
  });

  it('has torque from a log that is laid on it by engine speed, corrected by the air that was typed', async () => {
    const { pulls } = await desk.pulls(1);
    const sweep = pulls[1];
    const rows = Array.from({ length: 81 }, (_, i) => {
      const share = i / 80;
      const rpm = (sweep?.speedFrom ?? 0) + share * ((sweep?.speedTo ?? 0) - (sweep?.speedFrom ?? 0));
      return `${(share * ((sweep?.to ?? 0) - (sweep?.from ?? 0))).toFixed(2)},${rpm.toFixed(0)},250`;
    });
    const file = await new Attachments(data).add(Buffer.from(`Time (s),Engine speed (rpm),Torque (Nm)\n${rows.join('\n')}\n`));
    await book.add({ by: 'R', note: '', kind: 'torque-log', session: 1, file, name: 'run-1.csv' }, 'Garganey', 4, null);
    await book.add(
      { by: 'R', note: '', kind: 'dyno', session: 1, dyno: 'brake', stationKpa: 97, roomC: 30, humidityPercent: 0 },
      'Garganey',
      5,
      null,
    );
    const view = await desk.pulls(1);
    expect(view.logs).toMatchObject([{ name: 'run-1.csv', rows: 81, problems: [] }]);
    expect(Math.abs((view.logs[0]?.offsetS ?? 0) - (sweep?.from ?? 0))).toBeLessThan(0.3);
    const { power } = view.pulls[1] ?? {};
    expect(power).toMatchObject({ source: 'run-1.csv', peakTorque: { torqueNm: 250 } });
    expect(power?.correction?.factor).toBeCloseTo(1.0344, 3);
    expect(view.dyno).toMatchObject({ dyno: 'brake', stationKpa: 97 });
    // The kind of dyno holds for later sessions, the air of that hour doesn't.
    expect((await desk.pulls(2)).dyno).toMatchObject({ dyno: 'brake', stationKpa: null });
  });
});

/** `['spread', 4125]` of pull 2 of session 1 is `pulls/1/2/spread/4125`. */
const addressOf = (...parts: (string | number)[]) => parts.map((part) => encodeURIComponent(part)).join('/');

/** A figure, and all that it was computed from, each once; every channel behind them, where it is told of. */
async function followed(of: string, seen = new Map<string, FigureView>()): Promise<Map<string, FigureView>> {
  if (seen.has(of)) return seen;
  const figure = figureView.parse(await desk.figure(of));
  seen.set(of, figure);
  for (const { figure: below } of figure.figures) await followed(below, seen);
  return seen;
}

describe('why a figure is what it is', () => {
  it('is told of every figure of a pull: the same number, worked, and down to channels within its session', async () => {
    const { pulls, startUs, seconds } = await desk.pulls(1);
    const expected = new Map<string, number | null>();
    for (const { number, peaks, bands, cylinders, gas, sets, demand, margins, start, from, to } of pulls) {
      const add = (value: number | null, ...key: (string | number)[]) => expected.set(addressOf('pulls', 1, number, ...key), value);
      for (const { cylinder, peakC, marginK } of peaks) add(peakC, 'peak', cylinder) && add(marginK, 'left', cylinder);
      for (const { cylinder, lowC, highC } of gas) add(lowC, 'gas-low', cylinder) && add(highC, 'gas-high', cylinder);
      for (const { speed, spreadK, rmsK, temps, duty, deltaKpa, timing } of bands) {
        add(spreadK, 'spread', speed) && add(rmsK, 'rms', speed) && add(timing, 'timing', speed);
        for (const [i, temp] of temps.entries()) add(temp, 'temp', speed, cylinders[i] as number);
        for (const [i, { set }] of sets.entries())
          add(duty[i] ?? null, 'duty-mean', speed, set) && add(deltaKpa[i] ?? null, 'delta-mean', speed, set);
      }
      for (const { set, dutyMax, deltaMin, deltaMax } of sets)
        add(dutyMax, 'duty', set) && add(deltaMin, 'delta-low', set) && add(deltaMax, 'delta-high', set);
      for (const { set, demandCcPerMin, ofInjectorsPercent } of demand)
        add(demandCcPerMin, 'asked', set) && add(ofInjectorsPercent, 'of-injectors', set);
      for (const item of ['oil', 'coolant', 'exhaust'] as const) add(start[item], 'start', item);
      add(margins.exhaustK, 'left-exhaust') && add(margins.spreadK, 'left-spread') && add(margins.dutyPercent, 'left-duty');
      add(Number((to - from).toFixed(2)), 'seconds');
    }
    expect(expected.size).toBeGreaterThan(200);
    const seen = new Map<string, FigureView>();
    for (const of of expected.keys()) await followed(of, seen);
    for (const [of, value] of expected) expect([of, seen.get(of)?.value]).toEqual([of, value]);
    for (const [of, { channels, figures, worked, rule, source, stretches }] of seen) {
      expect([of, channels.length + figures.length > 0, worked.length > 0, rule !== '', source !== '']).toEqual([
        of,
        true,
        true,
        true,
        true,
      ]);
      for (const { session, fromUs, toUs } of stretches) expect([of, session, fromUs <= toUs]).toEqual([of, 1, true]);
      for (const { atUs } of channels) expect(atUs >= startUs && atUs <= startUs + seconds * 1e6).toBe(true);
    }
  });

  it('is told of comparisons and of the study, down to the same channels', async () => {
    const { all, cells } = await desk.compare(compareQuery.parse({ before: '1:1', after: '2:1', quantity: 'temp:3' }));
    const compared = await followed(addressOf('compare', '1:1', '2:1', 'temp:3', 'all'));
    expect([...compared.values()][0]?.value).toBeCloseTo(all?.difference ?? Number.NaN, 1);
    expect([...compared.keys()]).toEqual([
      addressOf('compare', '1:1', '2:1', 'temp:3', 'all'),
      ...cells.flatMap(({ speed }, i) => [
        addressOf('compare', '1:1', '2:1', 'temp:3', i),
        addressOf('pulls', 1, 1, 'temp', speed, 3),
        addressOf('pulls', 2, 1, 'temp', speed, 3),
      ]),
    ]);
    const study = await desk.study([1]);
    const cylinder = await followed(addressOf('study', '1', 'cylinder', 3));
    expect([...cylinder.values()][0]?.value).toBe(study.cylinders[2]?.kelvin);
    expect([...cylinder.values()].at(-1)?.channels).toMatchObject([{ session: 1, channel: 'exhaust_temp_3' }]);
    for (const { kind, subject, kelvin } of study.effects) {
      const [effect] = (await followed(addressOf('study', '1', 'effect', kind, subject))).values();
      expect([kind, subject, effect?.value]).toEqual([kind, subject, kelvin]);
    }
    for (const [i, { predictedSpread, teaches }] of study.trials.slice(0, 3).entries()) {
      expect((await desk.figure(addressOf('study', '1', 'predicted', i))).value).toBe(predictedSpread);
      expect((await desk.figure(addressOf('study', '1', 'teaches', i))).value).toBeCloseTo(100 * teaches, 1);
    }
    // What was written down with a trial is what the same sessions say, or it says that they say something else now.
    const { change, predictedSpread = 0 } = study.trials[1] ?? {};
    const kept = await desk.figure(addressOf('study', '1', 'kept', predictedSpread, change ?? ''));
    expect([kept.value, kept.doubts.join().includes('now')]).toEqual([predictedSpread, false]);
    const other = await desk.figure(addressOf('study', '1', 'kept', predictedSpread + 5, change ?? ''));
    expect([other.value, other.doubts[0]]).toEqual([
      predictedSpread + 5,
      expect.stringMatching(`^the same sessions say ${predictedSpread.toFixed(1)} K now`),
    ]);
    for (const [set, phases] of Object.entries(study.phases))
      for (const [cylinder, degrees] of Object.entries(phases))
        expect((await desk.figure(addressOf('study', '1', 'phase-now', set, cylinder))).value).toBe(degrees);
  });

  it.each([
    '',
    'pulls',
    'pulls/1',
    'pulls/1/2/spread/1',
    'pulls/1/2/toString',
    'compare/1:1/x/spread/all',
    'study/1/effect/a/b',
    'study/1/kept/20/no%20such%20trial',
    'study/1/phase/0/99',
    'study/1/phase-now/nothing/1',
    'over/5/widest',
    '%',
    'a/b/c',
  ])('of nothing that is called %s is refused with its code', async (of) => {
    await expect(desk.figure(of)).rejects.toMatchObject({ code: expect.stringMatching(/FIGURE_UNKNOWN|PULL_UNKNOWN|SESSION_UNKNOWN/) });
  });
});

describe('why a figure of what has just been driven is what it is', () => {
  it('is told by the beginning of the pull, in the session that is recorded, and beside the one before', async () => {
    const vehicle = await getVehicle('bus-definitions/garganey');
    const series = await collectSeries([runScenario(evening, vehicle).batch], vehicle);
    const named = listChannels(vehicle).flatMap(({ name }) => series.get(name) ?? []);
    // The same evening twice, an hour apart, as a live session would have it.
    const drive = async (shiftUs: number) => {
      const moved = named.map((one) => ({ ...one, timeUs: one.timeUs.map((us) => us - series.startUs + shiftUs) }));
      const length = series.endUs - series.startUs;
      const pulls = await desk.window({ vehicle, session: 2, startUs: shiftUs, endUs: shiftUs + length, series: moved });
      const sweep = pulls.find(({ kind }) => kind === 'sweep');
      if (!sweep) throw new Error('no sweep');
      return { sweep, fromUs: Math.round(shiftUs + sweep.from * 1e6) };
    };
    const [first, second] = [await drive(0), await drive(3600e6)];
    const peak = await desk.figure(addressOf('over', second.fromUs, 'peak', 3));
    expect(peak.value).toBe(second.sweep.peaks[2]?.peakC);
    expect(peak.channels).toMatchObject([{ session: 2, channel: 'exhaust_temp_3' }]);
    expect(peak.channels[0]?.atUs).toBeGreaterThan(second.fromUs);
    const beside = await desk.figure(addressOf('over', second.fromUs, 'beside', 3));
    expect(beside).toMatchObject({ value: 0, title: 'Peak of cylinder 3 beside the one before' });
    for (const { figure, value } of beside.figures) expect((await desk.figure(figure)).value).toBe(value);
    expect(beside.figures.map(({ figure }) => figure)).toContain(addressOf('over', first.fromUs, 'peak', 3));
    await expect(desk.figure(addressOf('over', 12_000_000_000, 'peak', 3))).rejects.toMatchObject({ code: 'FIGURE_UNKNOWN' });
  });
});

describe('two sets of pulls', () => {
  it('are compared in any quantity, by session and number', async () => {
    const query = compareQuery.parse({ before: '1:1', after: '2:1' });
    const comparison = setComparisonView.parse(await desk.compare(query));
    expect(comparison).toMatchObject({ quantity: 'spread', unit: 'K', order: 'A-B' });
    // The same frames twice: no difference, and one of each gives no interval.
    expect(comparison.all).toMatchObject({ low: null, verdict: 'not enough pulls to tell' });
    expect(comparison.all?.difference).toBeCloseTo(0, 9);
  });

  it('are refused when one is not there, or nothing is measured by that name', async () => {
    await expect(desk.compare({ before: '1:9', after: '2:1', quantity: 'spread' })).rejects.toMatchObject({ code: 'PULL_UNKNOWN' });
    await expect(desk.compare({ before: '1:1', after: '2:1', quantity: 'boost' })).rejects.toMatchObject({ code: 'QUANTITY_UNKNOWN' });
  });
});

describe('trials', () => {
  it('that were written down are judged by what was driven before and behind them', async () => {
    await book.add({ by: 'R', note: '', kind: 'trial', trial: 'other', change: 'nothing at all', since: 2 }, 'Garganey', 6, null);
    const trials = (await desk.trials('Garganey')).map((trial) => trialView.parse(trial));
    expect(trials).toMatchObject([{ change: 'nothing at all', verdict: 'not enough pulls to tell', before: ['1:1'], after: ['2:1'] }]);
    expect(await desk.trials('Another')).toEqual([]);
  });

  it('of a plan warn when the session that was driven with it is read by another', async () => {
    const given = { by: 'R', note: '', kind: 'trial' as const, trial: 'regroup' as const, since: 2 };
    await book.add({ ...given, change: 'A 1, 3, 5', plan: { A: [1, 3, 5], B: [2, 4, 6] } }, 'Garganey', 7, null);
    expect((await desk.trials('Garganey')).at(-1)?.advice.join()).toContain('the vehicle file of session 2 says another plan');
    await book.add({ ...given, change: 'as built', plan: { B: [6, 5, 4], A: [1, 2, 3] } }, 'Garganey', 8, null);
    expect((await desk.trials('Garganey')).at(-1)?.advice.join()).not.toContain('another plan');
  });
});
