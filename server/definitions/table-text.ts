// Text of a table, as a file or pasted from a spreadsheet or a manual, cut into rows and cells.
import { tableCellLettersMax } from '../limits.ts';

export interface TableRow {
  /** Line of the text on which the row begins, from 1: with the headings in line 1, what a spreadsheet numbers it. */
  row: number;
  cells: string[];
}

/** What may stand between cells; `  ` is two or more spaces, as text copied from a printed page has them. */
export const separators = ['\t', ';', ',', '|', '  '] as const;
export type Separator = (typeof separators)[number];

const lettersApart: readonly [letter: RegExp, plain: string][] = [
  [/ß/g, 'ss'],
  [/[æÆ]/g, 'ae'],
  [/[øØ]/g, 'o'],
  [/[łŁ]/g, 'l'],
  [/[đĐ]/g, 'd'],
  [/ı/g, 'i'],
];

/** Without accents and the like: `Größe` is Grosse. */
export function plainLetters(text: string): string {
  const folded = text.normalize('NFKD').replace(/[\u0300-\u036f]/g, '');
  return lettersApart.reduce((plain, [letter, as]) => plain.replace(letter, as), folded);
}

/**
 * Rows with something in them. A cell in quotes may hold the separator, line breaks, and quotes twice. With `|` the row's outer bars and
 * a line of dashes are no cells.
 */
export function splitTable(text: string, separator: Separator): TableRow[] {
  if (separator === '  ') return splitBySpaces(text);
  const rows: TableRow[] = [];
  const scanner = new Scanner(text.replace(/^\uFEFF/, ''), separator);
  for (let row = scanner.nextRow(); row; row = scanner.nextRow()) {
    const cells = separator === '|' ? withoutBars(row.cells) : row.cells;
    if (cells.some((cell) => cell !== '') && !cells.every((cell) => /^:?-*:?$/.test(cell))) rows.push({ row: row.row, cells });
  }
  return rows;
}

/**
 * Columns held apart by spaces. A row with fewer cells than the longest one before it has cells missing: each stands under the column in
 * which it begins, as the page had it.
 */
function splitBySpaces(text: string): TableRow[] {
  const lines = text.split(/\r?\n/).map((line, i) => ({ row: i + 1, pieces: [...line.matchAll(/\S+(?: \S+)*/g)] }));
  let starts: number[] = [];
  return lines.flatMap(({ row, pieces }) => {
    if (pieces.length === 0 || pieces.every(([piece]) => /^[-=_ ]+$/.test(piece))) return [];
    if (pieces.length >= starts.length) {
      starts = pieces.map(({ index }) => index);
      return [{ row, cells: pieces.map(([piece]) => piece.slice(0, tableCellLettersMax)) }];
    }
    const cells = starts.map(() => '');
    for (const { index, 0: piece } of pieces) {
      const at = Math.max(
        0,
        starts.findLastIndex((start) => start <= index + 1),
      );
      cells[at] = [cells[at], piece].filter(Boolean).join(' ');
    }
    return [{ row, cells }];
  });
}

function withoutBars(cells: string[]): string[] {
  const from = cells[0] === '' ? 1 : 0;
  const to = cells.length > 1 && cells.at(-1) === '' ? cells.length - 1 : cells.length;
  return cells.slice(from, to);
}

class Scanner {
  private readonly text: string;
  private readonly separator: string;
  private at = 0;
  private line = 1;

  constructor(text: string, separator: string) {
    this.text = text;
    this.separator = separator;
  }

  nextRow(): TableRow | undefined {
    if (this.at >= this.text.length) return undefined;
    const row = this.line;
    const cells: string[] = [];
    for (;;) {
      cells.push(this.nextCell());
      if (this.text[this.at] !== this.separator) break;
      this.at++;
    }
    if (this.text[this.at] === '\r') this.at++;
    if (this.text[this.at] === '\n') this.at++;
    this.line++;
    return { row, cells };
  }

  private nextCell(): string {
    const { text } = this;
    while (text[this.at] === ' ') this.at++;
    let cell = '';
    if (text[this.at] === '"') cell = this.quoted();
    const from = this.at;
    while (this.at < text.length && !this.endsCell(text[this.at] as string)) this.at++;
    return (cell + text.slice(from, this.at)).replace(/\s+/g, ' ').trim().slice(0, tableCellLettersMax);
  }

  private endsCell(character: string): boolean {
    return character === this.separator || character === '\n' || (character === '\r' && this.text[this.at + 1] === '\n');
  }

  private quoted(): string {
    const { text } = this;
    let cell = '';
    this.at++;
    while (this.at < text.length) {
      if (text[this.at] === '"' && text[this.at + 1] !== '"') {
        this.at++;
        break;
      }
      if (text[this.at] === '"') this.at++;
      if (text[this.at] === '\n') this.line++;
      cell += text[this.at++];
    }
    return cell;
  }
}
