// What people wrote down as markers of a session's time line.
import { describe, expect, it } from 'vitest';
import type { LogEntry } from '../../server/contract/log-book.ts';
import type { SessionDetail } from '../../server/contract/replay.ts';
import { withLog } from '../../server/recording/log-markers.ts';

const detail = {
  session: { session: 3, startedWallMs: 1_000_000 },
  fromUs: 5_000_000,
  toUs: 65_000_000,
  markers: [{ timeUs: 30_000_000, kind: 'pull', text: 'pull' }],
} as unknown as SessionDetail;

const entry = (wallMs: number, more: object = {}): LogEntry =>
  ({ entry: 1, vehicle: 'V', session: 3, by: 'R', note: '', wallMs, kind: 'change', what: 'trim', to: '+3 %', ...more }) as LogEntry;

describe('the time line', () => {
  it('holds what was written down meanwhile, where it was, in order', () => {
    const { markers } = withLog(detail, [entry(1_010_000, { note: 'cylinder 5 only' })]);
    expect(markers).toEqual([
      { timeUs: 15_000_000, kind: 'change', text: 'Fuel trim: +3 %. cylinder 5 only (R)' },
      { timeUs: 30_000_000, kind: 'pull', text: 'pull' },
    ]);
  });

  it('puts what was written later at its end, and earlier at its beginning', () => {
    expect(withLog(detail, [entry(9_000_000), entry(0)]).markers.map(({ timeUs }) => timeUs)).toEqual([5_000_000, 30_000_000, 65_000_000]);
  });

  it('leaves out what belongs to other sessions or to pulls, and stays as it is without anything', () => {
    const others = [entry(1_010_000, { session: 4 }), entry(1_010_000, { kind: 'pull', atUs: 1 }), entry(1_010_000, { session: null })];
    expect(withLog(detail, others)).toBe(detail);
  });
});
