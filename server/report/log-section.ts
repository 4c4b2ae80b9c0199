// The log of changes in a session's report: what was done to the engine meanwhile, or written down about the session later. Pure.
import { isOfTheEngine, toEntryText } from '../contract/log-words.ts';
import { html, type Markup } from './markup.ts';
import { section, table, toDate } from './paper.ts';
import type { ReportData } from './report-data.ts';

/** Nothing where nothing was written down. */
export function logSection({ log }: ReportData): Markup | false {
  const told = log.filter(isOfTheEngine);
  if (told.length === 0) return false;
  const rows = told.map(
    (entry) => html`<tr><td class="number">${entry.entry}</td><td>${toDate(entry.wallMs)}</td><td>${entry.by}</td>
<td>${[toEntryText(entry), entry.note].filter(Boolean).join('. ')}</td></tr>`,
  );
  return section('Log of changes', table(['Entry', 'When', 'Who', 'What'], rows));
}
