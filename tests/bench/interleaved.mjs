// The form of every benchmark: both sides in turn, at least five rounds, the median of the rounds' ratios and the reference's own figure.

/**
 * @param {string} title What is compared with what.
 * @param {{ ours: () => number, reference: () => number, rounds?: number, floor?: number, goal: number, unit: string }} sides
 *   Each side runs once a round and returns a rate: more is better. Without a floor the figure is only told.
 * @returns {number} The median ratio; below `floor` the process will exit 1.
 */
export function compareInterleaved(title, { ours, reference, rounds = 7, floor = 0, goal, unit }) {
  const ratios = [];
  const references = [];
  for (let round = 0; round < rounds; round++) {
    const first = round % 2 === 0 ? ours() : undefined;
    const beside = reference();
    const own = first ?? ours();
    ratios.push(own / beside);
    references.push(beside);
  }
  const ratio = median(ratios);
  const spread = `${Math.min(...ratios).toFixed(2)} to ${Math.max(...ratios).toFixed(2)}`;
  const verdict = ratio >= goal ? 'goal reached' : floor === 0 ? 'no floor' : ratio >= floor ? 'floor reached' : 'BELOW THE FLOOR';
  process.stdout.write(`${title}\n`);
  process.stdout.write(
    `  ratio ${ratio.toFixed(3)} (median of ${rounds}, ${spread}); ${floor === 0 ? '' : `floor ${floor}, `}goal ${goal}: ${verdict}\n`,
  );
  process.stdout.write(`  reference ${format(median(references))} ${unit}\n`);
  if (ratio < floor) process.exitCode = 1;
  return ratio;
}

export function median(values) {
  const sorted = [...values].sort((a, b) => a - b);
  const middle = sorted.length >> 1;
  return sorted.length % 2 === 1 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2;
}

function format(rate) {
  return rate >= 1e6 ? `${(rate / 1e6).toFixed(2)} million` : rate.toFixed(1);
}
