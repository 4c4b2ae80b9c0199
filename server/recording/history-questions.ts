// What the main process may ask the history worker.
import type { InstantView, SessionDetail, StepView } from '../contract/replay.ts';
import type { SessionsView, SessionView } from '../contract/sessions.ts';
import type { StatisticsQuery, StatisticsView } from '../contract/statistics.ts';
import type { WhyView } from '../contract/why.ts';
import type { WindowQuery, WindowView } from '../contract/window.ts';
import type { PlainError } from './recorder-messages.ts';

/** Which session, and which of its readings; without one, the reading in use. */
export interface SessionAddress {
  session: number;
  reading: number | undefined;
}

/** Without the bounds that the server was started with. */
export type ListedSessions = Omit<SessionsView, 'keep'> & { keep: Pick<SessionsView['keep'], 'bytes' | 'freeBytes'> };

export interface HistoryQuestions {
  list(search: string): ListedSessions;
  summary(session: number): SessionView;
  detail(of: SessionAddress): SessionDetail | Promise<SessionDetail>;
  instant(of: SessionAddress, atUs: number): InstantView;
  step(of: SessionAddress, atUs: number, to: 'next' | 'previous'): StepView;
  window(of: SessionAddress, query: WindowQuery): WindowView;
  statistics(of: SessionAddress, query: StatisticsQuery): StatisticsView;
  why(of: SessionAddress, channel: string, atUs: number): WhyView;
  /** Lets go of the session's file, so that it can be moved. */
  release(session: number): void;
}

export interface HistoryQuestion {
  ask: number;
  name: keyof HistoryQuestions;
  args: unknown[];
}

export interface HistoryAnswer {
  ask: number;
  result?: unknown;
  error?: PlainError;
}
