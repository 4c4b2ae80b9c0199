// What the page of imports says and sends, without a browser.
import { describe, expect, it } from 'vitest';
import type { ImportJob } from '../../server/contract/recorded-import.ts';
import { parseCsvColumns } from '../../server/exchange/csv-frames.ts';
import { toColumnsText } from '../../web/sessions/column-mapping.tsx';
import { toProgressWords } from '../../web/sessions/import-jobs.tsx';

const running: ImportJob = {
  job: 1,
  name: 'a.log',
  state: 'running',
  share: 0.409,
  frames: 820_000,
  framesPerSecond: 205_000.4,
  secondsLeft: 5.2,
  session: null,
  remarks: [],
  problem: '',
};
const noon = new Date(2026, 0, 31, 12, 0, 0).getTime();

describe('an import in words', () => {
  it.each<[Partial<ImportJob>, string]>([
    [{}, '40 %, 820,000 frames, 205,000 frames/s, 6 s left, done at 12:00:05'],
    [{ secondsLeft: null }, '40 %, 820,000 frames, 205,000 frames/s'],
    [{ share: 1 }, '820,000 frames, being closed'],
    [{ state: 'done', session: 7 }, '820,000 frames, session 7'],
    [{ state: 'done', frames: 0, session: 7 }, 'session 7'],
    [{ state: 'failed', problem: 'a.log: not a recording' }, 'a.log: not a recording'],
    [{ state: 'waiting' }, 'waits'],
    [{ state: 'cancelled' }, 'cancelled'],
  ])('%j', (change, words) => {
    expect(toProgressWords({ ...running, ...change }, noon)).toBe(words);
  });
});

describe('columns that a person chose', () => {
  it.each([[{ id: 'CAN ID', data: 'Payload' }], [{ time: 'Time, in "s"', id: 'a=b' }]])('%j arrive as they were meant', (columns) => {
    expect(parseCsvColumns(toColumnsText(columns))).toEqual(columns);
  });
});
