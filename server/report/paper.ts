// What every page on paper is made of: its skeleton, sections, tables, verdicts, dates. Pure.
import { createHash } from 'node:crypto';
import type { LimitInForce } from '../checks/check-limits.ts';
import type { Verdict } from '../checks/verdict.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { html, type Markup, type Piece } from './markup.ts';
import { toClock } from './report-plot.ts';
import { reportStyle } from './report-style.ts';

/** What the page may load: its own style and nothing else. For the page itself and for whoever serves it. */
export const reportPolicy = `default-src 'none'; style-src 'sha256-${createHash('sha256').update(reportStyle).digest('base64')}'`;

export interface PaperHead {
  title: string;
  /** Under the title. */
  head: Piece;
  /** What it was made from, behind 'Made ... by Evenburn'. */
  foot: string;
  /** Page of the program on which its numbers can be asked where they come from: `#/checks/run/3`. */
  numbersAt: string;
}

/** A whole page: no request to anywhere, no script, prints on A4 and Letter. @param madeWallMs When it was made. */
export function toPaper({ title, head, foot, numbersAt }: PaperHead, sections: readonly Piece[], madeWallMs: number): string {
  const page = html`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="${reportPolicy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>${title}</title>
<style>${reportStyle}</style>
</head>
<body>
<header>
<h1>${title}</h1>
${head}
</header>
<main>
${sections}
</main>
<footer>Made ${toDate(madeWallMs)} by Evenburn${foot && ` ${foot}`}. It listens and advises; protection belongs in the engine controller.
Where a number comes from: press it on the page ${numbersAt} of the program.</footer>
</body>
</html>
`;
  return page.text;
}

export function section(title: string, ...pieces: Piece[]): Markup {
  return html`<section>
<h2>${title}</h2>
${pieces}
</section>`;
}

export function facts(rows: [string, Piece][]): Markup {
  const said = rows.filter(([, what]) => what !== '' && what !== false && what !== undefined);
  return html`<table class="facts">${said.map(([name, what]) => html`<tr><th scope="row">${name}</th><td>${what}</td></tr>`)}</table>`;
}

/** A table that a narrow screen scrolls by itself, and whose head comes again on each page. */
export function table(head: readonly string[], rows: readonly Markup[]): Markup {
  return html`<div class="wide"><table>
<thead><tr>${head.map((word) => html`<th scope="col">${word}</th>`)}</tr></thead>
<tbody>${rows}</tbody></table></div>`;
}

export const checkWords: Readonly<Record<string, string>> = {
  bus: 'Bus check',
  'key-on': 'Key-on check',
  probes: 'Probe check',
  'first-start': 'First start',
};

/** What is wrong with what to do next, each by itself; then what is right, in short. */
export function verdictTable(verdicts: readonly Verdict[]): Markup {
  if (verdicts.length === 0) return html`<p class="quiet">Nothing to judge.</p>`;
  const wrong = verdicts.filter(({ ok }) => !ok);
  const right = verdicts.filter(({ ok }) => ok);
  const rows = wrong.map(
    ({ code, at, say, next }) => html`<tr class="wrong"><td><b>NOT RIGHT</b><br><code>${code}</code></td>
<td class="number">${at !== undefined && toClock(at)}</td><td>${say}${next !== undefined && html`<br><i>Next: ${next}</i>`}</td></tr>`,
  );
  return html`${rows.length > 0 && table(['Verdict', 'At', 'Found'], rows)}
${right.length > 0 && html`<p><b>Right:</b></p><ul class="right">${right.map(({ say }) => html`<li>${say}</li>`)}</ul>`}`;
}

export function notJudgedList(notJudged: readonly { what: string; line: string }[]): Markup | false {
  if (notJudged.length === 0) return false;
  return html`<ul class="quiet">${notJudged.map(({ what, line }) => html`<li>Not judged: ${what}${line.startsWith('nothing:') ? `: ${line.slice(8).trim()}` : html`. It would be with: <code>${line}</code>`}</li>`)}</ul>`;
}

/** What it was judged by, and where each number is from. */
export function limitTable(limits: readonly LimitInForce[]): Markup | false {
  if (limits.length === 0) return false;
  const rows = limits.map(
    ({ what, value, unit, source }) => html`<tr><td>${what}</td><td class="number">${value} ${unit}</td><td>${source}</td></tr>`,
  );
  return table(['Judged', 'Limit', 'From'], rows);
}

export function engineWords({ engine }: Vehicle): string {
  if (!engine || engine.cylinders === 0) return '';
  const order = engine.firingOrder.length > 0 ? `, firing ${engine.firingOrder.join('-')}` : '';
  return `${engine.cylinders} ${engine.cylinders === 1 ? 'cylinder' : 'cylinders'}, ${engine.cycle}${order}`;
}

/** `2026-05-17 09:30:05 UTC+02:00`, in the time zone of this computer. */
export function toDate(wallMs: number): string {
  const date = new Date(wallMs);
  const two = (n: number) => String(n).padStart(2, '0');
  const offset = -date.getTimezoneOffset();
  const zone = `UTC${offset < 0 ? '−' : '+'}${two(Math.floor(Math.abs(offset) / 60))}:${two(Math.abs(offset) % 60)}`;
  const day = `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())}`;
  return `${day} ${two(date.getHours())}:${two(date.getMinutes())}:${two(date.getSeconds())} ${zone}`;
}
