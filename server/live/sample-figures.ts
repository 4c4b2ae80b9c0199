// Why the mean of a stretch of samples, as the Plots page shows it, is what it is.
import type { ChannelStatistics, StatisticsQuery } from '../contract/statistics.ts';
import type { FigureView } from '../contract/why.ts';
import { arithmetic, said } from '../dyno/figure.ts';

export interface SampleFigureParts {
  statistics(session: number, query: StatisticsQuery): Promise<ChannelStatistics | undefined>;
  /** Session time of its first frame, microseconds. */
  startUsOf(session: number): Promise<number | undefined>;
}

/**
 * @param key `SESSION CHANNEL FROM TO`, times in microseconds of session time; with `AXIS AXIS_FROM AXIS_TO` only the samples at whose time that
 *   channel lay between two values. Undefined: no such stretch.
 */
export async function explainMean(parts: SampleFigureParts, key: readonly string[]): Promise<FigureView | undefined> {
  const [session, channel = '', from, to, axis, axisFrom, axisTo] = key;
  const numbers = [session, from, to, ...(axis === undefined ? [] : [axisFrom, axisTo])].map(Number);
  if (channel === '' || numbers.some((number) => !Number.isFinite(number))) return undefined;
  const [number, fromUs, toUs, low, high] = numbers as [number, number, number, number?, number?];
  const within = axis === undefined || low === undefined || high === undefined ? {} : { axis, axisFrom: low, axisTo: high };
  const found = await parts.statistics(number, { channels: channel, from: fromUs, to: toUs, ...within });
  const startUs = await parts.startUsOf(number);
  if (!found || startUs === undefined) return undefined;
  const { ok, outOfRange, bad, mean, unit } = found;
  const left = [outOfRange > 0 ? `${outOfRange} out of range` : '', bad > 0 ? `${bad} without a number` : ''].filter(Boolean);
  const where = axis === undefined ? '' : `, at whose time ${axis} lay between ${said(low, 0)} and ${said(high, 0)}`;
  const at = (us: number) => ((us - startUs) / 1e6).toFixed(2);
  const ends = [found.lowAt, found.highAt].map((atUs, i) => ({
    atUs,
    what: `${said(i === 0 ? found.low : found.high, 2)} ${unit}, the ${i === 0 ? 'lowest' : 'highest'}`,
  }));
  return {
    title: `Mean of ${channel}`,
    value: mean,
    unit,
    isDifference: false,
    rule: `The sum of the samples that were ok${where}, over how many they were: a sample counts once, however long it stood.`,
    source: arithmetic,
    worked:
      mean === null
        ? []
        : [
            `mean of ${ok} ${ok === 1 ? 'sample' : 'samples'} of ${said(found.low, 2)} to ${said(found.high, 2)} ${unit}: ${said(mean, 3)} ${unit}`,
          ],
    doubts: left.length === 0 ? [] : [`left out: ${left.join(', ')}`],
    stretches: [{ session: number, fromUs, toUs, what: `session ${number}, ${at(fromUs)} to ${at(toUs)} s${where}` }],
    channels: ends.flatMap(({ atUs, what }) => (atUs === null ? [] : [{ session: number, channel, atUs, what }])),
    figures: [],
  };
}
