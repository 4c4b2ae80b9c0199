// One session in the list: its line, what it holds, what people wrote, and what can be done with it.
import { useSignal } from '@preact/signals';
import type { SessionView } from '../../server/contract/sessions.ts';
import { toAddress } from '../router.tsx';
import { toBytesText, toClockText, toCountText, toWords } from '../shell/numbers.ts';
import { ReadingList } from './reading-list.tsx';
import { SessionWords } from './session-words.tsx';
import type { SessionActs } from './sessions-page.tsx';
import { Spark } from './spark.tsx';

const stateWords = { open: 'being recorded', closed: '', killed: 'the program ended in the middle of it' } as const;

interface SessionRowProps {
  session: SessionView;
  acts: SessionActs;
  /** Re-readings of it that have ended. */
  readings: number;
}

export function SessionRow({ session, acts, readings }: SessionRowProps) {
  const open = useSignal<'words' | 'readings' | undefined>(undefined);
  const toggle = (part: 'words' | 'readings') => {
    open.value = open.value === part ? undefined : part;
  };
  const { session: number, spark, startedWallMs, name, note, tags, conditions } = session;
  const started = new Date(startedWallMs).toLocaleString();
  return (
    <li class="session panel" data-session={number}>
      {spark ? <Spark spark={spark} /> : <div class="spark" />}
      <div class="session-what">
        <h2>
          <a href={toAddress('sessions', String(number))}>{name || started}</a>
          {session.pinned && <span class="pinned">pinned</span>}
        </h2>
        <p>
          session {number}, {session.vehicle}
          {name && `, ${started}`}, <b>{toClockText(session.seconds)}</b>
        </p>
        <Counts session={session} />
        <p class="small quiet">
          {[
            `${toCountText(session.frames)} ${session.frames === 1 ? 'frame' : 'frames'}`,
            toBytesText(session.bytes),
            session.origin,
            stateWords[session.state],
          ]
            .filter(Boolean)
            .join(', ')}
        </p>
      </div>
      <div class="session-said">
        {tags.length > 0 && (
          <p>
            {tags.map((tag) => (
              <span key={tag} class="tag">
                {tag}
              </span>
            ))}
          </p>
        )}
        {Object.keys(conditions).length > 0 && (
          <p class="small">
            {Object.entries(conditions)
              .map(([what, how]) => `${what}: ${how}`)
              .join(', ')}
          </p>
        )}
        {note && <p class="note">{note}</p>}
      </div>
      <RowActs session={session} acts={acts} open={open.value} toggle={toggle} />
      {open.value === 'words' && (
        <SessionWords
          session={session}
          keep={(words) => acts.change(number, words).then(() => toggle('words'))}
          leave={() => toggle('words')}
        />
      )}
      {open.value === 'readings' && (
        <ReadingList
          session={number}
          isOpen={session.state === 'open'}
          made={readings}
          show={(reading) => acts.change(number, { reading })}
          reread={() => acts.reread([number])}
        />
      )}
    </li>
  );
}

/** What happened in it, the worst first. */
function Counts({ session: { alarms, pulls, lost } }: { session: SessionView }) {
  const count = (n: number, one: string, many: string) => (n === 0 ? '' : `${n} ${n === 1 ? one : many}`);
  const said = [
    count(alarms.warning, 'warning', 'warnings'),
    count(alarms.caution, 'caution', 'cautions'),
    count(alarms.advisory, 'advisory', 'advisories'),
  ].filter(Boolean);
  const ran = pulls ? [count(pulls.sweeps, 'pull', 'pulls'), count(pulls.holds, 'hold', 'holds')].filter(Boolean) : [];
  return (
    <p>
      <span class={alarms.warning > 0 ? 'count-warning' : ''}>{said.join(', ') || 'no alarm'}</span>
      {ran.length > 0 && `, ${ran.join(', ')}`}
      {lost > 0 && (
        <b>
          , {toCountText(lost)} {lost === 1 ? 'frame' : 'frames'} lost
        </b>
      )}
    </p>
  );
}

interface RowActsProps {
  session: SessionView;
  acts: SessionActs;
  open: 'words' | 'readings' | undefined;
  toggle(part: 'words' | 'readings'): void;
}

function RowActs({ session, acts, open, toggle }: RowActsProps) {
  const { session: number, pinned, state, spark } = session;
  return (
    <div class="session-acts">
      <a class="button main" href={toAddress('sessions', String(number))}>
        Replay
      </a>
      {spark && (
        <a class="button" href={`${toAddress('plots')}?traces=${number}:${spark.channel}`} title={`Plot ${toWords(spark.channel)}`}>
          Plot
        </a>
      )}
      <a class="button" href={`/api/sessions/${number}/report`} target="_blank" rel="noopener noreferrer">
        Report
      </a>
      <ExportMenu session={number} />
      <button type="button" class="button" aria-expanded={open === 'words'} onClick={() => toggle('words')}>
        Notes
      </button>
      <button type="button" class="button" aria-expanded={open === 'readings'} onClick={() => toggle('readings')}>
        Readings
      </button>
      <button type="button" class="button" aria-pressed={pinned} onClick={() => void acts.change(number, { pinned: !pinned })}>
        {pinned ? 'Pinned' : 'Pin'}
      </button>
      <button
        type="button"
        class="button"
        disabled={state === 'open' || pinned}
        title={pinned ? 'A pinned session is never deleted' : 'It can be brought back for a week'}
        onClick={() => void acts.layAside(number)}
      >
        Delete
      </button>
    </div>
  );
}

const exports: [format: string, words: string][] = [
  ['format=session', 'Whole session, to hand on'],
  ['format=log', 'Frames, text log'],
  ['format=pcapng', 'Frames, pcapng'],
  ['format=csv', 'Samples, CSV, a line each'],
  ['format=csv&every=100000', 'Table, CSV, ten lines a second'],
  ['format=parquet', 'Samples, Parquet'],
];

function ExportMenu({ session }: { session: number }) {
  return (
    <details class="export-menu">
      <summary class="button">Export</summary>
      <ul class="plain panel">
        {exports.map(([query, words]) => (
          <li key={query}>
            <a class="button slim" href={`/api/sessions/${session}/export?${query}`} download>
              {words}
            </a>
          </li>
        ))}
      </ul>
    </details>
  );
}
