// The figures of a distribution study explained: effects, deviations of cylinders, readings of holds, and what a trial is expected to do. Pure.
import { medianOf } from '../checks/watch.ts';
import type { InjectorGroup, InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import { type EffectEstimate, findEffectBehind, isEffect, uncertaintyOf } from './effects.ts';
import { arithmetic, commonPractice, type Figure, linkTo, rounded, said, saidStretch, toAddress } from './figure.ts';
import { deviations, type Hold } from './holds.ts';
import { phaseOf } from './phases.ts';
import type { StudyBehind } from './study.ts';

/** A study with the sessions that it is of, and where each recording begins. */
export interface StudiedSessions extends StudyBehind {
  sessions: readonly number[];
  /** Time of a session's first frame, microseconds. */
  startUsOf(session: number): number;
}

/**
 * One figure of a study.
 *
 * @param key `effect group "A of plenum"`; `cylinder 3`; `hold 0 3` (the reading of cylinder 3 in hold 0),
 *   `hold-spread 0`; `predicted 4` and `teaches 4` (of trial 4, from 0); `phase 4 3` and `phase-now plenum 3` (injection of cylinder 3 with trial 4,
 *   and as set plenum is plugged now); `kept 27.8 CHANGE` (the spread that was predicted when a trial was written down).
 */
export function explainStudyFigure(studied: StudiedSessions, key: readonly string[]): Figure | undefined {
  const [name, first = '', second = ''] = key;
  switch (name) {
    case 'effect':
      return effect(studied, first, second);
    case 'cylinder':
      return cylinderFigure(studied, Number(first));
    case 'hold':
      return holdReading(studied, Number(first), Number(second));
    case 'hold-spread':
      return holdSpread(studied, Number(first));
    case 'predicted':
      return predicted(studied, Number(first));
    case 'kept':
      return kept(studied, Number(first), second);
    case 'phase':
      return phaseFigure(...regrouped(studied, Number(first)), Number(second));
    case 'phase-now':
      return phaseFigure(...pluggedNow(studied, first), Number(second));
    case 'teaches':
      return teaches(studied, Number(first));
    default:
      return undefined;
  }
}

const addressOf = ({ sessions }: StudiedSessions, ...key: (string | number)[]) => toAddress('study', sessions.join(), ...key);

const modelSource =
  'Bayesian linear regression with variance components, drawn by a Gibbs sampler (Gelman et al., Bayesian Data Analysis); docs/dyno.md';

function effect(studied: StudiedSessions, kind: string, subject: string): Figure | undefined {
  const estimate = studied.study.effects.find((one) => one.kind === kind && one.subject === subject);
  const behind = studied.fit && findEffectBehind(studied.fit.model, kind, subject);
  if (!estimate || !behind || !studied.fit) return undefined;
  const { mates, middleK, kelvin, draws } = behind;
  const own = mates.find((mate) => mate.subject === subject)?.meanK ?? 0;
  const worked = [
    ...(mates.length > 1
      ? [
          `the model: ${mates.map((mate) => `${mate.subject} ${said(mate.meanK)}`).join(', ')} K; median ${said(middleK)} K`,
          `${said(own)} − ${said(middleK)} = ${said(kelvin)} K`,
        ]
      : [`the model: ${said(kelvin)} K`]),
    `90 % interval: of ${draws} draws of all effects 5 % lie below ${said(estimate.low)} K and 5 % above ${said(estimate.high)} K`,
  ];
  return {
    title: `Effect of ${kind} ${subject}`,
    value: estimate.kelvin,
    unit: 'K',
    isDifference: true,
    rule:
      mates.length > 1
        ? 'What the linear model of all holds gives this part, less the median of the parts of its kind (of two, half of their difference): temperatures within a hold tell nothing else.'
        : 'What the linear model of all holds gives it, half of front less rear along a bank.',
    source: modelSource,
    worked: estimate.separable ? worked : [],
    doubts: [
      `one reading of one cylinder in one hold repeats to ± ${said(studied.fit.model.noiseK)} K`,
      ...doubtsOf(estimate, behind.hangsOnOne),
    ],
    ...readings(studied, studied.holds),
  };
}

function doubtsOf({ separable, verdict }: EffectEstimate, hangsOnOne: boolean): string[] {
  if (!separable)
    return [
      'these sessions can not separate it from other parts: what was never exchanged or switched off moves together, so there is no number',
    ];
  const hangs = hangsOnOne ? ['it hangs on a single cylinder: its interval reaches to 0'] : [];
  if (verdict === 'no effect') return ['its whole interval makes less than 15 K between two parts: no effect', ...hangs];
  if (verdict === 'not enough holds to tell')
    return ['its interval holds 0 and reaches further than 15 K between two parts: not enough holds to tell', ...hangs];
  return hangs;
}

function cylinderFigure(studied: StudiedSessions, cylinder: number): Figure | undefined {
  const finding = studied.study.cylinders.find((one) => one.cylinder === cylinder);
  if (!finding || !studied.fit) return undefined;
  const { deviationsOf, leastK } = studied.fit;
  const rows = deviationsOf.flatMap((hold) => {
    const kelvin = deviations(hold.temps).get(cylinder);
    if (kelvin === undefined) return [];
    const own = hold.temps.get(cylinder) as number;
    return [{ kelvin, line: `${said(own)} − ${said(own - kelvin)} = ${said(kelvin)} K in ${holdWords(hold)}` }];
  });
  const middle = medianOf(rows.map(({ kelvin }) => kelvin));
  return {
    title: `Cylinder ${cylinder} from the others`,
    value: finding.kelvin,
    unit: 'K',
    isDifference: true,
    rule: "Its temperature less the median of the others' in each hold with every set on, as plugs, probes and injectors sit now; the median of the holds. Of three cylinders less the median of all.",
    source: commonPractice,
    worked: [...rows.map(({ line }) => line), ...(rows.length > 1 ? [`median of ${rows.length} holds: ${said(middle)} K`] : [])],
    doubts: [
      `from ${said(leastK)} K on it differs: 15 K, since class 2 of type K alone allows ± 6.8 K at 900 °C (IEC 60584-2), and more where the holds scatter`,
      ...(finding.kelvin === null ? ['no hold has a good reading of its probe'] : []),
    ],
    ...readings(studied, deviationsOf, cylinder),
  };
}

function holdReading(studied: StudiedSessions, place: number, cylinder: number): Figure | undefined {
  const hold = studied.holds[place];
  const temp = hold?.temps.get(cylinder);
  const channel = hold?.vehicle.engine?.exhaustTemps.find((probe) => probe.cylinder === cylinder)?.channel;
  if (!hold || temp === undefined || channel === undefined) return undefined;
  const { fromUs, toUs } = readStretch(studied, hold);
  const seconds = ((toUs - fromUs) / 1e6).toFixed(1);
  const still = hold.settling?.get(cylinder);
  return {
    title: `Cylinder ${cylinder} in ${holdWords(hold)}`,
    value: tenth(temp),
    unit: 'degC',
    isDifference: false,
    rule: hold.isSweep
      ? 'The median while the sweep passes 85 to 95 % of its highest speed, and what the probe still has to go by its lag: slope × lag (first-order probe).'
      : 'The median of the last three seconds of the hold, of a probe that drifts by less than 5 K/s, and what it still has to go by its lag: slope × lag (first-order probe).',
    source: commonPractice,
    worked:
      still && still.addedK !== 0
        ? [
            `median of ${seconds} s: ${said(temp - still.addedK)} degC, rising by ${said(still.slopeKPerS)} K/s`,
            `${said(temp - still.addedK)} + ${said(still.addedK)} = ${said(temp)} degC`,
          ]
        : [`median of ${seconds} s: ${said(temp)} degC`],
    doubts: [
      ...(still && still.openK >= 1 ? [`it may still be ${said(still.openK)} K from where it settles`] : []),
      'an indicated temperature: class 2 of type K alone allows ± 0.75 % of the reading (IEC 60584-1)',
    ],
    stretches: [{ session: hold.session, fromUs, toUs, what: readWords(studied, hold) }],
    channels: [{ session: hold.session, channel, atUs: (fromUs + toUs) / 2, what: `median ${said(temp)} degC` }],
    figures: [],
  };
}

function holdSpread(studied: StudiedSessions, place: number): Figure | undefined {
  const hold = studied.holds[place];
  if (!hold) return undefined;
  const sorted = [...hold.temps].sort(([, a], [, b]) => a - b);
  const [low, high] = [sorted[0], sorted.at(-1)];
  if (!low || !high) return undefined;
  return {
    title: `Spread in ${holdWords(hold)}`,
    value: tenth(high[1] - low[1]),
    unit: 'K',
    isDifference: true,
    rule: 'The highest less the lowest of the readings of the hold.',
    source: arithmetic,
    worked: [`${said(high[1])} (cylinder ${high[0]}) − ${said(low[1])} (cylinder ${low[0]}) = ${said(high[1] - low[1])} K`],
    doubts: [],
    ...readings(studied, [hold]),
  };
}

function predicted(studied: StudiedSessions, place: number): Figure | undefined {
  const trial = studied.study.trials[place];
  const rows = trial && Object.entries(trial.predicted).sort(([, a], [, b]) => a - b);
  const [low, high] = [rows?.[0], rows?.at(-1)];
  if (!trial || !rows || !low || !high || !studied.fit) return undefined;
  return {
    title: `Spread that is expected with: ${trial.change}`,
    value: trial.predictedSpread,
    unit: 'K',
    isDifference: true,
    rule: 'The effects that the holds left likeliest, added up for each cylinder as it would then be arranged; the highest less the lowest.',
    source: modelSource,
    worked: [
      rows.map(([cylinder, kelvin]) => `cylinder ${cylinder} ${said(kelvin)} K`).join(', '),
      `${said(high[1])} − ${said(low[1])} = ${said(trial.predictedSpread)} K, each rounded`,
    ],
    doubts: [
      'what is expected if the model is right: effects that are not separated yet are shared between the parts that could have them',
      `one hold repeats to ± ${said(studied.fit.planning.model.noiseK)} K a cylinder`,
    ],
    ...readings(studied, studied.holds),
  };
}

/** A prediction that was written down: what the sessions it was made from say today. Undefined: that trial is none of theirs. */
function kept(studied: StudiedSessions, spreadK: number, change: string): Figure | undefined {
  const place = studied.study.trials.findIndex((trial) => trial.change === change);
  const figure = place < 0 ? undefined : predicted(studied, place);
  if (!figure) return undefined;
  const isOther = figure.value !== spreadK;
  return {
    ...figure,
    value: spreadK,
    doubts: [
      ...(isOther ? [`the same sessions say ${said(figure.value)} K now: their definitions, pulls or the program have changed since`] : []),
      ...figure.doubts,
    ],
  };
}

/** A set with the groups that it has, or would have. */
type Plugged = [vehicle: Vehicle | undefined, set: InjectorSet | undefined, groups: readonly InjectorGroup[]];

/** As trial `place` would plug it: what a regrouping changes begins with its set. */
function regrouped({ holds, study }: StudiedSessions, place: number): Plugged {
  const trial = study.trials[place];
  const vehicle = holds.at(-1)?.vehicle;
  const set = vehicle?.injectorSets.find(({ name }) => trial?.change.startsWith(`${name}: `));
  return [vehicle, set, Object.entries(trial?.plan ?? {}).map(([name, cylinders]) => ({ name, cylinders }))];
}

function pluggedNow({ holds }: StudiedSessions, name: string): Plugged {
  const vehicle = holds.at(-1)?.vehicle;
  const set = vehicle?.injectorSets.find((one) => one.name === name);
  return [vehicle, set, set?.plans.find((plan) => plan.name === set.plan)?.groups ?? []];
}

function phaseFigure(vehicle: Plugged[0], set: Plugged[1], groups: Plugged[2], cylinder: number): Figure | undefined {
  const group = groups.find(({ cylinders }) => cylinders.includes(cylinder))?.name;
  const phase = vehicle && set && group !== undefined ? phaseOf(vehicle, set, group, cylinder) : undefined;
  if (!vehicle || !set || !phase) return undefined;
  const { phaseDeg, angleDeg, places, opensDeg, cycleDeg, repeatDeg } = phase;
  const order = vehicle.engine?.firingOrder ?? [];
  const every = cycleDeg / order.length;
  const far = angleDeg - opensDeg;
  return {
    title: `Injection of ${set.name}, group ${group}, into cylinder ${cylinder}`,
    value: rounded(phaseDeg, 1),
    unit: 'deg',
    isDifference: false,
    rule: 'Degrees of crank from the opening of its intake stroke (top dead centre of gas exchange) to the injection of its group that is nearest to it.',
    source: arithmetic,
    worked: [
      `firing order ${order.join('-')}, every ${said(every)}°: cylinder ${cylinder} stands ${places} places from the zero, its intake opens at ${places} × ${said(every)} + ${cycleDeg / 2} = ${said(opensDeg)}°`,
      `group ${group} injects at ${said(angleDeg)}° (${set.groupAngles?.zero}), every ${said(repeatDeg)}°`,
      far === phaseDeg
        ? `${said(angleDeg)} − ${said(opensDeg)} = ${said(phaseDeg)}°`
        : `${said(angleDeg)} − ${said(opensDeg)} = ${said(far)}°, which is ${said(phaseDeg)}° by whole turns of ${said(repeatDeg)}°`,
    ],
    doubts: ['even firing is taken; the way of the fuel from a plenum to the valve takes time that this does not know'],
    stretches: [],
    channels: [],
    figures: [],
  };
}

function teaches(studied: StudiedSessions, place: number): Figure | undefined {
  const trial = studied.study.trials[place];
  if (!trial || !studied.fit) return undefined;
  const { model } = studied.fit.planning;
  const all = uncertaintyOf(model);
  const isEnrich = trial.kind === 'enrich';
  return {
    title: `What one hold would teach with: ${trial.change}`,
    value: Number((100 * trial.teaches).toFixed(1)),
    unit: '%',
    isDifference: false,
    rule: isEnrich
      ? 'It tells the sign of the mixture, nothing of where an effect sits: 0.'
      : 'The share of the variances of all effects, as differences from the mean of their kinds, that one more hold so arranged would take away: C becomes C − C Rᵀ (R C Rᵀ + noise² I)⁻¹ R C.',
    source: isEnrich ? commonPractice : modelSource,
    worked: isEnrich
      ? []
      : [
          `${said(trial.teaches * all)} K² of ${said(all)} K² of ${model.columns.filter(({ kind }) => isEffect(kind)).length} effects: ${said(100 * trial.teaches)} %`,
        ],
    doubts: ['it ranks what to try next, and promises no result'],
    ...readings(studied, studied.holds),
  };
}

/** The readings that went in, a figure each, and their stretches. */
function readings(studied: StudiedSessions, holds: readonly Hold[], cylinder?: number): Pick<Figure, 'stretches' | 'channels' | 'figures'> {
  return {
    stretches: holds.map((hold) => ({ session: hold.session, ...readStretch(studied, hold), what: readWords(studied, hold) })),
    channels: [],
    figures: holds.flatMap((hold) => {
      const place = studied.holds.indexOf(hold);
      return [...hold.temps.keys()].flatMap((one) => {
        const figure = cylinder === undefined || one === cylinder ? holdReading(studied, place, one) : undefined;
        return figure ? [linkTo(addressOf(studied, 'hold', place, one), figure)] : [];
      });
    }),
  };
}

function readStretch(studied: StudiedSessions, { session, from, to, readUs }: Hold): { fromUs: number; toUs: number } {
  const startUs = studied.startUsOf(session);
  return { fromUs: readUs?.from ?? startUs + from * 1e6, toUs: readUs?.to ?? startUs + to * 1e6 };
}

function readWords(studied: StudiedSessions, hold: Hold): string {
  const { fromUs, toUs } = readStretch(studied, hold);
  return `${holdWords(hold)}; read from ${saidStretch(fromUs, toUs, studied.startUsOf(hold.session))}`;
}

function holdWords({ session, from, to, speedRpm, isSweep }: Hold): string {
  return `the ${isSweep ? 'sweep' : 'hold'} at ${Math.round(speedRpm)} rpm of session ${session}, ${from.toFixed(1)} to ${to.toFixed(1)} s`;
}

const tenth = (value: number) => Math.round(value * 10) / 10;
