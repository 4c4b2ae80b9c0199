// All frames: every id seen on the buses, defined or not, with its timing, its last bytes bit by bit, and what is read from them.
import './frames.css';
import { useComputed, useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { FramesView, SeenFrame } from '../../server/contract/frames.ts';
import { toAddress } from '../router.tsx';
import { toCountText, toNumberText } from '../shell/numbers.ts';
import { Reading } from '../shell/reading.tsx';
import { getJson, toProblem } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { BitGrid, toByteList } from './bit-grid.tsx';

const refreshMs = 500;

type Show = 'all' | 'undefined' | 'late';

export function FramesPage() {
  const feed = useFeed();
  const view = useSignal<FramesView | undefined>(undefined);
  const problem = useSignal('');
  const search = useSignal('');
  const show = useSignal<Show>('all');
  const open = useSignal<ReadonlySet<string>>(new Set());
  useEffect(() => {
    let asking = false;
    const refresh = async () => {
      if (asking || document.hidden) return;
      asking = true;
      try {
        view.value = await getJson<FramesView>('/api/frames');
        problem.value = '';
      } catch (error) {
        problem.value = toProblem(error);
      }
      asking = false;
    };
    void refresh();
    const timer = setInterval(() => void refresh(), refreshMs);
    return () => clearInterval(timer);
  }, [view, problem]);
  const shown = useComputed(() => (view.value?.frames ?? []).filter((frame) => isShown(frame, show.value, search.value)));
  const toggle = (key: string) => {
    const next = new Set(open.value);
    if (!next.delete(key)) next.add(key);
    open.value = next;
  };
  return (
    <div class="page frames-page">
      <div class="frames-head">
        <h1>All frames</h1>
        <input
          type="search"
          placeholder="id, frame, device or channel"
          aria-label="Search frames"
          value={search}
          onInput={(event) => {
            search.value = event.currentTarget.value;
          }}
        />
        <select
          aria-label="Which frames"
          value={show}
          onChange={(event) => {
            show.value = event.currentTarget.value as Show;
          }}
        >
          <option value="all">All</option>
          <option value="undefined">Undefined, or with unclaimed bits that change</option>
          <option value="late">Off their period</option>
        </select>
        <a class="button" href={toAddress('finder')}>
          Find a signal
        </a>
        <a class="button" href={toAddress('tables')}>
          Import a table
        </a>
        <p class="quiet" role="status">
          {shown.value.length} of {view.value?.frames.length ?? 0} ids
          {view.value && view.value.notListed > 0 && `, ${toCountText(view.value.notListed)} more not listed`}
        </p>
      </div>
      {problem.value && <p class="problem">{problem}</p>}
      <Errors view={view.value} />
      {view.value && view.value.frames.length === 0 && (
        <div class="panel page-note">
          <h2>No frame has come yet</h2>
          <p>Is the bus powered, and is its interface up? The state of each source stands in the page's head.</p>
        </div>
      )}
      <ol class="plain frame-list" data-link={feed.link}>
        {shown.value.map((frame) => {
          const key = keyOf(frame);
          return <FrameRow key={key} frame={frame} open={open.value.has(key)} toggle={() => toggle(key)} nowUs={view.value?.timeUs ?? 0} />;
        })}
      </ol>
      <p class="small quiet frames-legend">
        <span class="bit" data-changed>
          1
        </span>{' '}
        changed since the session began{' '}
        <span class="bit" data-unclaimed>
          0
        </span>{' '}
        read by no signal
      </p>
    </div>
  );
}

function keyOf(frame: SeenFrame): string {
  return `${frame.bus} ${frame.idHex} ${frame.remote ? 'remote' : ''}`;
}

function isShown(frame: SeenFrame, show: Show, search: string): boolean {
  if (show === 'undefined' && frame.frame !== null && !hasUnclaimedChange(frame)) return false;
  if (show === 'late' && !isOffPeriod(frame)) return false;
  const text = [frame.idHex, frame.frame ?? '', frame.device ?? '', frame.bus, ...frame.signals.map((signal) => signal.name)]
    .join(' ')
    .toLowerCase();
  return search
    .toLowerCase()
    .split(/\s+/)
    .every((word) => text.includes(word));
}

function hasUnclaimedChange(frame: SeenFrame): boolean {
  const changed = toByteList(frame.changedBits);
  return toByteList(frame.unclaimedBits).some((mask, i) => (mask & (changed[i] ?? 0)) !== 0);
}

/** A quarter off the defined period, by the mean of the last gaps: worth a look, not a verdict. */
function isOffPeriod({ periodMs, definedPeriodMs }: SeenFrame): boolean {
  return periodMs !== null && definedPeriodMs !== null && Math.abs(periodMs - definedPeriodMs) > definedPeriodMs / 4;
}

interface FrameRowProps {
  frame: SeenFrame;
  open: boolean;
  toggle(): void;
  nowUs: number;
}

function FrameRow({ frame, open, toggle, nowUs }: FrameRowProps) {
  const ageMs = (nowUs - frame.lastTimeUs) / 1e3;
  return (
    <li class="frame-row" data-defined={frame.frame !== null} data-frame={frame.frame ?? undefined}>
      <button type="button" class="frame-line" aria-expanded={open} onClick={toggle}>
        <code class="frame-id">{frame.idHex}</code>
        <span class="frame-name">
          {frame.frame ?? <b>undefined</b>} <span class="quiet small">{frame.device ?? frame.bus}</span>
        </span>
        <span class="frame-period" data-off={isOffPeriod(frame)}>
          {frame.periodMs === null ? '–' : `${toNumberText(frame.periodMs, frame.periodMs < 100 ? 1 : 0)} ms`}
          <span class="quiet small">
            {frame.definedPeriodMs === null
              ? ' no period given'
              : isOffPeriod(frame)
                ? ` not ${frame.definedPeriodMs} ms`
                : ` of ${frame.definedPeriodMs} ms`}
          </span>
        </span>
        <span class="frame-count quiet">{toCountText(frame.count)}×</span>
        <Bytes frame={frame} />
        <span class="frame-age quiet small">{ageMs < 1000 ? '' : `${(ageMs / 1000).toFixed(1)} s ago`}</span>
      </button>
      {open && <FrameDetail frame={frame} />}
    </li>
  );
}

/** The bytes in hexadecimal; those of which a bit ever changed stand on a bar. */
function Bytes({ frame }: { frame: SeenFrame }) {
  const changed = toByteList(frame.changedBits);
  return (
    <span class="frame-bytes bytes">
      {toByteList(frame.bytes).map((value, i) => (
        <span key={i} data-changed={(changed[i] ?? 0) !== 0}>
          {value.toString(16).toUpperCase().padStart(2, '0')}
        </span>
      ))}
      {frame.remote && <span>remote</span>}
    </span>
  );
}

function FrameDetail({ frame }: { frame: SeenFrame }) {
  const facts = [
    `bus ${frame.bus}`,
    frame.extended ? '29-bit id' : '11-bit id',
    frame.fd ? 'FD' : '',
    frame.pgn === undefined ? '' : `group ${frame.pgn} from address ${frame.sourceAddress}`,
    `length ${frame.length}${frame.definedLength !== null && frame.definedLength !== frame.length ? ` (defined ${frame.definedLength})` : ''}`,
    frame.periodMinMs === null
      ? ''
      : `the period is the mean of the last gaps, ${toNumberText(frame.periodMinMs, 1)} to ${toNumberText(frame.periodMaxMs ?? 0, 1)} ms`,
    `${toCountText(frame.count)} since the session began`,
    frame.shortCount > 0 ? `${toCountText(frame.shortCount)} too short` : '',
    frame.longCount > 0 ? `${toCountText(frame.longCount)} longer than defined` : '',
  ].filter(Boolean);
  return (
    <div class="frame-detail">
      <p class="small quiet">{facts.join(', ')}</p>
      <BitGrid
        bytes={frame.bytes}
        lengthBytes={frame.length}
        changed={frame.changedBits}
        unclaimed={frame.unclaimedBits}
        label={`Bytes ${frame.bytes}; bits that changed ${frame.changedBits}; bits that no signal reads ${frame.unclaimedBits}`}
      />
      {frame.signals.length > 0 && (
        <ul class="plain frame-signals">
          {frame.signals.map((signal) => (
            <li key={signal.name}>
              <span>{signal.name}</span>
              <Reading channel={signal.name} />
              <span class="small quiet">
                bits {Math.min(...signal.bits)} to {Math.max(...signal.bits)}
              </span>
            </li>
          ))}
        </ul>
      )}
      {frame.signals.length === 0 && <p class="quiet">No definition reads this frame.</p>}
    </div>
  );
}

function Errors({ view }: { view: FramesView | undefined }) {
  if (!view || view.errors.length === 0) return null;
  return (
    <p class="problem" role="status">
      Error frames:{' '}
      {view.errors.map(({ bus, kind, count }) => (
        <span key={`${bus} ${kind}`}>
          {bus}: {kind} {toCountText(count)}×;{' '}
        </span>
      ))}
    </p>
  );
}
