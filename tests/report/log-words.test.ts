// Entries of the log book in words.
import { expect, it } from 'vitest';
import type { LogEntry } from '../../server/contract/log-book.ts';
import { isOfTheEngine, toEntryText } from '../../server/contract/log-words.ts';

const entry = (more: object) => ({ entry: 3, vehicle: 'Made', wallMs: 0, session: 1, by: 'Ada', note: '', ...more }) as LogEntry;

it.each([
  [{ kind: 'timing-reading', speedRpm: 1500.4, lightDeg: 11, commandedDeg: 15 }, 'Timing at 1500 rpm: 11° by the light, 15° commanded'],
  [{ kind: 'timing-undone', of: 2 }, 'Timing reading of entry 2 taken back'],
  [{ kind: 'timing-adjusted', what: 'offset by 4°' }, 'Timing adjusted: offset by 4°'],
  [
    { kind: 'heat-cycle-sheet', fromS: 4, retorqued: true, lashSet: false, filterCut: true, plugsRead: false, oilLook: 'milky' },
    'Sheet of a heat cycle: re-torqued, filter cut open, oil milky',
  ],
  [
    { kind: 'heat-cycle-sheet', fromS: 4, retorqued: false, lashSet: false, filterCut: false, plugsRead: false, oilLook: '' },
    'Sheet of a heat cycle: nothing was done',
  ],
])('says %j', (more, words) => {
  expect(toEntryText(entry(more))).toBe(words);
});

it('keeps what was done to the engine apart from what was typed about a pull', () => {
  expect(isOfTheEngine(entry({ kind: 'timing-adjusted', what: 'offset' }))).toBe(true);
  expect(isOfTheEngine(entry({ kind: 'timing-undone', of: 2 }))).toBe(false);
  expect(isOfTheEngine(entry({ kind: 'dyno' }))).toBe(false);
});
