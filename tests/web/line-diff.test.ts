// The comparison before saving: applied to the text before, it gives the text after, whatever they are.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { toDiff } from '../../web/vehicle/line-diff.ts';

const shown = (before: string, after: string, around?: number) =>
  toDiff(before, after, around).map(({ kind, text }) => `${{ same: ' ', gone: '-', new: '+', skipped: '…' }[kind]}${text}`);

describe('the comparison of two texts', () => {
  it('shows what goes and what comes with the lines around it', () => {
    expect(shown('a\nb\nc\nd\ne\n', 'a\nb\nC\nd\ne\n', 1)).toEqual(['…', ' b', '-c', '+C', ' d', '…']);
  });

  it('shows a line that moved in as new, and lines that were kept as kept', () => {
    expect(shown('a\nb\nc\n', 'a\nx\nb\nc\n', 9)).toEqual([' a', '+x', ' b', ' c']);
  });

  it('shows a new file and a file that goes as a whole, and nothing for equal texts', () => {
    expect(shown('', 'a\nb\n')).toEqual(['+a', '+b']);
    expect(shown('a\nb\n', '')).toEqual(['-a', '-b']);
    expect(shown('a\n', 'a\n')).toEqual([]);
  });

  it('numbers lines as in the two texts', () => {
    expect(toDiff('a\nb\n', 'x\na\nb\n', 9)).toEqual([
      { kind: 'new', text: 'x', after: 1 },
      { kind: 'same', text: 'a', before: 1, after: 2 },
      { kind: 'same', text: 'b', before: 2, after: 3 },
    ]);
  });

  it('holds both texts in full, in order, for random texts', () => {
    const seed = Number(process.env.EVENBURN_SEED ?? 1);
    const text = fc.array(fc.constantFrom('a', 'b', 'c', ''), { maxLength: 30 }).map((lines) => lines.map((line) => `${line}\n`).join(''));
    fc.assert(
      fc.property(text, text, (before, after) => {
        fc.pre(before !== after);
        const lines = toDiff(before, after, 1000);
        const side = (kind: string) => lines.filter((line) => line.kind === 'same' || line.kind === kind).map((line) => `${line.text}\n`);
        expect([side('gone').join(''), side('new').join('')]).toEqual([before, after]);
      }),
      { seed },
    );
  });
});
