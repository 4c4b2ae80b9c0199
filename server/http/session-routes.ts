// Recorded sessions: the list, replay of a stored reading, and what people say about them.
import { z } from 'zod';
import {
  type InstantView,
  instantQuery,
  instantView,
  readingQuery,
  type SessionChange,
  type SessionDetail,
  type StepView,
  sessionChange,
  sessionDetail,
  stepQuery,
  stepView,
} from '../contract/replay.ts';
import { type SessionsView, type SessionView, sessionsQuery, sessionsView, sessionView } from '../contract/sessions.ts';
import { type StatisticsQuery, type StatisticsView, statisticsQuery, statisticsView } from '../contract/statistics.ts';
import { type WhyView, whyView } from '../contract/why.ts';
import { type WindowQuery, type WindowView, windowQuery, windowView } from '../contract/window.ts';
import { EvenburnError } from '../errors.ts';
import { channelNameMax } from '../limits.ts';
import type { App, AppParts } from './app.ts';
import type { EventStreams } from './event-streams.ts';
import { addSharedReplayRoutes } from './shared-replay-routes.ts';

/** Which session, and which of its readings; without one, the reading in use. */
export interface SessionAddress {
  session: number;
  reading: number | undefined;
}

/**
 * What stores sessions, as routes ask it. Queries run in a worker. Errors: SESSION_UNKNOWN, READING_UNKNOWN, CHANNEL_UNKNOWN,
 * SESSION_RECORDING, SESSION_DAMAGED, REQUEST_WRONG.
 */
export interface SessionStore {
  /** Newest first. */
  list(search?: string): Promise<SessionsView>;
  detail(of: SessionAddress): Promise<SessionDetail>;
  instant(of: SessionAddress, atUs: number): Promise<InstantView>;
  step(of: SessionAddress, atUs: number, to: 'next' | 'previous'): Promise<StepView>;
  window(of: SessionAddress, query: WindowQuery): Promise<WindowView>;
  statistics(of: SessionAddress, query: StatisticsQuery): Promise<StatisticsView>;
  why(of: SessionAddress, channel: string, atUs: number): Promise<WhyView>;
  change(session: number, change: SessionChange): Promise<SessionView>;
  /** Lays it aside; `restore` brings it back while it is still there. */
  remove(session: number): Promise<void>;
  restore(session: number): Promise<void>;
}

const sessionParams = z.object({ session: z.coerce.number().int().min(1) });

export function addSessionRoutes(app: App, { sessions, tasks }: AppParts, streams: EventStreams): void {
  if (!sessions) return;
  const base = '/api/sessions/:session';
  app.get(
    '/api/sessions',
    { schema: { summary: 'Recorded sessions, newest first', querystring: sessionsQuery, response: { 200: sessionsView } } },
    ({ query: { search } }) => sessions.list(search),
  );
  addReplayRoutes(app, sessions, base);
  addSharedReplayRoutes(app, streams);
  app.patch(
    base,
    {
      schema: {
        summary: 'Name, note, tags, conditions, pin; which reading is shown',
        params: sessionParams,
        body: sessionChange,
        response: { 200: sessionView },
      },
    },
    (request) => sessions.change(request.params.session, request.body),
  );
  app.delete(
    base,
    { schema: { summary: 'Lay a session aside', params: sessionParams, response: { 200: z.object({}) } } },
    async (request) => {
      const { session } = request.params;
      if (tasks?.isBusy(session)) throw new EvenburnError('SESSION_BUSY', { session });
      await sessions.remove(session);
      return {};
    },
  );
  app.post(
    `${base}/restore`,
    { schema: { summary: 'Bring back a session that was laid aside', params: sessionParams, response: { 200: z.object({}) } } },
    async (request) => {
      await sessions.restore(request.params.session);
      return {};
    },
  );
}

function addReplayRoutes(app: App, sessions: SessionStore, base: string): void {
  const at = (params: { session: number }, query: { reading?: number | undefined }): SessionAddress => ({
    session: params.session,
    reading: query.reading,
  });
  app.get(
    base,
    {
      schema: { summary: 'A session and its readings', params: sessionParams, querystring: readingQuery, response: { 200: sessionDetail } },
    },
    ({ params, query }) => sessions.detail(at(params, query)),
  );
  app.get(
    `${base}/instant`,
    { schema: { summary: 'Values at a time', params: sessionParams, querystring: instantQuery, response: { 200: instantView } } },
    ({ params, query }) => sessions.instant(at(params, query), query.at),
  );
  app.get(
    `${base}/step`,
    {
      schema: { summary: 'Time of the next or previous frame', params: sessionParams, querystring: stepQuery, response: { 200: stepView } },
    },
    ({ params, query }) => sessions.step(at(params, query), query.at, query.to),
  );
  app.get(
    `${base}/window`,
    {
      schema: {
        summary: 'Min/max bins of a stored reading',
        params: sessionParams,
        querystring: windowQuery.extend(readingQuery.shape),
        response: { 200: windowView },
      },
    },
    ({ params, query: { reading, ...query } }) => sessions.window(at(params, { reading }), query),
  );
  app.get(
    `${base}/statistics`,
    {
      schema: {
        summary: 'Lowest, highest, mean and percentiles between two places',
        params: sessionParams,
        querystring: statisticsQuery.extend(readingQuery.shape),
        response: { 200: statisticsView },
      },
    },
    ({ params, query: { reading, ...query } }) => sessions.statistics(at(params, { reading }), query),
  );
  app.get(
    `${base}/why/:channel`,
    {
      schema: {
        summary: 'Where a recorded number comes from',
        params: sessionParams.extend({ channel: z.string().min(1).max(channelNameMax) }),
        querystring: readingQuery.extend({ at: z.coerce.number().int() }),
        response: { 200: whyView },
      },
    },
    ({ params, query }) => sessions.why(at(params, query), params.channel, query.at),
  );
}
