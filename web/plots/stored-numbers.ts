// Numbers beside the plots that are of stored samples: asked of the server once nothing has moved for a moment.
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { InstantView } from '../../server/contract/replay.ts';
import type { ChannelStatistics, StatisticsView } from '../../server/contract/statistics.ts';
import { getJson } from '../stream/api.ts';
import { type SessionRange, type TraceChoice, toChoicesText } from './plot-data.ts';
import type { Stretch } from './stretch.ts';

const restMs = 250;

type Ranges = ReadonlyMap<number | 'live', SessionRange>;

/** One recorded session with those of its channels that are drawn. */
interface Wanted {
  session: number;
  range: SessionRange;
  channels: string[];
}

/**
 * By `toChoicesText` of one choice. A request a session; what was asked for earlier is not shown for another key.
 * @param ask Undefined: nothing is asked for.
 */
function useStored<T>(
  choices: readonly TraceChoice[],
  ranges: Ranges,
  key: string,
  ask: ((wanted: Wanted) => Promise<(readonly [channel: string, found: T])[]>) | undefined,
): ReadonlyMap<string, T> {
  const found = useSignal<ReadonlyMap<string, T>>(new Map());
  useEffect(() => {
    let left = false;
    found.value = new Map();
    if (!ask) return;
    const timer = setTimeout(() => {
      for (const session of new Set(choices.map((choice) => choice.session))) {
        const range = ranges.get(session);
        if (session === 'live' || !range) continue;
        const channels = choices.filter((choice) => choice.session === session).map(({ channel }) => channel);
        ask({ session, range, channels }).then(
          (numbers) => {
            if (left) return;
            const known = numbers.map(([channel, number]) => [toChoicesText([{ session, channel }]), number] as const);
            found.value = new Map([...found.peek(), ...known]);
          },
          // The table keeps what the drawing says; a session that can't be read is named above the plots.
          () => undefined,
        );
      }
    }, restMs);
    return () => {
      left = true;
      clearTimeout(timer);
    };
  }, [toChoicesText(choices), ranges.size, key]);
  return found.value;
}

/** @param time Undefined: none are asked for. @param speed Only at times at which the engine turned so fast. */
export function useStatistics(choices: readonly TraceChoice[], ranges: Ranges, time: Stretch | undefined, speed: Stretch | undefined) {
  const key = [time?.from, time?.to, speed?.from, speed?.to].join();
  const ask = async ({ session, range, channels }: Wanted) => {
    if (!time || (speed && range.speed === undefined)) return [];
    const view = await getJson<StatisticsView>(`/api/sessions/${session}/statistics?${toStatisticsQuery(channels, range, time, speed)}`);
    return view.channels.map((one): [string, ChannelStatistics] => [one.channel, one]);
  };
  return useStored(choices, ranges, key, time && ask);
}

/** The last sample at or before a place on the axis of time; null where it has no number. @param x Undefined: none are asked for. */
export function useInstant(choices: readonly TraceChoice[], ranges: Ranges, x: number | undefined) {
  const ask = async ({ session, range, channels }: Wanted) => {
    const view = await getJson<InstantView>(`/api/sessions/${session}/instant?at=${toUs(range, x ?? 0)}`);
    const places = [...range.units.keys()];
    return channels.map((channel): [string, number | null] => [channel, view.values[places.indexOf(channel)] ?? null]);
  };
  return useStored(choices, ranges, String(x), x === undefined ? undefined : ask);
}

/** Session time of a place on the axis, microseconds. */
export function toUs({ fromUs }: SessionRange, x: number): number {
  return Math.max(0, Math.round(fromUs + x * 1e6));
}

export function toStatisticsQuery(channels: string[], range: SessionRange, time: Stretch, speed: Stretch | undefined): URLSearchParams {
  const query = new URLSearchParams({
    channels: channels.join(','),
    from: String(Math.max(0, Math.floor(range.fromUs + time.from * 1e6))),
    to: String(Math.max(0, Math.ceil(range.fromUs + time.to * 1e6))),
  });
  if (speed && range.speed !== undefined) {
    query.set('axis', range.speed);
    query.set('axisFrom', String(speed.from));
    query.set('axisTo', String(speed.to));
  }
  return query;
}
