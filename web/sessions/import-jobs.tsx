// Imports under way and over: progress with rate and end, cancel, what became of each.
import type { ImportJob } from '../../server/contract/recorded-import.ts';

export function isUnderWay({ state }: ImportJob): boolean {
  return state === 'waiting' || state === 'running';
}

export function ImportJobs({ jobs, cancel }: { jobs: ImportJob[]; cancel(job: number): Promise<void> }) {
  if (jobs.length === 0) return null;
  return (
    <ul class="plain" aria-label="Imports">
      {[...jobs].reverse().map((job) => (
        <li key={job.job} class="import-job" data-state={job.state}>
          <span>{job.name}</span>
          {job.state === 'running' && <progress value={job.share} max={1} aria-label={`${job.name} is imported`} />}
          <span class={job.state === 'failed' ? 'problem' : ''}>{toProgressWords(job, Date.now())}</span>
          {job.session !== null && (
            <a class="button" href={`#/sessions/${job.session}`}>
              Open session {job.session}
            </a>
          )}
          {isUnderWay(job) && (
            <button type="button" class="button" aria-label={`Cancel ${job.name}`} onClick={() => void cancel(job.job)}>
              Cancel
            </button>
          )}
          {job.remarks.map((remark) => (
            <span key={remark} class="quiet import-remark">
              {remark}
            </span>
          ))}
        </li>
      ))}
    </ul>
  );
}

/** Worked: `40 %, 820,000 frames, 205,000 frames/s, 6 s left, done at 14:03:21`. */
export function toProgressWords(job: ImportJob, wallMs: number): string {
  const { state, frames, session, problem } = job;
  if (state === 'waiting') return 'waits';
  if (state === 'cancelled') return 'cancelled';
  if (state === 'failed') return problem;
  const count = `${frames.toLocaleString('en-US')} ${frames === 1 ? 'frame' : 'frames'}`;
  if (state === 'done') return frames === 0 ? `session ${session}` : `${count}, session ${session}`;
  if (job.share >= 1) return `${count}, being closed`;
  const parts = [`${Math.floor(job.share * 100)} %`, count, `${Math.round(job.framesPerSecond).toLocaleString('en-US')} frames/s`];
  if (job.secondsLeft !== null) {
    const end = new Date(wallMs + job.secondsLeft * 1000).toTimeString().slice(0, 8);
    parts.push(`${Math.ceil(job.secondsLeft)} s left`, `done at ${end}`);
  }
  return parts.join(', ');
}
