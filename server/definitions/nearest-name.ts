// The known name that a mistyped one most likely meant.

/**
 * The candidate with the smallest edit distance (a swap of neighbours counts one), or undefined when none is near:
 * at most a third of the letters, at least one change, none for names of one or two letters;
 * else the shortest candidate that contains the name. Upper and lower case are alike.
 */
export function findNearestName(name: string, candidates: Iterable<string>): string | undefined {
  const wanted = name.toLowerCase();
  let best: string | undefined;
  let bestDistance = (wanted.length <= 2 ? 0 : Math.max(1, Math.floor(wanted.length / 3))) + 1;
  for (const candidate of candidates) {
    if (Math.abs(candidate.length - wanted.length) >= bestDistance) continue;
    const distance = editDistance(wanted, candidate.toLowerCase());
    if (distance < bestDistance) {
      best = candidate;
      bestDistance = distance;
    }
  }
  return best ?? findLonger(wanted, candidates);
}

/** The shortest candidate that the name is a part of: `event` for `per event`. */
function findLonger(wanted: string, candidates: Iterable<string>): string | undefined {
  if (wanted.length < 4) return undefined;
  const longer = [...candidates].filter((candidate) => candidate.toLowerCase().includes(wanted));
  return longer.sort((a, b) => a.length - b.length)[0];
}

/** `did you mean 'x'?`, or the whole list when it is short and nothing is near. */
export function toSuggestion(name: string, candidates: Iterable<string>): string {
  const known = [...candidates];
  const nearest = findNearestName(name, known);
  if (nearest !== undefined) return `Did you mean '${nearest}'?`;
  if (known.length === 0) return 'None is defined.';
  return known.length <= 12 ? `Known: ${known.join(', ')}.` : `Known ones include ${known.slice(0, 8).join(', ')}.`;
}

/** Insertions, deletions, replacements and swaps of neighbours (optimal string alignment). */
function editDistance(a: string, b: string): number {
  let beforeLast: number[] = [];
  let last = Array.from({ length: b.length + 1 }, (_, j) => j);
  for (let i = 1; i <= a.length; i++) {
    const row = [i];
    for (let j = 1; j <= b.length; j++) {
      const same = a[i - 1] === b[j - 1];
      let cost = Math.min((last[j] ?? 0) + 1, (row[j - 1] ?? 0) + 1, (last[j - 1] ?? 0) + (same ? 0 : 1));
      if (i > 1 && j > 1 && a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1]) cost = Math.min(cost, (beforeLast[j - 2] ?? 0) + 1);
      row.push(cost);
    }
    beforeLast = last;
    last = row;
  }
  return last[b.length] ?? 0;
}
