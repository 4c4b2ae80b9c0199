// Checks on paper: the report of one kept run, and the history of a vehicle's checks. Pure.
import { z } from 'zod';
import type { Verdict } from '../checks/verdict.ts';
import type { CheckRun, CheckRunSummary } from '../contract/checks.ts';
import { html, type Markup, type Piece } from './markup.ts';
import { checkWords, facts, limitTable, notJudgedList, section, table, toDate, toPaper, verdictTable } from './paper.ts';
import type { PlotData } from './report-data.ts';
import { toClock, toPlotFigure } from './report-plot.ts';

function titleOf({ check, title }: Pick<CheckRunSummary, 'check'> & { title?: string }): string {
  return title || checkWords[check] || check;
}

/** One kept run: its verdicts with their evidence, its steps, what was skipped and why, and what has changed. */
export function toCheckRunPage(run: CheckRun, madeWallMs: number): string {
  const { result } = run;
  const wrong = result.verdicts.filter(({ ok }) => !ok);
  const judged = run.right + run.wrong > 0;
  const lead = run.wrong > 0 ? `${run.wrong} wrong` : judged ? 'nothing wrong in what was judged' : 'nothing could be judged';
  const sections = [
    section(
      'What was judged',
      facts([
        ['Vehicle', run.vehicle],
        ['Began', toDate(run.startedWallMs)],
        ['Lasted', toClock(run.seconds)],
        ['Frames', String(result.frames)],
        ['Not seen', run.unseenFrames > 0 && `${run.unseenFrames} frames were lost before the check saw them`],
        ['Session', run.session !== null && String(run.session)],
        ['Definitions', html`<code>${run.definitionHash}</code>`],
        ['Mean load', result.loadPercent !== undefined && `${result.loadPercent.toFixed(1)} %`],
      ]),
    ),
    stepsSection(run),
    section('Verdicts', verdictTable(result.verdicts as Verdict[]), notJudgedList(result.notJudged ?? [])),
    wrong.length > 0 && section('Evidence', wrong.map(evidenceOf)),
    changesSection(run),
    result.limits !== undefined && result.limits.length > 0 && section('Limits and where they are from', limitTable(result.limits)),
  ];
  return toPaper(
    {
      title: `${titleOf(run)}, run ${run.run}, ${run.vehicle}`,
      head: html`<p class="lead">${lead}, ${run.right} right, ${run.notJudged} not judged</p>`,
      foot: `from run ${run.run}`,
      numbersAt: `#/checks/run/${run.run}`,
    },
    sections,
    madeWallMs,
  );
}

/** Steps as they were settled, with who did it; skipped ones with their reason. */
function stepsSection({ procedure, steps, startedWallMs }: CheckRun): Piece {
  if (!procedure || procedure.steps.length === 0) return false;
  const rows = procedure.steps.map(({ name, title, reading }) => {
    const state = steps[name];
    const value = state?.value !== undefined && `${state.value} ${reading?.unit ?? ''}`.trim();
    const chosen = state?.cylinders && state.cylinders.length > 0 && `cylinder ${state.cylinders.join(', ')}`;
    const said = state?.state === 'skipped' ? `SKIPPED: ${state.reason ?? 'no reason given'}` : (state?.state ?? 'not come to');
    const atMs = state?.wallMs ?? (state?.toS === undefined ? undefined : startedWallMs + state.toS * 1000);
    return html`<tr><th scope="row">${title}</th><td>${[said, value, chosen].filter(Boolean).join(', ')}</td><td>${state?.by ?? ''}</td><td>${
      atMs !== undefined && toDate(atMs)
    }</td></tr>`;
  });
  return section('Steps', table(['Step', 'How it went', 'By', 'When'], rows));
}

function evidenceOf({ code, say, measured, limit, at, confidence, ...more }: CheckRun['result']['verdicts'][number]): Markup {
  const rows: [string, Piece][] = [
    ['Rule', html`<code>${code}</code>`],
    ['Measured', toText(measured)],
    ['Limit', toText(limit)],
    ['At', at !== undefined && `${toClock(at)} (${at.toFixed(3)} s from the first frame)`],
    ['How sure', confidence !== undefined && `${Math.round(confidence * 100)} %`],
  ];
  const { evidence, alternatives, samples } = more as Record<string, unknown>;
  if (Array.isArray(alternatives) && alternatives.length > 0) rows.push(['It could also be', alternatives.map(String).join(', ')]);
  for (const [name, value] of Object.entries(isRecord(evidence) ? evidence : {}))
    if (typeof value === 'number' || typeof value === 'string') rows.push([toWords(name), toText(value)]);
  return html`<h3>${say}</h3>${facts(rows)}${samplesOf(samples, at)}`;
}

/** The samples around the finding as a plot of their own, where the run has kept them. */
function samplesOf(samples: unknown, at: number | undefined): Piece {
  const read = keptSamples.safeParse(samples);
  if (!read.success || read.data.at.length < 2) return false;
  const { channel, unit, at: times, value } = read.data;
  const [fromS, toS] = [times[0] as number, times.at(-1) as number];
  const seconds = Math.max(0.001, toS - fromS);
  const plot: PlotData = {
    choice: { title: `${channel}, from ${fromS.toFixed(2)} to ${toS.toFixed(2)} s`, unit, channels: [channel], limits: [] },
    fromS: 0,
    widthS: seconds / (times.length - 1),
    seconds,
    traces: [{ channel, low: value, high: value, quality: value.map((one) => (one === null ? withoutNumber : 0)) }],
  };
  return toPlotFigure(plot, [], at === undefined || at < fromS || at > toS ? [] : [{ atS: at - fromS, label: 'here' }]);
}

/** As checks keep them with a verdict. */
const keptSamples = z.object({ channel: z.string(), unit: z.string(), at: z.array(z.number()), value: z.array(z.number().nullable()) });
/** Code of a bin whose samples carry no number. */
const withoutNumber = 3;

function isRecord(value: unknown): value is Record<string, unknown> {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}

const toWords = (name: string) => name.replace(/[A-Z]/g, (letter) => ` ${letter.toLowerCase()}`);

function toText(value: number | string | null | undefined): string {
  if (value === null || value === undefined) return '';
  return typeof value === 'number' ? String(Number(value.toPrecision(6))).replace('-', '−') : value;
}

function changesSection({ comparedWith, changes }: CheckRun): Piece {
  if (comparedWith === null) return section('Since the last good run', html`<p class="quiet">There is none before this one.</p>`);
  return section(
    `Since the last good run, ${comparedWith}`,
    changes.length === 0
      ? html`<p>Nothing has changed by a tenth or more.</p>`
      : html`<ul>${changes.map((change) => html`<li>${change}</li>`)}</ul>`,
  );
}

/** Every kept run of a vehicle, newest first. @param runs Of that vehicle. */
export function toCheckHistory(vehicle: string, runs: readonly CheckRunSummary[], madeWallMs: number): string {
  const checks = [...new Set(runs.map(({ check }) => check))];
  const sections =
    runs.length === 0
      ? [section('Checks', html`<p class="quiet">No check was kept yet.</p>`)]
      : checks.map((check) => {
          const own = runs.filter((run) => run.check === check);
          return section(titleOf(own[0] as CheckRunSummary), table(historyHead, own.map(historyRow)));
        });
  const head = html`<p class="lead">${runs.length} runs</p>`;
  return toPaper({ title: `History of checks, ${vehicle}`, head, foot: '', numbersAt: '#/checks' }, sections, madeWallMs);
}

const historyHead = ['Run', 'When', 'Lasted', 'Wrong', 'Right', 'Not judged', 'Skipped', 'By', 'Session', 'Definitions'];

function historyRow({
  run,
  startedWallMs,
  seconds,
  wrong,
  right,
  notJudged,
  skipped,
  by,
  session,
  definitionHash,
}: CheckRunSummary): Markup {
  const cells = [wrong, right, notJudged, skipped].map((count) => html`<td class="number">${count}</td>`);
  return html`<tr class="${wrong > 0 ? 'wrong' : ''}"><td class="number">${run}</td><td>${toDate(startedWallMs)}</td><td class="number">${toClock(seconds)}</td>
${cells}<td>${by}</td><td class="number">${session ?? '–'}</td><td><code>${definitionHash.slice(0, 8)}</code></td></tr>`;
}
