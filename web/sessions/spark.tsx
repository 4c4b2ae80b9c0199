// A session's line in the list: the lowest and highest of one channel over all of it, gaps as gaps.
import type { SessionView } from '../../server/contract/sessions.ts';
import { toNumberText, toWords } from '../shell/numbers.ts';

const height = 24;

export function Spark({ spark: { channel, bins } }: { spark: NonNullable<SessionView['spark']> }) {
  const known = bins.filter((bin) => bin !== null);
  const low = Math.min(...known.map(([lowest]) => lowest));
  const high = Math.max(...known.map(([, highest]) => highest));
  const range = known.length > 0 ? `${toNumberText(low, 0)} to ${toNumberText(high, 0)}` : 'no number';
  return (
    <figure class="spark">
      <svg
        viewBox={`0 0 ${Math.max(1, bins.length)} ${height}`}
        preserveAspectRatio="none"
        role="img"
        aria-label={`${toWords(channel)}: ${range}`}
      >
        {toBands(bins, low, high).map((band) => (
          <polygon key={band} points={band} />
        ))}
      </svg>
      <figcaption class="small quiet" aria-hidden="true">
        {toWords(channel)}
      </figcaption>
    </figure>
  );
}

/** A band for each stretch without a gap, at least a line thick: along the highest, and back along the lowest. */
export function toBands(bins: readonly ([number, number] | null)[], low: number, high: number): string[] {
  const span = high > low ? high - low : 1;
  const y = (value: number) => height - 1 - ((value - low) / span) * (height - 2);
  const bands: string[] = [];
  let run: { x: number; low: number; high: number }[] = [];
  const end = () => {
    if (run.length > 0) {
      const above = run.map((bin) => `${bin.x},${(y(bin.high) - 0.6).toFixed(2)}`);
      const below = run.map((bin) => `${bin.x},${(y(bin.low) + 0.6).toFixed(2)}`).reverse();
      bands.push([...above, ...below].join(' '));
    }
    run = [];
  };
  for (const [i, bin] of bins.entries()) {
    // Each bin is as wide as it is long in time.
    if (bin) for (const x of [i, i + 1]) run.push({ x, low: bin[0], high: bin[1] });
    else end();
  }
  end();
  return bands;
}
