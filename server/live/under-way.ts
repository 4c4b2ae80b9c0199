// What a new start of the server would interrupt now, in words for whoever asks for one.
import type { Channel } from '../channels/channel-list.ts';
import { hasValue } from '../channels/quality.ts';
import type { CheckState } from '../contract/checks.ts';
import type { PullNowView } from '../contract/pull-now.ts';
import type { StationStatus } from '../contract/status.ts';
import type { RollingStore } from './rolling-store.ts';

/** What is asked of the running server. */
export interface UnderWayParts {
  station: { readonly channels: readonly Channel[]; readonly store: Pick<RollingStore, 'value' | 'quality'>; status(): StationStatus };
  pulls: { view(): { now: Pick<PullNowView['now'], 'phase'> } };
  checks: {
    guided: { state(): Pick<CheckState, 'check'> | null };
    live: { watch(): { watching: boolean } };
  };
}

/**
 * Empty: nothing. An engine whose speed isn't known counts for as long as a bus is listened to: unknown is not at rest. Without an engine
 * speed among the channels nobody could know, and the first steps of a vehicle would always be held up.
 */
export function findUnderWay({ station, pulls, checks }: UnderWayParts): string[] {
  const check = checks.guided.state()?.check;
  const { phase } = pulls.view().now;
  return [
    describeEngine(station),
    phase === 'none' ? undefined : `a ${phase === 'sweep' ? 'pull' : 'hold'} is in progress`,
    check === undefined ? undefined : `the ${check} check is running`,
    checks.live.watch().watching ? 'a wiggle or unplug test is running' : undefined,
  ].filter((what) => what !== undefined);
}

function describeEngine(station: UnderWayParts['station']): string | undefined {
  const { channels, store } = station;
  const running = channels.find(({ name }) => name === 'engine_running');
  if (!running) return undefined;
  if (hasValue(store.quality[running.index] as number)) return store.value[running.index] === 0 ? undefined : 'the engine runs';
  const listens = station.status().buses.some(({ state }) => state === 'up' || state === 'starting');
  return listens ? 'whether the engine runs is not known' : undefined;
}
