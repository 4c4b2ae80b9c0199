// Stored sessions as the main process sees them: questions go to the history worker, changes to the recorder, which alone writes.
import type { InstantView, SessionChange, SessionDetail, StepView } from '../contract/replay.ts';
import type { SessionsView, SessionView } from '../contract/sessions.ts';
import type { StatisticsQuery, StatisticsView } from '../contract/statistics.ts';
import type { WhyView } from '../contract/why.ts';
import type { WindowQuery, WindowView } from '../contract/window.ts';
import { diskWarningBytes } from '../limits.ts';
import { HistoryLane } from './history-lane.ts';
import type { SessionAddress } from './history-questions.ts';
import type { Recorder } from './recorder.ts';
import type { KeepSessions } from './recorder-messages.ts';

export type { SessionAddress } from './history-questions.ts';

/**
 * Sessions of a data folder. A worker shows them, another one sums up their samples, so that a replay never waits for a sum. Errors: SESSION_UNKNOWN, READING_UNKNOWN, CHANNEL_UNKNOWN,
 * SESSION_RECORDING, SESSION_DAMAGED, REQUEST_WRONG.
 */
export class Sessions {
  private readonly recorder: Pick<Recorder, 'call'>;
  private readonly keep: KeepSessions;
  private readonly shows: HistoryLane;
  private readonly sums: HistoryLane;

  constructor(data: string, recorder: Pick<Recorder, 'call'>, keep: KeepSessions = {}) {
    this.recorder = recorder;
    this.keep = keep;
    this.shows = new HistoryLane(data);
    this.sums = new HistoryLane(data);
  }

  /** Newest first. */
  async list(search = ''): Promise<SessionsView> {
    const { keep, ...listed } = await this.shows.ask('list', search);
    const { bytesMax = null, daysMax = null } = this.keep;
    return { ...listed, keep: { ...keep, warningBytes: diskWarningBytes, bytesMax, daysMax } };
  }

  detail(of: SessionAddress): Promise<SessionDetail> {
    return this.shows.ask('detail', of);
  }

  instant(of: SessionAddress, atUs: number): Promise<InstantView> {
    return this.shows.ask('instant', of, atUs);
  }

  step(of: SessionAddress, atUs: number, to: 'next' | 'previous'): Promise<StepView> {
    return this.shows.ask('step', of, atUs, to);
  }

  window(of: SessionAddress, query: WindowQuery): Promise<WindowView> {
    return this.shows.ask('window', of, query);
  }

  /** What samples amount to between two places. */
  statistics(of: SessionAddress, query: StatisticsQuery): Promise<StatisticsView> {
    return this.sums.ask('statistics', of, query);
  }

  why(of: SessionAddress, channel: string, atUs: number): Promise<WhyView> {
    return this.shows.ask('why', of, channel, atUs);
  }

  async change(session: number, change: SessionChange): Promise<SessionView> {
    const { reading, ...notes } = change;
    if (reading !== undefined) {
      await this.recorder.call('show', session, reading);
      await this.release(session);
    }
    if (Object.keys(notes).length > 0) await this.recorder.call('change', session, notes);
    return this.shows.ask('summary', session);
  }

  /** Lays it aside; `restore` brings it back while it is still there. */
  async remove(session: number): Promise<void> {
    await this.release(session);
    await this.recorder.call('remove', session);
  }

  async restore(session: number): Promise<void> {
    await this.recorder.call('restore', session);
  }

  /** Lets go of a session's file, so that it can be moved or written. */
  async release(session: number): Promise<void> {
    await Promise.all([this.shows.release(session), this.sums.release(session)]);
  }

  async close(): Promise<void> {
    await Promise.all([this.shows.close(), this.sums.close()]);
  }
}
