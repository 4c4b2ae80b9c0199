// What is kept and how much room there is, and the deleted sessions that can come back.
import type { ComponentChildren } from 'preact';
import type { KeepView, SessionsView } from '../../server/contract/sessions.ts';
import { toBytesText } from '../shell/numbers.ts';

/** From so many times the bound of the advisory on, the room is spoken of before the advisory comes. */
const earlyShare = 3;

export function KeepPanel({ keep }: { keep: KeepView }) {
  const { bytes, freeBytes, warningBytes } = keep;
  const words =
    freeBytes < warningBytes
      ? 'The disk is almost full. Recording stops when it is: delete sessions, or move them away with evenburn backup.'
      : freeBytes < earlyShare * warningBytes
        ? `Room grows short: below ${toBytesText(warningBytes)} an advisory comes.`
        : '';
  return (
    <section class="panel keep" aria-label="What is kept">
      <p>
        All sessions together take <b>{toBytesText(bytes)}</b>; <b>{toBytesText(freeBytes)}</b> are free on their disk.
      </p>
      {words && (
        <p class="problem" role="status">
          {words}
        </p>
      )}
      <p class="quiet">{keepWords(keep)}</p>
    </section>
  );
}

function keepWords({ bytesMax, daysMax, warningBytes }: KeepView): ComponentChildren {
  const bounds = [
    bytesMax === null ? '' : `above ${toBytesText(bytesMax)} in all`,
    daysMax === null ? '' : `after ${daysMax} ${daysMax === 1 ? 'day' : 'days'}`,
  ].filter(Boolean);
  const advisory = `An advisory comes when less than ${toBytesText(warningBytes)} are left.`;
  if (bounds.length === 0) {
    return (
      <>
        Everything is kept: <code>evenburn serve --keep 50GB</code> or <code>--keep-days 90</code> would let the oldest go. {advisory}
      </>
    );
  }
  return `The oldest go ${bounds.join(' or ')}; pinned ones never. ${advisory}`;
}

export function LaidAside({ laidAside, restore }: { laidAside: SessionsView['laidAside']; restore(session: number): Promise<void> }) {
  if (laidAside.length === 0) return null;
  const newestFirst = [...laidAside].sort((a, b) => b.sinceWallMs - a.sinceWallMs);
  return (
    <section class="panel laid-aside" aria-label="Deleted sessions">
      <p role="status">{laidAside.length === 1 ? 'A deleted session' : `${laidAside.length} deleted sessions`} can come back.</p>
      <ul class="plain">
        {newestFirst.map(({ session, untilWallMs }) => (
          <li key={session}>
            <button type="button" class="button" onClick={() => void restore(session)}>
              Bring back {session}
            </button>
            <span class="small quiet">until {new Date(untilWallMs).toLocaleDateString()}, or until the disk fills</span>
          </li>
        ))}
      </ul>
    </section>
  );
}
