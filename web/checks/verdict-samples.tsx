// The samples around a verdict, kept with its run: drawn small, with the moment of the verdict marked.
import { toNumberText, toWords } from '../shell/numbers.ts';
import { toQuantityText, toShownNumber } from '../shell/units.ts';

export interface Samples {
  channel: string;
  unit: string;
  at: number[];
  value: (number | null)[];
}

const width = 240;
const height = 56;

export function isSamples(given: unknown): given is Samples {
  return typeof given === 'object' && given !== null && Array.isArray((given as Samples).at) && Array.isArray((given as Samples).value);
}

/** @param at The verdict's moment, seconds; undefined where it has none. */
export function VerdictSamples({ samples, at }: { samples: Samples; at: number | undefined }) {
  const known = samples.value.filter((value) => value !== null);
  if (known.length < 2) return null;
  const [low, high] = [Math.min(...known), Math.max(...known)];
  const [from, to] = [samples.at[0] as number, samples.at.at(-1) as number];
  const x = (seconds: number) => (to > from ? ((seconds - from) / (to - from)) * width : 0);
  const y = (value: number) => (high > low ? height - 3 - ((value - low) / (high - low)) * (height - 6) : height / 2);
  const range = `${toShownNumber(low, samples.unit)} to ${toQuantityText(high, samples.unit)}`;
  return (
    <figure class="verdict-samples">
      <svg viewBox={`0 0 ${width} ${height}`} role="img" aria-label={`${toWords(samples.channel)}, ${range}, from ${from} to ${to} s`}>
        {at !== undefined && at >= from && at <= to && <line class="moment" x1={x(at)} x2={x(at)} y1={0} y2={height} />}
        {toLines(samples, x, y).map((points) => (
          <polyline key={points} points={points} />
        ))}
      </svg>
      <figcaption class="small quiet">
        {toWords(samples.channel)}: {range}, {toNumberText(from, 1)} to {toNumberText(to, 1)} s
      </figcaption>
    </figure>
  );
}

/** A gap where a sample carries no number. */
function toLines({ at, value }: Samples, x: (seconds: number) => number, y: (value: number) => number): string[] {
  const lines: string[][] = [[]];
  for (const [i, one] of value.entries()) {
    if (one === null) lines.push([]);
    else lines.at(-1)?.push(`${x(at[i] as number).toFixed(1)},${y(one).toFixed(1)}`);
  }
  return lines.flatMap((points) => (points.length > 1 ? [points.join(' ')] : []));
}
