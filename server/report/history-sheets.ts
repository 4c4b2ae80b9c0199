// Sheets of the engine's history: timing and leak-down, and the log of heat cycles and probe hours. Pure.
import type { Verdict } from '../checks/verdict.ts';
import type { EngineHistoryView, HeatCycleView } from '../contract/engine-history.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { html, type Markup } from './markup.ts';
import { notJudgedList, section, table, toDate, toPaper, verdictTable } from './paper.ts';
import { toClock } from './report-plot.ts';

const blank = html`<span class="blank"></span>`;
const number = (value: number | null | undefined, digits = 0): string =>
  value === null || value === undefined ? '–' : value.toFixed(digits).replace('-', '−');
/** Rows to be filled in by hand, beside those that are known. */
const emptyRows = 3;

/** Timing readings, leak-down, and blanks for torque and lash. */
export function toTimingSheet(history: EngineHistoryView, vehicle: Vehicle, madeWallMs: number): string {
  const sections = [timingSection(history), leakSection(history), holdSection(vehicle), torqueSection(vehicle)];
  return toPaper(
    { title: `Timing, leak, torque and lash, ${vehicle.name}`, head: '', foot: '', numbersAt: '#/history' },
    sections,
    madeWallMs,
  );
}

function timingSection({ timing }: EngineHistoryView): Markup {
  const rows = timing.readings.map(
    ({ wallMs, by, speedRpm, commandedDeg, lightDeg, errorDeg, note }) =>
      html`<tr><td>${toDate(wallMs)}</td><td class="number">${number(speedRpm)}</td><td class="number">${number(commandedDeg, 1)}</td>
<td class="number">${number(lightDeg, 1)}</td><td class="number">${number(errorDeg, 1)}</td><td>${[by, note].filter(Boolean).join(': ')}</td></tr>`,
  );
  const empty = Array.from({ length: emptyRows }, () => html`<tr>${Array.from({ length: 6 }, () => html`<td>${blank}</td>`)}</tr>`);
  return section(
    'Timing',
    table(['When', 'Speed, rpm', 'Commanded, °', 'By the light, °', 'Error, °', 'By, note'], [...rows, ...empty]),
    html`<p class="quiet">Degrees before top centre, so an ignition that comes late reads less. Commanded timing fixed; read below 1800 and above 3000 rpm. A constant error is the trigger offset, one that grows with speed a delay or the polarity of the sensor.</p>`,
    timing.verdicts.length > 0 && verdictTable(timing.verdicts as Verdict[]),
    notJudgedList(timing.notJudged),
    html`<p><b>${timing.loadAllowed ? 'Timing is right: load may follow.' : 'No load before this check is done and right.'}</b></p>`,
  );
}

function leakSection({ leaks, leakNow }: EngineHistoryView): Markup {
  if (leaks.length === 0)
    return section(
      'Leak-down behind the prime',
      html`<p class="quiet">No session shows a prime with its target, or the engine turned at once. Needs <code>injector_sets: { port: { rail: ..., discharge: ..., target: 300 kPa } }</code>.</p>`,
    );
  const rows = leaks.map(
    ({ session, startedWallMs, set, fromKpa, marks }) =>
      html`<tr><td>${session}, ${toDate(startedWallMs)}</td><td>${set}</td><td class="number">${number(fromKpa)}</td>
<td>${marks.map(({ s, kpa }) => `${s} s: ${number(kpa)}`).join(', ')}</td></tr>`,
  );
  return section(
    'Leak-down behind the prime',
    html`<ul>${leakNow.map(({ say }) => html`<li>${say}</li>`)}</ul>`,
    table(['Session', 'Set', 'From, kPa', 'Fell to, kPa'], rows),
    html`<p class="quiet">A comparison with last time, never a verdict: a first prime has air in the rails, and many regulators drop to zero by design.</p>`,
  );
}

function holdSection({ injectorSets }: Vehicle): Markup {
  const rows = injectorSets.flatMap(({ name }) =>
    ['atmosphere on the reference', 'regulated air on the reference'].map(
      (where) => html`<tr><th scope="row">${name}, ${where}</th>${Array.from({ length: 4 }, () => html`<td>${blank}</td>`)}</tr>`,
    ),
  );
  return section(
    'Leak hold, eyes on every fitting',
    rows.length > 0
      ? table(['Pump on for 2 to 5 min', 'Pressure', 'Minutes', 'Dry at every fitting', 'Seen by'], rows)
      : html`<p class="quiet">The vehicle file names no injector set.</p>`,
  );
}

function torqueSection({ engine }: Vehicle): Markup {
  const cylinders = Array.from({ length: engine?.cylinders ?? 0 }, (_, i) => i + 1);
  const rows = cylinders.map(
    (cylinder) => html`<tr><th scope="row">${cylinder}</th>${Array.from({ length: 4 }, () => html`<td>${blank}</td>`)}</tr>`,
  );
  return section(
    'Torque and lash',
    rows.length > 0
      ? table(['Cylinder', 'Head, torque', 'Intake lash', 'Exhaust lash', 'Plug, torque'], rows)
      : html`<p class="quiet">The vehicle file names no cylinders.</p>`,
  );
}

/** Heat cycles with what was done behind each, and the hours on each probe. */
export function toHeatCycleLog(history: EngineHistoryView, vehicle: Vehicle, madeWallMs: number): string {
  const { cycles, probeHours, cycleLimits } = history;
  const counted = cycles.filter(({ number: no }) => no !== null);
  const head = html`<p class="lead">${counted.length} heat cycles, ${(cycles.reduce((sum, { runningS }) => sum + runningS, 0) / 3600).toFixed(1)} h of running</p>
<p class="quiet">Up to ${cycleLimits.warmC} °C and cold again, below ${cycleLimits.coldC} °C. What never came up to temperature has no number.</p>`;
  const sections = [
    section(
      'Heat cycles',
      cycles.length > 0 ? table(cycleHead, cycles.map(cycleRow)) : html`<p class="quiet">The engine never ran in what is recorded.</p>`,
    ),
    ...counted.map((cycle) => sheetSection(cycle)),
    section(
      'Hours on each probe',
      probeHours.length > 0
        ? table(
            ['Probe', 'Last in cylinder', 'Hours in a running exhaust'],
            probeHours.map(
              ({ probe, cylinder, hours }) =>
                html`<tr><th scope="row">${probe}</th><td class="number">${cylinder}</td><td class="number">${number(hours, 2)}</td></tr>`,
            ),
          )
        : html`<p class="quiet">No probe was in a running exhaust yet.</p>`,
    ),
  ];
  return toPaper({ title: `Heat cycles and probe hours, ${vehicle.name}`, head, foot: '', numbersAt: '#/history' }, sections, madeWallMs);
}

const cycleHead = ['No.', 'Began', 'Runs', 'Running', 'From, °C', 'Coolant up to, °C', 'Oil up to, °C', 'Cold again'];

function cycleRow(cycle: HeatCycleView): Markup {
  const { number: no, session, startedWallMs, runs, runningS, startC, coolantPeakC, oilPeakC, cold } = cycle;
  return html`<tr><td class="number">${no ?? '–'}</td><td>${toDate(startedWallMs)}, session ${session}</td><td class="number">${runs}</td>
<td class="number">${toClock(runningS)}</td><td class="number">${number(startC)}</td><td class="number">${number(coolantPeakC)}</td>
<td class="number">${number(oilPeakC)}</td><td>${cold ? toDate(cold.wallMs) : 'not seen yet'}</td></tr>`;
}

const done = (word: string, was: boolean) => `${was ? '[x]' : '[ ]'} ${word}`;

function sheetSection(cycle: HeatCycleView): Markup {
  const { number: no, startedWallMs, endedWallMs, sheet, exhaustPeaks, probeHours } = cycle;
  const written = sheet?.kind === 'heat-cycle-sheet' ? sheet : undefined;
  const peaks = new Map(exhaustPeaks.map(({ cylinder, peakC }) => [cylinder, peakC]));
  return section(
    `Heat cycle ${no ?? ''}`,
    html`<p>${toDate(startedWallMs)} to ${toDate(endedWallMs)}</p>
<p>${done('re-torqued', written?.retorqued === true)} &nbsp; ${done('lash set', written?.lashSet === true)} &nbsp; ${done('filter cut open', written?.filterCut === true)} &nbsp; ${done('plugs read', written?.plugsRead === true)} &nbsp; oil: ${written?.oilLook || blank}</p>
${written ? html`<p class="note">${written.note || 'no note'} (${written.by}, ${toDate(written.wallMs)})</p>` : html`<p class="quiet">Nobody wrote its sheet yet.</p><p>${blank}</p>`}`,
    probeHours.length > 0 &&
      table(
        ['Cylinder', 'Probe', 'Hours up to its end', 'Highest indicated, °C'],
        probeHours.map(
          ({ cylinder, probe, hours }) =>
            html`<tr><th scope="row">${cylinder}</th><td>${probe}</td><td class="number">${number(hours, 2)}</td><td class="number">${number(peaks.get(cylinder))}</td></tr>`,
        ),
      ),
  );
}
