// The distribution study on holds made by hand: what can be separated is found within its interval, what can't is said so.
import { Matrix } from 'ml-matrix';
import { describe, expect, it } from 'vitest';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { type FittedModel, mixModels } from '../../server/dyno/effects.ts';
import { deviations, type Hold } from '../../server/dyno/holds.ts';
import { injectionPhases } from '../../server/dyno/phases.ts';
import { studyDistribution, studyHolds } from '../../server/dyno/study.ts';
import { explainStudyFigure } from '../../server/dyno/study-figures.ts';
import { countPlugLayouts, countRegroupings, listRegroupings } from '../../server/dyno/trials.ts';
import { randomFrom } from '../doubles/scripted-bus.ts';

interface Arranged {
  plan?: 'first' | 'second';
  probes?: string[];
  injectors?: string[];
  angles?: boolean;
}

const names = (letter: string) => [1, 2, 3, 4, 5, 6].map((n) => `${letter}-${n}`);

function vehicle({ plan = 'first', probes = names('T'), injectors = names('P'), angles = true }: Arranged = {}): Vehicle {
  const temps = probes.map((probe, i) => `    ${i + 1}: { channel: egt_${i + 1}, place: port, probe: ${probe} }`).join('\n');
  const signals = [1, 2, 3].map((i) => `      - { name: egt_${i}, bytes: ${2 * i - 2}..${2 * i - 1}, unit: degC }`).join('\n');
  const more = [4, 5, 6].map((i) => `      - { name: egt_${i}, bytes: ${2 * i - 8}..${2 * i - 7}, unit: degC }`).join('\n');
  const parsed = parseVehicle([
    {
      path: 'vehicle.yaml',
      text: `vehicle: Study
buses:
  main: { bit_rate: 500 kbit/s, devices: [box] }
engine:
  cylinders: 6
  banks: { main: [1, 2, 3, 4, 5, 6] }
  firing_order: [1, 5, 3, 6, 2, 4]
  exhaust_temps:
${temps}
injector_sets:
  port: { injections_per_cycle: 1, cylinders: [1, 2, 3, 4, 5, 6], injectors: { ${injectors.map((name, i) => `${i + 1}: ${name}`).join(', ')} } }
  plenum:
    injections_per_cycle: 1
    plans: { first: { A: [1, 2, 3], B: [4, 5, 6] }, second: { A: [1, 4, 5], B: [2, 3, 6] } }
    plan: ${plan}
    ${angles ? 'group_angles: { zero: start of injection after compression top of cylinder 1, A: 60 deg, B: 240 deg }' : ''}
`,
    },
    {
      path: 'devices/box.yaml',
      text: `device: box\nframes:\n  - name: one\n    id: 1\n    length: 8\n    signals:\n${signals}\n  - name: two\n    id: 2\n    length: 8\n    signals:\n${more}\n`,
    },
  ]);
  if (!parsed.vehicle) throw new Error(JSON.stringify(parsed.problems));
  return parsed.vehicle;
}

/** Truth in kelvin; what is not named is 0. */
interface Truth {
  group?: Record<string, number>;
  probe?: Record<string, number>;
  injector?: Record<string, number>;
  cylinder?: Record<number, number>;
}

function hold(session: number, of: Vehicle, truth: Truth, noise: () => number, off: string[] = []): Hold {
  const plenum = of.injectorSets.find(({ name }) => name === 'plenum');
  const port = of.injectorSets.find(({ name }) => name === 'port');
  const plan = plenum?.plans.find(({ name }) => name === plenum.plan);
  const temps = new Map(
    [1, 2, 3, 4, 5, 6].map((cylinder) => {
      const group = plan?.groups.find(({ cylinders }) => cylinders.includes(cylinder))?.name ?? '';
      const probe = of.engine?.exhaustTemps.find((candidate) => candidate.cylinder === cylinder)?.probe ?? '';
      const injector = port?.injectors.get(cylinder) ?? '';
      const own = truth.cylinder?.[cylinder] ?? 0;
      const byGroup = off.includes('plenum') ? 0 : (truth.group?.[group] ?? 0);
      return [cylinder, 600 + own + byGroup + (truth.probe?.[probe] ?? 0) + (truth.injector?.[injector] ?? 0) + 2 * noise()];
    }),
  );
  return { session, vehicle: of, from: 0, to: 8, speedRpm: 4000, load: 100, temps, off: new Set(off), share: new Map() };
}

/** Near enough a normal deviate: twelve uniforms less six. */
function normalFrom(seed: number): () => number {
  const random = randomFrom(seed);
  return () => Array.from({ length: 12 }, random).reduce((sum, value) => sum + value, -6);
}

const find = (holds: Hold[], kind: string, subject: string) =>
  studyDistribution(holds).effects.find((effect) => effect.kind === kind && effect.subject === subject);

describe('distribution study', () => {
  it('says that one arrangement separates nothing', () => {
    const noise = normalFrom(1);
    const one = vehicle();
    const study = studyDistribution([1, 2, 3].map(() => hold(1, one, { group: { A: 20, B: -20 } }, noise)));
    expect(study.effects.filter(({ separable }) => separable)).toEqual([]);
    expect(study.effects.every(({ kelvin }) => kelvin === null)).toBe(true);
    expect(study.trials[0]?.kind).toBe('set-off');
  });

  it('finds a group effect once the groups were changed, within its interval', () => {
    let covered = 0;
    for (let seed = 1; seed <= 20; seed++) {
      const noise = normalFrom(seed);
      const truth = { group: { A: 15, B: -15 } };
      const holds = ['first', 'second', 'first'].flatMap((plan, i) =>
        [1, 2, 3].map(() => hold(i + 1, vehicle({ plan: plan as 'first' }), truth, noise)),
      );
      const effect = find(holds, 'group', 'A of plenum');
      expect(effect?.separable).toBe(true);
      if (effect && (effect.low as number) <= 15 && (effect.high as number) >= 15) covered++;
    }
    expect(covered).toBeGreaterThanOrEqual(15);
  });

  it('finds the group by setting its set off against on', () => {
    const noise = normalFrom(3);
    const one = vehicle();
    const truth = { group: { A: 15, B: -15 } };
    const holds = [1, 2, 3].flatMap(() => [hold(1, one, truth, noise), hold(2, one, truth, noise, ['plenum'])]);
    const effect = find(holds, 'group', 'A of plenum');
    expect(effect?.separable).toBe(true);
    expect(effect?.kelvin).toBeGreaterThan(6);
  });

  it('calls a set that makes no difference no effect', () => {
    const noise = normalFrom(4);
    const holds = ['first', 'second'].flatMap((plan, i) => [1, 2, 3].map(() => hold(i + 1, vehicle({ plan: plan as 'first' }), {}, noise)));
    const effect = find(holds, 'group', 'A of plenum');
    expect(effect?.separable).toBe(true);
    expect(effect?.low).toBeLessThan(0);
    expect(effect?.high).toBeGreaterThan(0);
  });

  it.each([
    ['probe', { probe: { 'T-2': 40 } }, { probes: ['T-1', 'T-5', 'T-3', 'T-4', 'T-2', 'T-6'] }, 'T-2'],
    ['injector', { injector: { 'P-2': 40 } }, { injectors: ['P-1', 'P-5', 'P-3', 'P-4', 'P-2', 'P-6'] }, 'P-2 of port'],
  ] as [string, Truth, Arranged, string][])('sees the heat follow an exchanged %s', (kind, truth, swapped, subject) => {
    const noise = normalFrom(5);
    const holds = [vehicle(), vehicle(swapped)].flatMap((of, i) => [1, 2, 3].map(() => hold(i + 1, of, truth, noise)));
    const effect = find(holds, kind, subject);
    expect(effect?.separable).toBe(true);
    expect(effect?.low).toBeLessThanOrEqual(40);
    expect(effect?.high).toBeGreaterThanOrEqual(33);
    expect(effect?.kelvin).toBeGreaterThan(10);
  });

  it('does not say more surely than it can how a deviation splits between two injectors that were exchanged', () => {
    // 37 K went with the exchange: as 37 and 0, or as 29 and −8 with ports that differ by as much, both tell the holds equally well.
    const truth = { injector: { 'P-2': 29, 'P-5': -8 }, cylinder: { 2: -3, 5: -7 } };
    const swapped = vehicle({ injectors: ['P-1', 'P-5', 'P-3', 'P-4', 'P-2', 'P-6'] });
    let covered = 0;
    for (let seed = 1; seed <= 10; seed++) {
      const noise = normalFrom(seed);
      const holds = [vehicle(), swapped].flatMap((of, i) => [1, 2, 3, 4].map(() => hold(i + 1, of, truth, noise)));
      const { effects } = studyDistribution(holds);
      const size = (subject: string) => effects.find((effect) => effect.kind === 'injector' && effect.subject === subject);
      const [two, five] = [size('P-2 of port'), size('P-5 of port')];
      // The difference is known, its parts are not. The mean of the six is 3.5.
      expect(Math.abs((two?.kelvin ?? 0) - (five?.kelvin ?? 0) - 37)).toBeLessThan(4);
      if ((two?.low ?? 99) <= 25.5 && (two?.high ?? -99) >= 25.5) covered++;
    }
    expect(covered).toBeGreaterThanOrEqual(8);
  });

  it('does not let one bad part make all the others of its kind look off the other way', () => {
    // Probe 2 reads 58 K high and all else nothing. Counted from the mean of the six probes it would be 48, and each other one −10.
    const swapped = vehicle({ probes: ['T-1', 'T-5', 'T-3', 'T-4', 'T-2', 'T-6'] });
    const noise = normalFrom(21);
    const holds = [vehicle(), swapped, vehicle()].flatMap((of, i) => [1, 2].map(() => hold(i + 1, of, { probe: { 'T-2': 58 } }, noise)));
    const { effects } = studyDistribution(holds);
    const [bad, other] = ['T-2', 'T-5'].map((subject) => effects.find((effect) => effect.kind === 'probe' && effect.subject === subject));
    expect(bad?.low).toBeLessThanOrEqual(58);
    expect(bad?.high).toBeGreaterThanOrEqual(57);
    expect(other?.low).toBeLessThanOrEqual(0);
    expect(other?.high).toBeGreaterThanOrEqual(0);
  });

  it('takes no lag of a probe for its error where sweeps stand in and the probe was exchanged', () => {
    // T-2 reads 20 K high in all sweeps from its lag alone, known to 25 K: it follows the probe, and may be all there is.
    const swapped = vehicle({ probes: ['T-1', 'T-5', 'T-3', 'T-4', 'T-2', 'T-6'] });
    const noise = normalFrom(31);
    const sweeps = [vehicle(), swapped].flatMap((of, i) =>
      [1, 2, 3].map(() => ({
        ...hold(i + 1, of, { probe: { 'T-2': 20 } }, noise),
        isSweep: true,
        settling: new Map([1, 2, 3, 4, 5, 6].map((cylinder) => [cylinder, { slopeKPerS: 50, addedK: 45, openK: 25 }])),
      })),
    );
    const effect = find(sweeps, 'probe', 'T-2');
    expect(effect?.separable).toBe(true);
    expect(effect?.low).toBeLessThanOrEqual(0);
    expect(effect?.high).toBeGreaterThanOrEqual(15);
  });

  it('gives the same study of the same holds, to the last digit', () => {
    const holds = [vehicle(), vehicle({ plan: 'second' })].map((of, i) => hold(i + 1, of, { probe: { 'T-2': 30 } }, normalFrom(i + 1)));
    expect(studyDistribution(holds)).toEqual(studyDistribution(holds));
  });

  it('names the cylinder that differs, never by the plain mean, and never proposes to lean a cold one', () => {
    const noise = normalFrom(6);
    const study = studyDistribution([1, 2, 3].map(() => hold(1, vehicle(), { cylinder: { 3: -200 } }, noise)));
    expect(study.cylinders.filter(({ differs }) => differs).map(({ cylinder }) => cylinder)).toEqual([3]);
    const cold = study.cylinders[2];
    expect(cold?.candidates).toContain('misfire');
    expect(cold?.test).toMatch(/do not lean it/);
    const words = study.trials.map(({ change }) => change).join('\n');
    expect(words).not.toMatch(/less fuel|take fuel|lean cylinder|lean it/i);
  });

  it('says of a cold group what to look at, with the whole difference beside the other group, and never to lean', () => {
    const noise = normalFrom(41);
    const holds = ['first', 'second', 'first'].flatMap((plan, i) =>
      [1, 2, 3].map(() => hold(i + 1, vehicle({ plan: plan as 'first' }), { group: { A: 20, B: -20 } }, noise)),
    );
    const cold = studyDistribution(holds).cylinders.find(({ cylinder }) => cylinder === 5);
    // 40 K between the two groups.
    expect(Number(/^group B of plenum \((−|-)(\d+) K beside A of plenum\)$/.exec(cold?.candidates[0] ?? '')?.[2])).toBeGreaterThan(35);
    expect(cold?.test).toMatch(/^these sessions say group B of plenum: look at the group's plug/);
    expect(cold?.test).toMatch(/do not lean it/);
  });

  it('follows two injectors that had no names and were exchanged, once they are told by their first places', () => {
    const noise = normalFrom(42);
    const first = ['at 1', 'at 2', 'at 3', 'at 4', 'at 5', 'at 6'];
    const swapped = vehicle({ injectors: ['at 1', 'at 5', 'at 3', 'at 4', 'at 2', 'at 6'] });
    const truth = { injector: { 'at 2': 40 } };
    const named = vehicle({ injectors: first });
    const unnamed: Vehicle = { ...named, injectorSets: named.injectorSets.map((set) => ({ ...set, injectors: new Map() })) };
    const holds = [1, 2].map(() => ({ ...hold(1, named, truth, noise), vehicle: unnamed }));
    const effect = find([...holds, ...[1, 2].map(() => hold(2, swapped, truth, noise))], 'injector', 'at 2 of port');
    expect(effect?.separable).toBe(true);
    expect(effect?.high).toBeGreaterThanOrEqual(38);
    expect(effect?.low).toBeGreaterThan(15);
  });

  it('does not carry one cold cylinder into the others', () => {
    // Worked: 600, 600, 400. From the plain mean (533) the two look 67 K hot; from the median they are like each other.
    const found = deviations(
      new Map([
        [1, 600],
        [2, 600],
        [3, 400],
      ]),
    );
    expect(found.get(3)).toBe(-200);
    expect(found.get(1)).toBe(0);
  });

  it('is told of the cylinder that has the faulty probe now, not of the one that had it before the exchange', () => {
    const silent = () => 0;
    const before = vehicle();
    const behind = vehicle({ probes: ['T-1', 'T-5', 'T-3', 'T-4', 'T-2', 'T-6'] });
    const truth = { probe: { 'T-2': -40 } };
    const { cylinders } = studyDistribution([before, before, behind, behind].map((of, i) => hold(i < 2 ? 1 : 2, of, truth, silent)));
    expect(cylinders.filter(({ differs }) => differs).map(({ cylinder, kelvin }) => [cylinder, kelvin])).toEqual([[5, -40]]);
    expect(cylinders[4]?.candidates[0]).toMatch(/^probe T-2 /);
  });

  it('says of two probes that they differ, never which', () => {
    const of = vehicle();
    const two: Hold = {
      session: 1,
      vehicle: of,
      from: 0,
      to: 8,
      speedRpm: 4000,
      load: 100,
      temps: new Map([
        [1, 600],
        [2, 660],
      ]),
      off: new Set(),
      share: new Map(),
    };
    const study = studyDistribution([two]);
    expect(study.cylinders.some(({ differs }) => differs)).toBe(false);
    expect(study.cylinders[0]?.test).toMatch(/which one is off, two probes can not say/);
  });
});

describe('what can be separated', () => {
  const noise = () => 0;
  const separable = (holds: Hold[]) =>
    studyDistribution(holds)
      .effects.filter((effect) => effect.separable)
      .map(({ kind, subject }) => `${kind} ${subject}`)
      .sort();

  it('is a group by its set off against on, position with it, but no cylinder, probe or injector', () => {
    const one = vehicle();
    const share = new Map([
      ['port', 0.4],
      ['plenum', 0.6],
    ]);
    const on = { ...hold(1, one, {}, noise), share };
    const off = { ...hold(2, one, {}, noise, ['plenum']), share: new Map([['port', 1]]) };
    expect(separable([on, off])).toEqual(['group A of plenum', 'group B of plenum', 'position front']);
  });

  it('is no single injector by a set off alone where flows are not known: the others then give more, nobody knows how much', () => {
    const of = vehicle();
    const unknown = separable([hold(1, of, {}, noise), hold(2, of, {}, noise, ['plenum'])]);
    expect(unknown.filter((subject) => subject.startsWith('injector'))).toEqual([]);
    expect(unknown).toContain('group A of plenum');
  });

  it('is no group of one cylinder by a set off alone: it looks like that cylinder’s injector', () => {
    const of = vehicle();
    const plan = {
      name: 'first',
      groups: [1, 2, 3].map((n) => ({ name: 'ABC'[n - 1] as string, cylinders: [[1, 2, 3], [4, 5], [6]][n - 1] as number[] })),
    };
    const uneven: Vehicle = {
      ...of,
      injectorSets: of.injectorSets.map((set) => (set.name === 'plenum' ? { ...set, plans: [plan] } : set)),
    };
    const known = separable([hold(1, uneven, {}, noise), hold(2, uneven, {}, noise, ['plenum'])]);
    expect(known.filter((subject) => subject.startsWith('group'))).toEqual(['group A of plenum', 'group B of plenum']);
  });

  it('are the two probes that were exchanged, and no other', () => {
    const swapped = vehicle({ probes: ['T-1', 'T-5', 'T-3', 'T-4', 'T-2', 'T-6'] });
    expect(separable([hold(1, vehicle(), {}, noise), hold(2, swapped, {}, noise)])).toEqual(['probe T-2', 'probe T-5']);
  });

  it('is nothing when two things were changed at once for the same cylinders', () => {
    const both = vehicle({ probes: ['T-1', 'T-5', 'T-3', 'T-4', 'T-2', 'T-6'], injectors: ['P-1', 'P-5', 'P-3', 'P-4', 'P-2', 'P-6'] });
    expect(separable([hold(1, vehicle(), {}, noise), hold(2, both, {}, noise)])).toEqual([]);
  });

  it('is nothing when the change was driven at another load point', () => {
    const swapped = vehicle({ probes: ['T-1', 'T-5', 'T-3', 'T-4', 'T-2', 'T-6'] });
    expect(separable([hold(1, vehicle(), {}, noise), { ...hold(2, swapped, {}, noise), speedRpm: 6000, load: 180 }])).toEqual([]);
  });

  it('does not take one cold cylinder at the end for an effect of position', () => {
    const holds = ['first', 'second'].flatMap((plan, i) =>
      [1, 2].map(() => hold(i + 1, vehicle({ plan: plan as 'first' }), { cylinder: { 6: -60 } }, normalFrom(9))),
    );
    const position = studyDistribution(holds).effects.find(({ kind }) => kind === 'position');
    expect(position?.separable).toBe(true);
    expect(position?.low).toBeLessThanOrEqual(0);
    expect(position?.high).toBeGreaterThanOrEqual(0);
  });
});

describe('models that are each believed in part', () => {
  it('mix by the law of total variance, and keep draws of each by its share', () => {
    // One effect: 10 with variance 4, believed three to one against 20 with variance 8. Mean 12.5, variance 0.75 (4 + 6.25) + 0.25 (8 + 56.25) = 23.75.
    const model = (mean: number, variance: number): FittedModel => ({
      columns: [{ kind: 'cylinder', subject: '1' }],
      mean: Float64Array.of(mean),
      covariance: new Matrix([[variance]]),
      noiseK: mean / 10,
      draws: Array.from({ length: 1000 }, () => Float64Array.of(mean)),
      separable: [true],
      standing: new Map(),
    });
    const mixed = mixModels([model(10, 4), model(20, 8)], [3, 1]);
    expect([...mixed.mean]).toEqual([12.5]);
    expect(mixed.covariance.get(0, 0)).toBeCloseTo(23.75, 12);
    expect(mixed.noiseK).toBeCloseTo(1.25, 12);
    expect(mixed.draws.filter(([value]) => value === 10)).toHaveLength(750);
    expect(mixed.draws.filter(([value]) => value === 20)).toHaveLength(250);
  });
});

describe('trials', () => {
  it.each([
    [[3, 3], 20, 10],
    [[4, 4], 70, 35],
    [[2, 2, 2], 90, 15],
    [[3, 2, 1], 60, 60],
    [[6, 6], 924, 462],
  ])('counts the regroupings of %j by the multinomial coefficient', (sizes, labelled, layouts) => {
    expect(countRegroupings(sizes)).toBe(labelled);
    expect(countPlugLayouts(sizes)).toBe(layouts);
    expect(new Set([...listRegroupings(sizes)].map(String)).size).toBe(labelled);
  });

  it('lists every labelled regrouping where angles differ, and a swap of labels that moves no plug', () => {
    const noise = normalFrom(7);
    const study = studyDistribution([hold(1, vehicle(), {}, noise), hold(1, vehicle(), {}, noise)]);
    expect(study.trials.filter(({ kind }) => kind === 'regroup')).toHaveLength(18);
    expect(study.trials.filter(({ kind }) => kind === 'label-swap').map(({ moves }) => moves)).toEqual([0]);
  });

  it('lists plug layouts alone where no angles are given', () => {
    const noise = normalFrom(8);
    const of = vehicle({ angles: false });
    const study = studyDistribution([hold(1, of, {}, noise), hold(1, of, {}, noise)]);
    expect(study.trials.filter(({ kind }) => kind === 'regroup')).toHaveLength(9);
    expect(study.trials.filter(({ kind }) => kind === 'label-swap')).toEqual([]);
  });

  it('lists exchanges of parts where no cylinder differs too, of the one that comes nearest to it, and no more fuel for it', () => {
    const study = studyDistribution([1, 2].map(() => hold(1, vehicle(), { cylinder: { 4: 12 } }, () => 0)));
    expect(study.cylinders.some(({ differs }) => differs)).toBe(false);
    const swaps = study.trials.filter(({ kind }) => kind === 'probe-swap');
    expect(swaps.length).toBeGreaterThan(0);
    expect(swaps.every(({ change }) => change.startsWith('exchange the probes of cylinders 4 and '))).toBe(true);
    expect(study.trials.filter(({ kind }) => kind === 'enrich')).toEqual([]);
  });

  it('lists the exchange of two cylinders that both differ once', () => {
    // Three hot, three cold: all differ, and each could be exchanged with any other.
    const hot = { cylinder: { 1: 60, 2: 60, 3: 60 } };
    const { trials, cylinders } = studyDistribution([hold(1, vehicle(), hot, () => 0)]);
    expect(cylinders.every(({ differs }) => differs)).toBe(true);
    const pairs = trials.flatMap(({ kind, change }) => (kind === 'probe-swap' ? [change.match(/\d+/g)?.sort().join()] : []));
    expect(new Set(pairs).size).toBe(pairs.length);
    expect(pairs.length).toBeGreaterThan(2);
  });

  it('proposes nothing that a set off has already taught again first', () => {
    const one = vehicle();
    const off = [1, 2].map(() => hold(2, one, { probe: { 'T-2': 40 } }, normalFrom(11), ['plenum']));
    const study = studyDistribution([hold(1, one, { probe: { 'T-2': 40 } }, normalFrom(12)), ...off]);
    expect(study.trials[0]?.kind).not.toBe('set-off');
  });

  it('gives each regrouping its plan, its moves and its phases', () => {
    const noise = normalFrom(13);
    const { trials, regroupings } = studyDistribution([hold(1, vehicle(), {}, noise)]);
    expect(regroupings).toEqual({ plenum: { labelled: 20, layouts: 10 } });
    const swap = trials.find(({ kind }) => kind === 'label-swap');
    expect(swap?.plan).toEqual({ A: [4, 5, 6], B: [1, 2, 3] });
    // Every cylinder's injection moves by the 180° between the groups' angles: 1 from −300 to −120, 6 from 240 to 60.
    expect(swap?.phases).toMatchObject({ 1: -120, 6: 60 });
    const near = trials.find(({ kind, plan }) => kind === 'regroup' && plan?.A?.join() === '1,2,4');
    expect(near?.moves).toBe(2);
  });

  it('gives the phase from intake opening to injection as worked by hand from the firing order', () => {
    // 1-5-3-6-2-4 every 120°: compression tops at 0, 120, 240, 360, 480, 600; intake opens 360° later. Group A at 60°, B at 240°.
    // 1: 60 − 360 = −300. 5: 240 − 480 = −240. 3: 60 − 600 = −540 → 180. 6: 240 − 720 = −480 → 240. 2: 60 − 840 = −780 → −60. 4: 240 − 960 = −720 → 0.
    const of = vehicle();
    const plenum = of.injectorSets.find(({ name }) => name === 'plenum');
    expect(plenum && injectionPhases(of, plenum, plenum.plans[0]?.groups ?? [])).toEqual({
      1: -300,
      5: -240,
      3: 180,
      6: 240,
      2: -60,
      4: 0,
    });
  });
});

describe('why an injection comes when it does', () => {
  const studied = (holds: Hold[]) => ({ ...studyHolds(holds), sessions: [1], startUsOf: () => 0 });
  const one = studied([hold(1, vehicle(), {}, () => 0)]);

  it('is told by firing order and group angle, with the turns that bring it nearest', () => {
    // 3 is the third of 1-5-3-6-2-4: 2 × 120 + 360 = 600°; group A injects at 60°: 60 − 600 = −540, a cycle of 720 on: 180°.
    const figure = explainStudyFigure(one, ['phase-now', 'plenum', '3']);
    expect(figure).toMatchObject({ value: 180, unit: 'deg' });
    expect(figure?.worked).toEqual([
      'firing order 1-5-3-6-2-4, every 120.0°: cylinder 3 stands 2 places from the zero, its intake opens at 2 × 120.0 + 360 = 600.0°',
      'group A injects at 60.0° (start of injection after compression top of cylinder 1), every 720.0°',
      '60.0 − 600.0 = −540.0°, which is 180.0° by whole turns of 720.0°',
    ]);
  });

  it('of a regrouping is by the group that the cylinder would have', () => {
    const swap = one.study.trials.findIndex(({ kind }) => kind === 'label-swap');
    // With labels swapped 3 is in B, at 240°: 240 − 600 = −360, half a cycle either way.
    expect(Math.abs(explainStudyFigure(one, ['phase', String(swap), '3'])?.value ?? 0)).toBe(360);
    expect(explainStudyFigure(one, ['phase', String(swap), '6'])?.value).toBe(60);
    expect(explainStudyFigure(one, ['phase', '99999', '3'])).toBeUndefined();
  });
});
