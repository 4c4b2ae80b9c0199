// `evenburn import-table TABLE -o device.yaml`: a device manual's table turned into a device file.
import { basename, extname } from 'node:path';
import { type Command, InvalidArgumentError, Option } from 'commander';
import type { TableField } from '../definitions/table-headings.ts';
import type { ImportedTable, TableOptions } from '../definitions/table-import.ts';
import type { RowNote } from '../definitions/table-rows.ts';
import { EvenburnError } from '../errors.ts';
import { AnswerIsNo } from './answer.ts';

interface ImportTableOptions {
  output?: string;
  force?: boolean;
  device?: string;
  title?: string;
  columns?: string;
  idBase?: 'hex' | 'dec';
  countFrom?: 0 | 1;
  bitNumbering?: TableOptions['bitNumbering'];
  byteOrder?: 'little' | 'big';
}

export function addImportTableCommand(program: Command): void {
  program
    .command('import-table')
    .argument('<table>', 'CSV, tab or semicolon table, a signal a row; - for standard input')
    .option('-o, --output <path>', 'device file to write; without it the file goes to standard output')
    .option('--force', 'overwrite the file')
    .option('--device <name>', "the device's name; that of the file by default")
    .option('--title <text>', 'what the device is, in words')
    .option('--columns <mapping>', 'field=heading, ...; an empty heading leaves a field out (docs/table-import.md)')
    .addOption(new Option('--id-base <base>', 'how ids without a prefix are written').choices(['hex', 'dec']))
    .option('--count-from <number>', 'what the first byte and bit are called: 0 or 1', parseCountFrom)
    .addOption(new Option('--bit-numbering <way>', 'how bits are numbered (docs/table-import.md)').choices(['lsb0', 'lsb0-low', 'msb0']))
    .addOption(new Option('--byte-order <order>', "of signals of which the table doesn't say it").choices(['little', 'big']))
    .description("turn a device manual's table into a device file; exit 1 and every conflict by row when it can't be one")
    .action(importTableCommand);
}

function parseCountFrom(text: string): number {
  if (text !== '0' && text !== '1') throw new InvalidArgumentError('It is 0 or 1.');
  return Number(text);
}

async function importTableCommand(path: string, options: ImportTableOptions): Promise<void> {
  const { output, force } = options;
  const { existsSync } = await import('node:fs');
  if (output !== undefined && !force && existsSync(output)) throw new EvenburnError('OUTPUT_FILE_EXISTS', { path: output });
  const text = await readTableText(path);
  const { importTable } = await import('../definitions/table-import.ts');
  const table = importTable(text, await toTableOptions(path, options));
  if (!table) throw new EvenburnError('TABLE_UNREADABLE', { path });
  report(path, table);
  if (table.conflicts.length > 0) throw new AnswerIsNo();
  await writeDefinition(table.text, output, force === true);
}

/**
 * To standard output, or to a file whose name is then the answer.
 * @throws EvenburnError OUTPUT_FILE_EXISTS, OUTPUT_FILE_UNWRITABLE
 */
export async function writeDefinition(text: string, output: string | undefined, force: boolean): Promise<void> {
  if (output === undefined) {
    process.stdout.write(text);
    return;
  }
  const { writeFileSync } = await import('node:fs');
  try {
    writeFileSync(output, text, { flag: force ? 'w' : 'wx' });
  } catch (error) {
    const { code, message } = error as NodeJS.ErrnoException;
    if (code === 'EEXIST') throw new EvenburnError('OUTPUT_FILE_EXISTS', { path: output });
    throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path: output, why: code ?? message }, error);
  }
  process.stdout.write(`${output}\n`);
}

async function toTableOptions(path: string, options: ImportTableOptions): Promise<TableOptions> {
  const { tableFields } = await import('../definitions/table-headings.ts');
  const { title, idBase, countFrom, bitNumbering, byteOrder } = options;
  return {
    device: toDeviceName(options.device ?? basename(options.output ?? path, extname(options.output ?? path))),
    ...(title === undefined ? {} : { title }),
    ...(options.columns === undefined ? {} : { columns: parseColumns<TableField>(options.columns, Object.keys(tableFields)) }),
    ...(idBase === undefined ? {} : { idBase }),
    ...(countFrom === undefined ? {} : { countFrom }),
    ...(bitNumbering === undefined ? {} : { bitNumbering }),
    ...(byteOrder === undefined ? {} : { byteOrder }),
  };
}

function toDeviceName(name: string): string {
  return name.replace(/[^A-Za-z0-9_-]+/g, '-').replace(/^[-_]+|[-_]+$/g, '') || 'device';
}

/** `FIELD=HEADING, ...` @throws EvenburnError USAGE_WRONG */
export function parseColumns<Field extends string>(text: string, fields: readonly string[]): Partial<Record<Field, string>> {
  const columns: Partial<Record<string, string>> = {};
  for (const part of text.split(',')) {
    const [field, ...heading] = part.split('=');
    const known = fields.find((name) => name === field?.trim());
    if (!known || heading.length === 0) {
      throw new EvenburnError('USAGE_WRONG', { what: `'${part}' is not FIELD=HEADING with a field of ${fields.join(', ')}` });
    }
    columns[known] = heading.join('=').trim();
  }
  return columns as Partial<Record<Field, string>>;
}

/** A file, or standard input for `-`. @throws EvenburnError INPUT_FILE_MISSING, INPUT_FILE_UNREADABLE */
export async function readTableText(path: string): Promise<string> {
  const { readFileSync } = await import('node:fs');
  const { tableBytesMax } = await import('../limits.ts');
  let bytes: Buffer;
  try {
    bytes = readFileSync(path === '-' ? 0 : path);
  } catch (error) {
    const { code, message } = error as NodeJS.ErrnoException;
    if (code === 'ENOENT') throw new EvenburnError('INPUT_FILE_MISSING', { path });
    throw new EvenburnError('INPUT_FILE_UNREADABLE', { path, why: code ?? message }, error);
  }
  if (bytes.length > tableBytesMax) {
    throw new EvenburnError('INPUT_FILE_UNREADABLE', { path, why: `larger than ${tableBytesMax / 1024} KiB` });
  }
  return bytes.toString('utf8');
}

function report(path: string, table: ImportedTable): void {
  const say = (what: string) => process.stderr.write(`evenburn: ${what}\n`);
  const signals = table.frames.reduce((count, frame) => count + frame.signals.length, 0);
  say(`${path}: ${table.frames.length} frames, ${signals} signals; counted from ${table.countFrom}, bits ${table.bitNumbering}`);
  if (table.unusedHeadings.length > 0) say(`columns left out: ${table.unusedHeadings.join(', ')}`);
  for (const note of table.notes) say(toLine(path, note, 'note'));
  for (const conflict of table.conflicts) say(toLine(path, conflict, 'conflict'));
}

export function toLine(path: string, { row, column, say, fix }: RowNote, kind: string): string {
  const where = row === undefined ? '' : `: row ${row}${column === undefined ? '' : `, column '${column}'`}`;
  return `${path}${where}: ${kind}: ${say}${fix ? `. ${fix}` : ''}`;
}
