// The log of changes in a report: what was done to the engine, in words, and nothing of anybody's markup.
import { describe, expect, it } from 'vitest';
import type { LogEntry } from '../../server/contract/log-book.ts';
import { toReportPage } from '../../server/report/report-page.ts';
import { makeReportData } from '../doubles/report-of-double.ts';

const added = { vehicle: 'Made', session: 7, wallMs: Date.UTC(2026, 4, 17, 9, 31), by: 'R. Crew', note: '' };
const entries: LogEntry[] = [
  { ...added, entry: 1, kind: 'change', what: 'trim', from: '0 %', to: '+3 %', cylinders: [5] },
  { ...added, entry: 2, kind: 'plug-sheet', cylinder: 4, plug: 'cold one', look: '<b>light</b>', photo: `${'a'.repeat(64)}.jpg` },
  { ...added, entry: 3, kind: 'trial', trial: 'regroup', change: 'A 1, 3, 5', note: 'after the second pull' },
  { ...added, entry: 4, kind: 'pull', atUs: 5, name: 'baseline' },
];

describe('the log of changes in a report', () => {
  it('says what was done, by whom, with cylinder and note', () => {
    const page = toReportPage(makeReportData({ log: entries }), 0);
    expect(page).toContain('Log of changes');
    expect(page).toContain('Fuel trim, cylinder 5: 0 % → +3 %');
    expect(page).toContain('R. Crew');
    expect(page).toContain('Trial: A 1, 3, 5. after the second pull');
    expect(page).toContain('Plug of cylinder 4, cold one: &lt;b&gt;light&lt;/b&gt; (photo in the log)');
  });

  it('leaves out what was done to the pulls in the log alone, and is not there when nothing was done', () => {
    expect(toReportPage(makeReportData({ log: entries }), 0)).not.toContain('baseline');
    expect(toReportPage(makeReportData({ log: entries.slice(3) }), 0)).not.toContain('Log of changes');
  });
});
