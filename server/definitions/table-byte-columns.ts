// Tables that give a frame a row and each data byte a column, turned into the usual form: a signal a row.
import type { TableField } from './table-headings.ts';
import type { TableRow } from './table-text.ts';

export interface ByteRows {
  headings: string[];
  rows: TableRow[];
  /** Field → heading of the columns that stand for the bytes; empty where the table is of the usual form. */
  named: Partial<Record<TableField, string>>;
}

const byteHeading = /^(?:data\s*)?(?:bytes?|octet|bajt|data|d|b)?\s*[#[(]?\s*(\d{1,2})\s*[\])]?$/i;
const columnsMin = 3;
const contentHeading = 'Contents';

/**
 * Headings `Byte 0`, `Byte 1`, ... (or `D1`, `D2`, ..., or plain numbers), three or more in a row, become two columns: which byte, and what
 * is in it. What is called name there is the frame's. Any other table comes back as it was.
 */
export function toByteRows(headings: string[], rows: TableRow[]): ByteRows {
  const bytes = findByteColumns(headings);
  if (bytes.length < columnsMin) return { headings, rows, named: {} };
  const kept = headings.map((_, at) => at).filter((at) => !bytes.some((one) => one.at === at));
  // What the first column says settles how the table counts.
  const placeHeading = bytes[0]?.byte === 1 ? 'Byte (from 1)' : 'Byte';
  const frameHeading = kept.map((at) => headings[at] as string).find((heading) => /^(name|message|frame|msg|description)\b/i.test(heading));
  const unfolded = rows.flatMap(({ row, cells }) => {
    const beside = kept.map((at) => cells[at] ?? '');
    const filled = bytes.filter(({ at }) => !/^[-–—.]*$/.test(cells[at] ?? ''));
    return filled.map(({ at, byte }) => ({ row, cells: [...beside, String(byte), cells[at] as string] }));
  });
  return {
    headings: [...kept.map((at) => headings[at] as string), placeHeading, contentHeading],
    rows: unfolded,
    named: { byte: placeHeading, name: contentHeading, comment: '', ...(frameHeading === undefined ? {} : { frame: frameHeading }) },
  };
}

/** The longest run of columns whose numbers go up by one. */
function findByteColumns(headings: readonly string[]): { at: number; byte: number }[] {
  let best: { at: number; byte: number }[] = [];
  let run: { at: number; byte: number }[] = [];
  for (const [at, heading] of headings.entries()) {
    const number = byteHeading.exec(heading)?.[1];
    const byte = number === undefined ? undefined : Number(number);
    const goesOn = byte !== undefined && run.at(-1)?.byte === byte - 1;
    run = byte === undefined ? [] : goesOn ? [...run, { at, byte }] : [{ at, byte }];
    if (run.length > best.length) best = run;
  }
  return best;
}
