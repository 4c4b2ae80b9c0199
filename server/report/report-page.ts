// The report of a session as one HTML page: no request to anywhere, no script, prints on A4 and Letter. Pure.
import type { Verdict } from '../checks/verdict.ts';
import { type AlarmStretch, toAlarmStretches } from './alarm-stretches.ts';
import { toCautions } from './cautions.ts';
import type { CylinderPeak, PullPeaks } from './cylinder-peaks.ts';
import { logSection } from './log-section.ts';
import { html, type Markup, type Piece } from './markup.ts';
import { checkWords, engineWords, facts, notJudgedList, section, table, toDate, toPaper, verdictTable } from './paper.ts';
import type { ReportData } from './report-data.ts';
import { toClock, toPlotFigure, unitWord } from './report-plot.ts';

/** Alarms that are listed, and marked in the plots. */
const alarmsListedMax = 500;
const alarmsMarkedMax = 30;
const cylindersAcrossMax = 8;

/** @param madeWallMs When the report was made. */
export function toReportPage(data: ReportData, madeWallMs: number): string {
  const title = `Session ${data.session}, ${data.vehicle.name}`;
  const sections = [
    ranSection(data),
    notesSection(data),
    logSection(data),
    checksSection(data),
    pullsSection(data),
    cylindersSection(data),
    plotsSection(data),
    alarmsSection(data),
    lossSection(data),
    cautionsSection(data),
  ];
  return toPaper(
    {
      title,
      head: [data.name && html`<p class="name">${data.name}</p>`, html`<p class="lead">${summary(data)}</p>`],
      foot: `from reading ${data.reading.id} (program ${data.reading.program}, Node ${data.reading.node})`,
      numbersAt: `#/sessions/${data.session}`,
    },
    sections,
    madeWallMs,
  );
}

function summary(data: ReportData): string {
  const count = (n: number, one: string, many: string) => (n === 0 ? '' : `${n} ${n === 1 ? one : many}`);
  const failed = data.checks.flatMap(({ verdicts }) => verdicts).filter(({ ok }) => !ok).length;
  const { pulls } = data;
  const raised = data.alarms.filter(({ event }) => event === 'raised').length;
  const said = [
    toClock(data.seconds),
    count(pulls.filter(({ kind }) => kind === 'sweep').length, 'pull', 'pulls'),
    count(pulls.filter(({ kind }) => kind === 'hold').length, 'hold', 'holds'),
    raised === 0 ? 'no alarm' : count(raised, 'alarm', 'alarms'),
    failed === 0 ? 'no verdict fails' : count(failed, 'verdict fails', 'verdicts fail'),
    lostFrames(data) === 0 ? 'no frame known lost' : `${lostFrames(data)} frames lost`,
  ];
  return said.filter(Boolean).join(', ');
}

function lostFrames({ loss }: ReportData): number {
  return loss.adapter + loss['before-reader'] + loss.queue;
}

function ranSection(data: ReportData): Markup {
  const { vehicle, recordedHash, reading } = data;
  const stamps = Object.entries(data.stamps).map(([bus, how]) => `${bus}: ${stampWords[how] ?? how}`);
  const injectors = vehicle.injectorSets.flatMap((set) => (set.plan ? [`${set.name}: ${set.plan}`] : []));
  const states = {
    open: 'still being recorded: this report ends where it stood',
    closed: '',
    killed: 'the program ended in the middle of it',
  };
  const rows: [string, Piece][] = [
    ['Vehicle', vehicle.name],
    ['Engine', engineWords(vehicle)],
    ['Fuel', vehicle.fuel.name],
    ['Group plans', injectors.join(', ')],
    ['Began', data.startedWallMs === null ? 'the recording does not say' : toDate(data.startedWallMs)],
    ['Lasted', `${toClock(data.seconds)} (${data.seconds.toFixed(3)} s)`],
    ['Frames', `${data.frames} on ${vehicle.buses.map(({ name }) => name).join(', ')}`],
    ['Came from', [data.origin, states[data.state]].filter(Boolean).join('; ')],
    [
      'Time stamps',
      stamps.length > 0 ? stamps.join('; ') : data.origin === 'live' ? 'the recording does not say' : 'those of the recorded file',
    ],
    ['Definitions', html`<code>${vehicle.hash}</code>`],
    ['Recorded with', vehicle.hash !== recordedHash && html`<code>${recordedHash}</code>`],
    ['Reading', [`${reading.id}`, reading.note].filter(Boolean).join(', ')],
  ];
  return section('What was run', facts(rows));
}

/** How good a source's own time stamps are, in words. */
const stampWords: Readonly<Record<string, string>> = {
  hardware: 'by the interface, to a few microseconds',
  kernel: 'by the operating system as the frame came in',
  adapter: "by the adapter's own clock",
  process: 'as the program read the frame: a millisecond or more late at times',
  file: 'those of the recorded file',
  simulated: 'simulated',
};

function notesSection({ note, tags, conditions }: ReportData): Markup {
  const rows = Object.entries(conditions).map(([what, how]): [string, Piece] => [what, how]);
  const isEmpty = note === '' && tags.length === 0 && rows.length === 0;
  return section(
    'Conditions and notes',
    isEmpty && html`<p class="quiet">Nobody wrote anything.</p>`,
    rows.length > 0 && facts(rows),
    tags.length > 0 && html`<p>${tags.map((tag) => html`<span class="tag">${tag}</span> `)}</p>`,
    note !== '' && html`<p class="note">${note}</p>`,
  );
}

function checksSection({ checks, runs, startedWallMs }: ReportData): Markup {
  const judged = checks.map(
    ({ check, verdicts, notJudged, loadPercent }) => html`<h3>${checkWords[check]}, judged on this recording</h3>
${verdictTable(verdicts)}
${loadPercent !== undefined && html`<p class="quiet">Mean load of the busiest bus: ${loadPercent.toFixed(1)} %.</p>`}
${notJudgedList(notJudged ?? [])}`,
  );
  const kept = runs.map(
    ({ check, result, startedWallMs: beganMs, run }) => html`<h3>${checkWords[check]}, run ${run} on the live bus, ${
      startedWallMs === null ? toDate(beganMs) : `${toClock(Math.max(0, (beganMs - startedWallMs) / 1000))} into the session`
    }</h3>
${verdictTable(result.verdicts as Verdict[])}
${notJudgedList(result.notJudged ?? [])}`,
  );
  const startless = !checks.some(({ check }) => check === 'first-start');
  return section(
    'Checks',
    judged,
    startless && html`<p class="quiet">The first start is not judged: no start is in this recording.</p>`,
    kept,
  );
}

function pullsSection({ pulls, pullPeaks, peaks, notJudged }: ReportData): Markup {
  const none = notJudged.length > 0 ? notJudgedList(notJudged) : html`<p class="quiet">None in this recording.</p>`;
  if (pulls.length === 0) return section('Pulls and holds', none);
  const cylinders = peaks.map(({ cylinder }) => cylinder);
  return section(
    'Pulls and holds',
    inRows(cylinders).map((some, i, all) => pullsTable(pullPeaks, some, cylinders.length > 1 && i === all.length - 1)),
    cylinders.length > 0 &&
      html`<p class="quiet">Highest indicated exhaust temperature of each cylinder, ${unitsOf(peaks)}, until its probe's lag behind the end; greatest spread before the end. Indicated, not the gas itself.</p>`,
  );
}

/** Up to eight cylinders a table: more don't fit on paper. */
function inRows(cylinders: readonly number[]): number[][] {
  if (cylinders.length === 0) return [[]];
  const tables = Math.ceil(cylinders.length / cylindersAcrossMax);
  const across = Math.ceil(cylinders.length / tables);
  return Array.from({ length: tables }, (_, i) => cylinders.slice(i * across, (i + 1) * across));
}

function pullsTable(pullPeaks: readonly PullPeaks[], cylinders: readonly number[], withSpread: boolean): Markup {
  const head = ['', 'From', 'To', 'Speed, rpm', ...cylinders.map((cylinder) => `Cyl ${cylinder}`), ...(withSpread ? ['Spread, K'] : [])];
  const rows = pullPeaks.map(
    ({ pull, peaks, spread }) => html`<tr><th scope="row">${pull.kind === 'sweep' ? 'pull' : 'hold'}${!pull.complete && ', lifted'}</th>
<td class="number">${toClock(pull.from)}</td><td class="number">${toClock(pull.to)}</td><td class="number">${Math.round(pull.speedFrom)} to ${Math.round(pull.speedTo)}</td>
${cylinders.map((cylinder) => html`<td class="number">${toValue(peaks.get(cylinder)?.value)}</td>`)}${withSpread && html`<td class="number">${toValue(spread?.value)}</td>`}</tr>`,
  );
  return table(head, rows);
}

function unitsOf(peaks: readonly CylinderPeak[]): string {
  return [...new Set(peaks.map(({ unit }) => unit).filter(Boolean))].map(unitWord).join(' or ');
}

function toValue(value: number | undefined): string {
  return value === undefined ? '–' : value.toFixed(0).replace('-', '−');
}

function cylindersSection({ peaks, vehicle }: ReportData): Markup {
  if (peaks.length === 0) {
    const line = 'engine: { exhaust_temps: { 1: { channel: ... } } }';
    return section('Cylinders', html`<p class="quiet">Not judged: peaks by cylinder. They would be with: <code>${line}</code></p>`);
  }
  const values = peaks.flatMap(({ peak }) => (peak ? [peak.value] : []));
  const spread = values.length > 1 ? Math.max(...values) - Math.min(...values) : undefined;
  const limited = vehicle.limits.exhaustTempC !== undefined;
  return section(
    'Cylinders',
    table(
      ['Cylinder', 'Probe', 'Peak', 'At', ...(limited ? ['Below limit'] : []), 'Not ok'],
      peaks.map((peak) => peakRow(peak, limited)),
    ),
    spread !== undefined &&
      html`<p>Between the highest and the lowest of these peaks: <b>${toValue(spread)}</b>. They come at different times; the spread at one time is in the plots and by pull.</p>`,
  );
}

function peakRow({ cylinder, channel, probe, unit, peak, margin, outOfRange, bad }: CylinderPeak, limited: boolean): Markup {
  const below = margin !== undefined && margin < 0 ? html`<b>${toValue(-margin)} ABOVE</b>` : toValue(margin);
  const notOk = [outOfRange > 0 && `${outOfRange} out of range`, bad > 0 && `${bad} without a number`].filter(Boolean).join(', ');
  return html`<tr><th scope="row">${cylinder}</th><td>${[channel, probe].filter(Boolean).join(', ')}</td>
<td class="number">${peak ? `${toValue(peak.value)} ${unitWord(unit)}` : 'no number'}</td><td class="number">${peak && toClock(peak.atS)}</td>
${limited && html`<td class="number">${below}</td>`}<td>${notOk}</td></tr>`;
}

function plotsSection(data: ReportData): Markup {
  const shades = data.pulls.map(({ from, to }) => ({ fromS: from, toS: to }));
  const marks = toAlarmStretches(data.alarms, data.startUs)
    .slice(0, alarmsMarkedMax)
    .map(({ fromS }, i) => ({ atS: fromS, label: String(i + 1) }));
  return section(
    'Plots',
    data.plots.length === 0
      ? html`<p class="quiet">No channel had a sample.</p>`
      : html`<p class="quiet">Time from the first frame. Shaded: pulls and holds. Numbered lines: alarms, as listed below. Each point holds the lowest and highest sample of its stretch. Strips under the axis: grey out of range, black without a number.</p>`,
    data.plots.map((plot) => toPlotFigure(plot, shades, marks)),
  );
}

function alarmsSection({ alarms, startUs }: ReportData): Markup {
  const stretches = toAlarmStretches(alarms, startUs);
  if (stretches.length === 0) return section('Alarms', html`<p>None came.</p>`);
  const more = stretches.length - alarmsListedMax;
  return section(
    'Alarms',
    table(['No.', 'From', 'To', 'Alarm', 'Value', 'Acknowledged'], stretches.slice(0, alarmsListedMax).map(alarmRow)),
    more > 0 && html`<p>And ${more} more, which the session itself has.</p>`,
  );
}

function alarmRow(one: AlarmStretch, i: number): Markup {
  const value = one.value === null ? '' : ` ${Number(one.value.toPrecision(5))} ${unitWord(one.unit)}`;
  return html`<tr class="${one.severity}"><td class="number">${i + 1}</td><td class="number">${toClock(one.fromS)}</td>
<td class="number">${one.toS === undefined ? 'stood at the end' : toClock(one.toS)}</td>
<td><b>${one.alarm}</b> (${one.severity})${one.firstOut && ', came first'}</td><td>${one.channel}${value}</td><td>${one.acknowledgedBy}</td></tr>`;
}

function lossSection({ loss, events }: ReportData): Markup {
  const rows: [string, Piece][] = [
    ['In adapter or driver', String(loss.adapter)],
    ['Before the reader', String(loss['before-reader'])],
    ['Dropped by a full queue', String(loss.queue)],
    ['Late (applied all the same)', String(loss.late)],
  ];
  const told = events.filter(({ kind }) => kind !== 'definitions');
  return section(
    'Frames lost, by place',
    facts(rows),
    told.length > 0 && html`<ul>${told.map(({ atS, text }) => html`<li>${toClock(Math.max(0, atS))}: ${text}</li>`)}</ul>`,
    html`<p class="quiet">What an adapter loses inside and does not report can't be seen.</p>`,
  );
}

function cautionsSection(data: ReportData): Markup {
  return section('Cautions', html`<ul>${toCautions(data).map((caution) => html`<li>${caution}</li>`)}</ul>`);
}
