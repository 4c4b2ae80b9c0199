// Two texts compared line by line, for a look before saving: what goes, what comes, with a few lines around it.

export interface DiffLine {
  kind: 'same' | 'gone' | 'new' | 'skipped';
  text: string;
  /** Line number in the text before and after, from 1. */
  before?: number;
  after?: number;
}

/** Cells of the comparison; more changed lines than that are shown as one block that goes and one that comes. */
const cellsMax = 4_000_000;

/** Lines of the change, `around` unchanged ones before and after each; nothing when the texts are equal. */
export function toDiff(before: string, after: string, around = 3): DiffLine[] {
  if (before === after) return [];
  return withoutFarLines(allLines(toLines(before), toLines(after)), around);
}

/** Without the empty line behind the last line break. */
function toLines(text: string): string[] {
  const lines = text.split(/\r?\n/);
  if (lines.at(-1) === '') lines.pop();
  return lines;
}

function allLines(before: string[], after: string[]): DiffLine[] {
  let head = 0;
  while (head < before.length && head < after.length && before[head] === after[head]) head++;
  let tail = 0;
  while (tail < before.length - head && tail < after.length - head && before.at(-1 - tail) === after.at(-1 - tail)) tail++;
  const lines: DiffLine[] = [];
  const same = (i: number, k: number) => lines.push({ kind: 'same', text: before[i] ?? '', before: i + 1, after: k + 1 });
  for (let i = 0; i < head; i++) same(i, i);
  for (const line of middle(before.slice(head, before.length - tail), after.slice(head, after.length - tail))) {
    lines.push({
      ...line,
      ...(line.before === undefined ? {} : { before: line.before + head }),
      ...(line.after === undefined ? {} : { after: line.after + head }),
    });
  }
  for (let i = tail; i > 0; i--) same(before.length - i, after.length - i);
  return lines;
}

/** By the longest common subsequence of lines. */
function middle(before: string[], after: string[]): DiffLine[] {
  const width = after.length + 1;
  const tooMuch = before.length * width > cellsMax;
  const common = tooMuch ? undefined : commonLengths(before, after);
  const lines: DiffLine[] = [];
  let i = 0;
  let k = 0;
  while (i < before.length || k < after.length) {
    if (common && i < before.length && k < after.length && before[i] === after[k]) {
      lines.push({ kind: 'same', text: before[i] ?? '', before: ++i, after: ++k });
      continue;
    }
    const takeBefore =
      k >= after.length || (i < before.length && (!common || (common[(i + 1) * width + k] ?? 0) >= (common[i * width + k + 1] ?? 0)));
    if (takeBefore) lines.push({ kind: 'gone', text: before[i] ?? '', before: ++i });
    else lines.push({ kind: 'new', text: after[k] ?? '', after: ++k });
  }
  return lines;
}

/** Length of the longest common subsequence of the lines from (i, k) on, at i × (after + 1) + k. */
function commonLengths(before: string[], after: string[]): Uint32Array {
  const width = after.length + 1;
  const lengths = new Uint32Array((before.length + 1) * width);
  for (let i = before.length - 1; i >= 0; i--) {
    for (let k = after.length - 1; k >= 0; k--) {
      const at = i * width + k;
      lengths[at] = before[i] === after[k] ? (lengths[at + width + 1] ?? 0) + 1 : Math.max(lengths[at + width] ?? 0, lengths[at + 1] ?? 0);
    }
  }
  return lengths;
}

function withoutFarLines(lines: DiffLine[], around: number): DiffLine[] {
  const near = new Set<number>();
  for (const [i, { kind }] of lines.entries()) {
    if (kind !== 'same') for (let k = i - around; k <= i + around; k++) near.add(k);
  }
  const shown: DiffLine[] = [];
  for (const [i, line] of lines.entries()) {
    if (near.has(i)) shown.push(line);
    else if (shown.at(-1)?.kind !== 'skipped') shown.push({ kind: 'skipped', text: '' });
  }
  return shown;
}
