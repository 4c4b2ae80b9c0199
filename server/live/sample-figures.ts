// Why a mean of samples, or a difference between two cursors, as the Plots page shows them, is what it is.
import type { ChannelStatistics, StatisticsQuery } from '../contract/statistics.ts';
import type { FigureView, WhyNode } from '../contract/why.ts';
import { arithmetic, linkTo, said, toAddress } from '../dyno/figure.ts';

export interface SampleFigureParts {
  statistics(session: number, query: StatisticsQuery): Promise<ChannelStatistics | undefined>;
  /** Session time of its first frame, microseconds. */
  startUsOf(session: number): Promise<number | undefined>;
  /** The channel as of an instant; undefined: no such channel. */
  valueAt(session: number, channel: string, atUs: number): Promise<Pick<WhyNode, 'value' | 'unit' | 'quality'> | undefined>;
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

/**
 * @param key `SESSION CHANNEL A B`, times in microseconds of session time; or `SESSION CHANNEL FROM TO AXIS A_FROM A_TO B_FROM B_TO`, whose ends are
 *   means of the samples at whose time the axis lay about A and about B. Undefined: no such channel.
 */
export async function explainBetween(parts: SampleFigureParts, key: readonly string[]): Promise<FigureView | undefined> {
  return key.length > 4 ? betweenMeans(parts, key) : betweenInstants(parts, key);
}

async function betweenInstants(parts: SampleFigureParts, key: readonly string[]): Promise<FigureView | undefined> {
  const [first, channel = '', ...times] = key;
  const [session = Number.NaN, aUs = Number.NaN, bUs = Number.NaN] = [first, ...times].map(Number);
  if (channel === '' || ![session, aUs, bUs].every(Number.isFinite)) return undefined;
  const [a, b, startUs] = await Promise.all([
    parts.valueAt(session, channel, aUs),
    parts.valueAt(session, channel, bUs),
    parts.startUsOf(session),
  ]);
  if (!a || !b || startUs === undefined) return undefined;
  const at = (us: number) => `${((us - startUs) / 1e6).toFixed(3)} s`;
  const [low, high] = [Math.min(aUs, bUs), Math.max(aUs, bUs)];
  const { value, unit, worked } = difference(a.value, b.value, a.unit);
  const missing = [a, b].flatMap(({ value: end, quality }, i) =>
    end === null ? [`at ${i === 0 ? 'A' : 'B'} there is no number: ${quality}`] : [],
  );
  return {
    title: `${channel}, B − A`,
    value,
    unit,
    isDifference: true,
    rule: 'The last sample at or before cursor B, less the last at or before cursor A.',
    source: arithmetic,
    worked,
    doubts: [
      ...missing,
      ...[a, b].flatMap(({ quality }, i) => (quality === 'out-of-range' ? [`at ${i === 0 ? 'A' : 'B'} it is out of range`] : [])),
    ],
    stretches: [{ session, fromUs: low, toUs: high, what: `session ${session}, ${at(low)} to ${at(high)}` }],
    channels: [
      { session, channel, atUs: bUs, what: `${said(b.value, 3)} ${b.unit} at B, ${at(bUs)}` },
      { session, channel, atUs: aUs, what: `${said(a.value, 3)} ${a.unit} at A, ${at(aUs)}` },
    ],
    figures: [],
  };
}

async function betweenMeans(
  parts: SampleFigureParts,
  [session = '', channel = '', from = '', to = '', axis = '', ...ends]: readonly string[],
) {
  const keys = [ends.slice(0, 2), ends.slice(2, 4)].map((end) => [session, channel, from, to, axis, ...end]);
  const [a, b] = await Promise.all(keys.map((key) => explainMean(parts, key)));
  if (!a || !b) return undefined;
  const { value, unit, worked } = difference(a.value, b.value, a.unit);
  return {
    title: `${channel}, B − A`,
    value,
    unit,
    isDifference: true,
    rule: `The mean of the samples at whose time ${axis} lay about cursor B, less the mean about cursor A.`,
    source: arithmetic,
    worked,
    doubts: [],
    stretches: a.stretches,
    channels: [],
    figures: [b, a].map((mean, i) =>
      linkTo(toAddress('samples', ...(keys[1 - i] ?? [])), { ...mean, title: `${mean.title} at ${i === 0 ? 'B' : 'A'}` }),
    ),
  };
}

/** A difference of temperatures is in K. */
function difference(a: number | null, b: number | null, unit: string): Pick<FigureView, 'value' | 'unit' | 'worked'> {
  const value = a === null || b === null ? null : b - a;
  const of = unit === 'degC' ? 'K' : unit;
  return {
    value,
    unit: of,
    worked: value === null ? [] : [`${said(b, 3)} − ${(a ?? 0) < 0 ? `(${said(a, 3)})` : said(a, 3)} = ${said(value, 3)} ${of}`],
  };
}
