// The readings of a session: which one is shown, and what two of them differ in.
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { ReadingView, SessionDetail } from '../../server/contract/replay.ts';
import type { ReadingsComparison } from '../../server/contract/session-tasks.ts';
import { toClockText, toNumberText, toUnitWord } from '../shell/numbers.ts';
import { getJson, toProblem } from '../stream/api.ts';

const rowsMax = 200;

interface ReadingListProps {
  session: number;
  isOpen: boolean;
  /** Another number: there may be a new reading. */
  made: number;
  show(reading: number): Promise<void>;
  reread(): Promise<void>;
}

export function ReadingList({ session, isOpen, made, show, reread }: ReadingListProps) {
  const detail = useSignal<SessionDetail | undefined>(undefined);
  const compared = useSignal<number | undefined>(undefined);
  const problem = useSignal('');
  const load = () =>
    getJson<SessionDetail>(`/api/sessions/${session}`).then(
      (found) => {
        detail.value = found;
      },
      (error: unknown) => {
        problem.value = toProblem(error);
      },
    );
  useEffect(() => void load(), [made]);
  if (problem.value) return <p class="problem">{problem}</p>;
  if (!detail.value) return <p class="quiet">…</p>;
  const { readings, reading: shown } = detail.value;
  return (
    <div class="readings">
      <ul class="plain">
        {readings.map((reading) => (
          <li key={reading.id}>
            <span>
              <b>Reading {reading.id}</b>
              {reading.id === shown && <span class="pinned">shown</span>}
            </span>
            <span class="small quiet">{toAbout(reading)}</span>
            {reading.id !== shown && reading.state === 'complete' && (
              <span class="session-acts">
                <button type="button" class="button" onClick={() => void show(reading.id).then(load)}>
                  Show this one
                </button>
                <button
                  type="button"
                  class="button"
                  aria-expanded={compared.value === reading.id}
                  onClick={() => {
                    compared.value = compared.value === reading.id ? undefined : reading.id;
                  }}
                >
                  What is different
                </button>
              </span>
            )}
          </li>
        ))}
      </ul>
      {compared.value !== undefined && compared.value !== shown && (
        <DifferencePanel key={`${compared.value} ${shown}`} session={session} reading={compared.value} against={shown} />
      )}
      <button type="button" class="button" disabled={isOpen} onClick={() => void reread()}>
        Read again by today's definitions
      </button>
    </div>
  );
}

function toAbout({ madeWallMs, program, hash, state, note }: ReadingView): string {
  const states = { growing: 'growing', complete: '', failed: 'not whole' } as const;
  const made = `made ${new Date(madeWallMs).toLocaleString()} by version ${program}, definitions ${hash.slice(0, 8)}`;
  return [made, states[state], note].filter(Boolean).join(', ');
}

/** Which channels changed and by how much, which came or went, and which alarms would have come. */
export function DifferencePanel({ session, reading, against }: { session: number; reading: number; against: number }) {
  const found = useSignal<ReadingsComparison | undefined>(undefined);
  const problem = useSignal('');
  useEffect(() => {
    getJson<ReadingsComparison>(`/api/sessions/${session}/readings/${reading}/against/${against}`).then(
      (comparison) => {
        found.value = comparison;
      },
      (error: unknown) => {
        problem.value = toProblem(error);
      },
    );
  }, [session, reading, against]);
  if (problem.value) return <p class="problem">{problem}</p>;
  if (!found.value) return <p class="quiet">Comparing …</p>;
  const comparison = found.value;
  if (comparison.identical) return <p>Every sample and every alarm is the same to the last bit.</p>;
  return (
    <div class="difference">
      <p>
        Reading {reading} beside reading {against}:
      </p>
      <AlarmLines words="Would have come" alarms={comparison.alarmsMore} />
      <AlarmLines words="Would not have come" alarms={comparison.alarmsFewer} />
      {comparison.onlyNew.length > 0 && <p>New channels: {comparison.onlyNew.join(', ')}</p>}
      {comparison.onlyOld.length > 0 && <p>Channels that are gone: {comparison.onlyOld.join(', ')}</p>}
      <ChannelTable comparison={comparison} />
    </div>
  );
}

function AlarmLines({ words, alarms }: { words: string; alarms: ReadingsComparison['alarmsMore'] }) {
  if (alarms.length === 0) return null;
  return (
    <div>
      <h3>{words}</h3>
      <ul>
        {alarms.slice(0, rowsMax).map(({ alarm, severity, atS }) => (
          <li key={`${alarm} ${atS}`}>
            {alarm} ({severity}) at {toClockText(atS)}
          </li>
        ))}
      </ul>
    </div>
  );
}

function ChannelTable({ comparison: { channels } }: { comparison: ReadingsComparison }) {
  if (channels.length === 0) return <p>Every sample is the same.</p>;
  return (
    <div class="scroll-x">
      <table>
        <thead>
          <tr>
            <th scope="col">Channel</th>
            <th scope="col" class="number">
              Samples that differ
            </th>
            <th scope="col" class="number">
              At most by
            </th>
            <th scope="col" class="number">
              At
            </th>
            <th scope="col" class="number">
              Was, is
            </th>
          </tr>
        </thead>
        <tbody>
          {channels.slice(0, rowsMax).map(({ channel, unit, different, oldSamples, newSamples, most }) => (
            <tr key={`${channel} ${unit}`}>
              <th scope="row">
                {channel} <span class="quiet">{toUnitWord(unit)}</span>
              </th>
              <td class="number">
                {different} of {newSamples}
                {oldSamples !== newSamples && ` (were ${oldSamples})`}
              </td>
              <td class="number">{most ? toShort(most.by) : '–'}</td>
              <td class="number">{most ? toClockText(most.atS) : '–'}</td>
              <td class="number">{most ? `${toShort(most.old)}, ${toShort(most.new)}` : '–'}</td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}

/** Five digits that mean something. */
function toShort(value: number): string {
  const short = Number(value.toPrecision(5));
  const digits = Math.max(0, 4 - Math.floor(Math.log10(Math.max(1, Math.abs(short)))));
  return toNumberText(short, Math.min(digits, Math.max(0, (String(short).split('.')[1] ?? '').length)));
}
