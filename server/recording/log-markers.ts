// What people wrote down while a session was recorded, or about it later, as markers of its time line. Pure.
import type { LogEntry } from '../contract/log-book.ts';
import { isOfTheEngine, toEntryText } from '../contract/log-words.ts';
import type { Marker, SessionDetail } from '../contract/replay.ts';

/** The session with a marker for each entry that belongs to it, at the wall time at which it was written; later ones stand at its end. */
export function withLog(detail: SessionDetail, entries: readonly LogEntry[]): SessionDetail {
  const { fromUs, toUs, session } = detail;
  const markers = entries
    .filter((entry) => entry.session === session.session && isOfTheEngine(entry))
    .map((entry): Marker => {
      const writtenUs = fromUs + (entry.wallMs - session.startedWallMs) * 1000;
      const text = [toEntryText(entry), entry.note].filter(Boolean).join('. ');
      return { timeUs: Math.max(fromUs, Math.min(toUs, Math.round(writtenUs))), kind: 'change', text: `${text} (${entry.by})` };
    });
  return markers.length === 0 ? detail : { ...detail, markers: [...detail.markers, ...markers].sort((a, b) => a.timeUs - b.timeUs) };
}
