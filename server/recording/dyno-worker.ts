// Worker entry: pulls, comparisons, trials and the distribution study of stored sessions, apart from the history worker whose answers must be quick.
import { parentPort, workerData } from 'node:worker_threads';
import type { SeriesSet } from '../channels/series.ts';
import {
  type CompareQuery,
  compareQuery,
  type PullsView,
  type PullView,
  type SetComparisonView,
  type TrialView,
} from '../contract/pulls.ts';
import type { SessionView } from '../contract/sessions.ts';
import type { FigureView } from '../contract/why.ts';
import { compareSets, type SetPull } from '../dyno/compare-sets.ts';
import { explainDifference } from '../dyno/comparison-figures.ts';
import { explainFallOff } from '../dyno/fall-off-figure.ts';
import { type Figure, toParts } from '../dyno/figure.ts';
import type { Hold } from '../dyno/holds.ts';
import { judgeTrial } from '../dyno/judge-trial.ts';
import type { PowerCurve, PowerRow } from '../dyno/power-curve.ts';
import { correctPulls, type NamedPull } from '../dyno/pull-corrections.ts';
import { explainPullFigure, type PullBehind } from '../dyno/pull-figures.ts';
import { besideBefore, type PullSummary, summarisePulls } from '../dyno/pull-summary.ts';
import { findPulls } from '../dyno/pulls.ts';
import { type Study, studyHolds } from '../dyno/study.ts';
import { explainStudyFigure, type StudiedSessions } from '../dyno/study-figures.ts';
import { EvenburnError } from '../errors.ts';
import { listSessions } from './catalogue.ts';
import type { DrivenWindow, DynoAnswer, DynoAnswers, DynoQuestion } from './dyno-messages.ts';
import { airOf, isBehind, listTrials, type RecordedTrial, readDynoNotes } from './dyno-notes.ts';
import { toPlain } from './plain-error.ts';
import { SessionPulls, type SessionPullsFound } from './session-pulls.ts';

const port = parentPort;
if (!port) throw new Error('this is a worker');
const { data } = workerData as { data: string };
const sessions = new SessionPulls(data);

async function readPulls(session: number): Promise<PullsView> {
  const { startUs, seconds, startedWallMs, vehicle, summaries, fallOff, notes, logs, notJudged } = await sessions.of(session);
  const { exhaustTempC = null, exhaustSpreadK = null, dutyPercent = null } = vehicle.limits;
  return {
    session,
    seconds,
    startUs,
    startedWallMs,
    limits: { exhaustTempC, exhaustSpreadK, dutyPercent },
    banks: [...(vehicle.engine?.lambda.keys() ?? [])],
    pulls: summaries.map((summary) => toPullView(summary, summaries)),
    fallOff,
    dyno: notes.dyno,
    logs,
    notJudged,
  };
}

function toPullView(summary: PullSummary<NamedPull>, all: readonly PullSummary<NamedPull>[]): PullsView['pulls'][number] {
  const { pull, profile, gas, margins, demand, start, power, beside } = summary;
  return {
    ...profile,
    number: pull.number,
    name: pull.name,
    byHand: pull.byHand,
    gas: gas.map(({ cylinder, lowC, highC, noiseK }) => ({ cylinder, lowC: tenth(lowC), highC: tenth(highC), noiseK: tenth(noiseK) })),
    margins,
    demand: demand.map(({ from: _, ...told }) => told),
    start,
    power: power ? toPowerView(power) : null,
    beside: beside ? { ...beside, before: all[beside.before]?.pull.number ?? 0 } : null,
  };
}

function toPowerView({ source, rows, peakTorque, peakPower, correction, notJudged }: PowerCurve): NonNullable<PullView['power']> {
  const bare = ({ from: _, ...row }: PowerRow) => row;
  return {
    source,
    rows: rows.map(bare),
    peakTorque: peakTorque && bare(peakTorque),
    peakPower: peakPower && bare(peakPower),
    correction,
    notJudged,
  };
}

const tenth = (value: number) => Math.round(value * 10) / 10;

async function studied(numbers: readonly number[]): Promise<StudiedSessions> {
  const holds: Hold[] = [];
  const starts = new Map<number, number>();
  for (const session of numbers) {
    const found = await sessions.of(session);
    holds.push(...found.holds);
    starts.set(session, found.startUs);
  }
  return { ...studyHolds(holds), sessions: numbers, startUsOf: (session) => starts.get(session) ?? 0 };
}

function behindOf(found: SessionPullsFound, summary: PullSummary<NamedPull>): PullBehind {
  const { session, startUs, vehicle, summaries } = found;
  const { number } = summary.pull;
  const about = { session, address: ['pulls', session, number], called: `pull ${number} of session ${session}`, startUs, vehicle, summary };
  const before = summaries[summary.beside?.before ?? -1];
  return before ? { ...about, before: behindOf(found, before) } : about;
}

/** A pull of a set with its place in wall time. */
interface ChosenPull extends Omit<SetPull, 'order'> {
  behind: PullBehind;
  session: number;
  number: number;
  atMs: number;
}

function toChosen(found: SessionPullsFound, summary: PullSummary<NamedPull>, set: SetPull['set']): ChosenPull {
  const { session, startedWallMs } = found;
  const { pull, profile, start, power } = summary;
  const rows = new Map((power?.rows ?? []).map(({ speed, torqueNm, powerKw }) => [speed, { torqueNm, powerKw }]));
  const atMs = startedWallMs + pull.from * 1000;
  return { behind: behindOf(found, summary), session, number: pull.number, atMs, set, profile, start, power: rows };
}

/** In the order in which they were driven. */
function ordered(chosen: readonly ChosenPull[]): (ChosenPull & SetPull)[] {
  return [...chosen].sort((a, b) => a.atMs - b.atMs || a.session - b.session).map((pull, i) => ({ ...pull, order: i + 1 }));
}

function getPull({ session, summaries }: SessionPullsFound, number: number): PullSummary<NamedPull> {
  const summary = summaries.find(({ pull }) => pull.number === number);
  if (!summary) throw new EvenburnError('PULL_UNKNOWN', { session, number });
  return summary;
}

async function choose(text: string, set: SetPull['set']): Promise<ChosenPull[]> {
  const chosen: ChosenPull[] = [];
  for (const item of text.split(',')) {
    const [session = 0, number = 0] = item.split(':').map(Number);
    const found = await sessions.of(session);
    chosen.push(toChosen(found, getPull(found, number), set));
  }
  return chosen;
}

async function compared({ before, after, quantity }: CompareQuery) {
  const pulls = ordered([...(await choose(before, 'before')), ...(await choose(after, 'after'))]);
  const comparison = compareSets(pulls, quantity);
  if (!comparison) throw new EvenburnError('QUANTITY_UNKNOWN', { quantity });
  return { pulls, comparison };
}

async function compare(query: CompareQuery): Promise<SetComparisonView> {
  const { pulls, comparison } = await compared(query);
  const { all, ...rest } = comparison;
  return {
    ...rest,
    ...(all ? { all } : {}),
    pulls: pulls.map(({ session, number, set, order, start }) => ({ session, number, set, order, start })),
  };
}

/** Pulls of the same day count as 'before' and, once it was taken back, as 'before' again; so many sessions at most are looked through for either side. */
const beforeMaxMs = 16 * 3600 * 1000;
const trialSessionsMax = 8;

async function trials(vehicle: string): Promise<TrialView[]> {
  const listed = listSessions(data)
    .filter((view) => view.vehicle === vehicle)
    .sort((a, b) => a.startedWallMs - b.startedWallMs || a.session - b.session);
  const startOf = (session: number) => listed.find((view) => view.session === session)?.startedWallMs;
  const recorded = listTrials(await sessions.entries(vehicle), startOf);
  const views: TrialView[] = [];
  for (const trial of recorded) views.push(await judged(trial, sessionsAround(trial, listed)));
  return views;
}

/** Sessions in which pulls of either side may lie: some before the trial, of its day, and those from it on. */
function sessionsAround({ done, until }: RecordedTrial, listed: readonly SessionView[]): number[] {
  const ended = ({ session, startedWallMs, seconds }: SessionView) => ({ session, atMs: startedWallMs + seconds * 1000 });
  const began = ({ session, startedWallMs }: SessionView) => ({ session, atMs: startedWallMs });
  const isBefore = (view: SessionView) => !isBehind(began(view), done) && ended(view).atMs > done.wallMs - beforeMaxMs;
  const isAfter = (view: SessionView) => isBehind(ended(view), done) && !(until && isBehind(began(view), until));
  const near = [...listed.filter(isBefore).slice(-trialSessionsMax), ...listed.filter(isAfter).slice(0, trialSessionsMax)];
  return [...new Set(near.map(({ session }) => session))];
}

async function judged(trial: RecordedTrial, numbers: readonly number[]): Promise<TrialView> {
  const { entry, since, done, undone, until } = trial;
  const chosen: ChosenPull[] = [];
  for (const session of numbers) {
    const found = await sessions.of(session);
    for (const summary of found.summaries) {
      const pull = toChosen(found, summary, 'before');
      if (!summary.pull.complete || (since && !isBehind(pull, since)) || (until && isBehind(pull, until))) continue;
      if (undone && pull.atMs > undone.wallMs + beforeMaxMs) continue;
      const isWith = isBehind(pull, done) && !(undone && isBehind(pull, undone));
      chosen.push(isWith ? { ...pull, set: 'after' } : pull);
    }
  }
  const pulls = ordered(ofOneKind(chosen));
  const judgement = judgeTrial(pulls);
  const names = (set: SetPull['set']) => pulls.filter((pull) => pull.set === set).map(({ session, number }) => `${session}:${number}`);
  return {
    entry: entry.entry,
    kind: entry.trial,
    change: entry.change,
    by: entry.by,
    wallMs: done.wallMs,
    undoneWallMs: undone?.wallMs ?? null,
    predictedSpread: entry.predictedSpread ?? null,
    studied: entry.studied ?? [],
    verdict: judgement.verdict,
    say: judgement.say,
    advice: [...judgement.advice, ...(await planDoubts(entry.plan, pulls))],
    before: names('before'),
    after: names('after'),
    spread: judgement.spread?.all ?? null,
    cylinders: judgement.cylinders,
  };
}

/** Sessions that were driven with a regrouping but are read by another plan: a study would count them for that. */
async function planDoubts(plan: Record<string, number[]> | undefined, pulls: readonly ChosenPull[]): Promise<string[]> {
  if (!plan) return [];
  const wanted = toPlanText(Object.entries(plan).map(([name, cylinders]) => ({ name, cylinders })));
  const doubts: string[] = [];
  for (const session of new Set(pulls.flatMap((pull) => (pull.set === 'after' ? [pull.session] : [])))) {
    const inForce = (await sessions.of(session)).vehicle.injectorSets.flatMap((set) => set.plans.filter(({ name }) => name === set.plan));
    if (!inForce.some(({ groups }) => toPlanText(groups) === wanted))
      doubts.push(
        `the vehicle file of session ${session} says another plan: a study counts it by that. Save the new plan before the pulls`,
      );
  }
  return doubts;
}

function toPlanText(groups: readonly { name: string; cylinders: readonly number[] }[]): string {
  const texts = groups.map(({ name, cylinders }) => `${name} ${[...cylinders].sort((a, b) => a - b).join()}`);
  return texts.sort().join(' ');
}

/** Holds are the honest basis; sweeps only where holds don't stand on both sides. */
function ofOneKind(chosen: readonly ChosenPull[]): ChosenPull[] {
  const holds = chosen.filter(({ profile }) => profile.kind === 'hold');
  const both = (['before', 'after'] as const).every((set) => holds.some((pull) => pull.set === set));
  const sweeps = chosen.filter(({ profile }) => profile.kind === 'sweep');
  const sweepsBoth = (['before', 'after'] as const).every((set) => sweeps.some((pull) => pull.set === set));
  return both || !sweepsBoth ? holds : sweeps;
}

/** Times of the pulls count from the window's beginning. */
async function judgeWindow({ vehicle, session, startUs, endUs, series }: DrivenWindow): Promise<PullView[]> {
  const byName = new Map(series.filter(({ timeUs }) => timeUs.length > 0).map((one) => [one.channel, one]));
  const set: SeriesSet = { startUs, endUs, frames: 0, get: (channel) => byName.get(channel) };
  const { dyno } = readDynoNotes(session === null ? [] : await sessions.entries(vehicle.name), session ?? 0, vehicle);
  const named = correctPulls(findPulls(set, vehicle).pulls, [], startUs);
  const summaries = summarisePulls({ series: set, vehicle, air: airOf(dyno), logs: [] }, named);
  for (const summary of summaries) holdDriven({ session, startUs, vehicle, summary });
  return summaries.map((summary) => toPullView(summary, summaries));
}

/** What has been driven since the program began, oldest first, so that its figures can be asked for; as long as that may be on a page. */
const driven: DrivenPull[] = [];
const drivenHeldMax = 40;
/** A pull that is judged again while its peaks rise begins within so long of where it did. */
const samePullUs = 2_000_000;

type DrivenPull = Pick<PullBehind, 'session' | 'startUs' | 'vehicle' | 'summary'>;

const fromUsOf = ({ startUs, summary }: DrivenPull) => startUs + summary.pull.from * 1e6;

function holdDriven(pull: DrivenPull): void {
  const same = driven.findIndex((one) => Math.abs(fromUsOf(one) - fromUsOf(pull)) < samePullUs);
  if (same >= 0) driven.splice(same, 1, pull);
  else if (driven.push(pull) > drivenHeldMax) driven.shift();
}

/** @param fromUs Its beginning, time of what was driven. */
function findDriven(fromUs: number): PullBehind | undefined {
  const at = driven.findLastIndex((one) => Math.abs(fromUsOf(one) - fromUs) < samePullUs);
  const pull = driven[at];
  if (!pull) return undefined;
  const { kind } = pull.summary.pull;
  const before = driven.slice(0, at).findLast(({ summary }) => summary.pull.kind === kind && summary.pull.complete);
  const about = (one: DrivenPull, called: string) => ({ ...one, address: ['over', Math.round(fromUsOf(one))], called });
  const now = about(pull, 'the last pull');
  if (!before) return now;
  const beside = besideBefore([before.summary, pull.summary], 1);
  return { ...now, summary: { ...pull.summary, beside }, before: about(before, 'the one before') };
}

/** Addresses: `pulls/SESSION/NUMBER/KEY..`, `pulls/SESSION/fall-off/SET/fall|slope`, `over/FROM/KEY..`, `compare/BEFORE/AFTER/QUANTITY/CELL`, `study/SESSIONS/KEY..`. */
async function figure(of: string): Promise<FigureView> {
  const [kind, first = '', second = '', ...rest] = toParts(of) ?? [];
  const found = await explain(kind, first, second, rest);
  if (!found) throw new EvenburnError('FIGURE_UNKNOWN', { figure: of });
  return found;
}

async function explain(kind: string | undefined, first: string, second: string, rest: string[]): Promise<Figure | undefined> {
  switch (kind) {
    case 'pulls': {
      const found = await sessions.of(Number(first));
      if (second === 'fall-off') return explainFallOff({ ...found, pulls: found.summaries.map(({ pull }) => pull) }, rest);
      return explainPullFigure(behindOf(found, getPull(found, Number(second))), rest);
    }
    case 'over': {
      const pull = findDriven(Number(first));
      return pull && explainPullFigure(pull, [second, ...rest]);
    }
    case 'compare': {
      const query = compareQuery.safeParse({ before: first, after: second, quantity: rest[0] });
      if (!query.success) return undefined;
      const { comparison, pulls } = await compared(query.data);
      return explainDifference(comparison, pulls, query.data, rest[1] === 'all' ? 'all' : Number(rest[1]));
    }
    case 'study':
      return explainStudyFigure(await studied(first.split(',').map(Number)), [second, ...rest]);
    default:
      return undefined;
  }
}

function answer(question: DynoQuestion): Promise<DynoAnswers[keyof DynoAnswers]> {
  switch (question.kind) {
    case 'pulls':
      return readPulls(question.session);
    // A study is plain data with keys of its own beyond those that pages use.
    case 'study':
      return studied(question.sessions).then(({ study }) => study as DynoAnswers['study'] & Study);
    case 'compare':
      return compare(question.query);
    case 'trials':
      return trials(question.vehicle);
    case 'window':
      return judgeWindow(question.window);
    case 'figure':
      return figure(question.of);
  }
}

/** One after the other: each takes a session's samples into memory. */
let last: Promise<unknown> = Promise.resolve();

port.on('message', (question: DynoQuestion) => {
  last = last.then(async () => {
    const { ask } = question;
    try {
      port.postMessage({ ask, result: await answer(question) } satisfies DynoAnswer);
    } catch (error) {
      port.postMessage({ ask, error: toPlain(error) } satisfies DynoAnswer);
    }
  });
});
