// Re-readings under way and done: progress, cancel, and what each found.
import { useSignal } from '@preact/signals';
import type { RereadJob } from '../../server/contract/session-tasks.ts';
import { DifferencePanel } from './reading-list.tsx';

export function RereadJobs({ jobs, cancel }: { jobs: RereadJob[]; cancel(job?: number): Promise<void> }) {
  const dismissed = useSignal(0);
  const shown = jobs.filter(({ job, state }) => state === 'waiting' || state === 'running' || job > dismissed.value);
  if (shown.length === 0) return null;
  const left = shown.filter(({ state }) => state === 'waiting' || state === 'running').length;
  return (
    <section class="panel rereads" aria-label="Read again">
      <div class="rereads-head">
        <h2>Read again by today's definitions</h2>
        <p class="quiet" role="status">
          {left > 0 ? `${left} to go` : 'Done'}
        </p>
        {left > 0 ? (
          <button type="button" class="button" onClick={() => void cancel()}>
            Cancel {left > 1 ? 'all' : ''}
          </button>
        ) : (
          <button
            type="button"
            class="button"
            onClick={() => {
              dismissed.value = Math.max(...jobs.map(({ job }) => job));
            }}
          >
            Close
          </button>
        )}
      </div>
      <ul class="plain">
        {shown.map((job) => (
          <Job key={job.job} job={job} cancel={cancel} />
        ))}
      </ul>
    </section>
  );
}

function Job({ job, cancel }: { job: RereadJob; cancel(job?: number): Promise<void> }) {
  const open = useSignal(false);
  const isDifferent = job.state === 'done' && job.identical === false;
  return (
    <li class="reread-job" data-state={job.state}>
      <span>session {job.session}</span>
      {job.state === 'running' && <progress value={job.share} max={1} aria-label={`Session ${job.session} is read again`} />}
      <span class={job.state === 'failed' ? 'problem' : ''}>{toWords(job)}</span>
      {job.state === 'waiting' && (
        <button type="button" class="button" aria-label={`Cancel session ${job.session}`} onClick={() => void cancel(job.job)}>
          Cancel
        </button>
      )}
      {isDifferent && (
        <button
          type="button"
          class="button"
          aria-expanded={open.value}
          onClick={() => {
            open.value = !open.value;
          }}
        >
          What is different
        </button>
      )}
      {open.value && job.reading !== null && job.beside !== null && (
        <DifferencePanel session={job.session} reading={job.reading} against={job.beside} />
      )}
    </li>
  );
}

/** `reading 2: 3 channels changed, 1 alarm more`. */
export function toWords(job: RereadJob): string {
  const { state, reading, identical, channelsChanged, alarmsMore, alarmsFewer } = job;
  if (state === 'waiting') return 'waits';
  if (state === 'running') return `${Math.round(job.share * 100)} %`;
  if (state === 'cancelled') return 'cancelled';
  if (state === 'failed') return job.problem;
  if (identical) return `reading ${reading}: the same to the last bit`;
  const count = (n: number, one: string, many: string) => (n === 0 ? '' : `${n} ${n === 1 ? one : many}`);
  const found = [
    count(channelsChanged, 'channel changed', 'channels changed'),
    count(alarmsMore, 'alarm more', 'alarms more'),
    count(alarmsFewer, 'alarm fewer', 'alarms fewer'),
  ].filter(Boolean);
  return `reading ${reading}: ${found.join(', ') || 'alarms differ in their details'}`;
}
