// `evenburn import-harness TABLE -o harness.yaml`: a wiring table, a wire a row, turned into a harness file.
import { basename, extname } from 'node:path';
import type { Command } from 'commander';
import type { HarnessField, HarnessTable } from '../definitions/harness-table.ts';
import { EvenburnError } from '../errors.ts';
import { AnswerIsNo } from './answer.ts';
import { parseColumns, readTableText, toLine, writeDefinition } from './import-table.ts';

interface ImportHarnessOptions {
  output?: string;
  force?: boolean;
  name?: string;
  columns?: string;
}

export function addImportHarnessCommand(program: Command): void {
  program
    .command('import-harness')
    .argument('<table>', 'CSV, tab or semicolon table, a wire a row; - for standard input')
    .option('-o, --output <path>', 'harness file to write; without it the file goes to standard output')
    .option('--force', 'overwrite the file')
    .option('--name <text>', "the harness's name; that of the table by default")
    .option('--columns <mapping>', 'field=heading, ...; an empty heading leaves a field out (docs/harness.md)')
    .description("turn a wiring table into a harness file; exit 1 and every conflict by row when it can't be one")
    .action(importHarnessCommand);
}

async function importHarnessCommand(path: string, { output, force, name, columns }: ImportHarnessOptions): Promise<void> {
  const { existsSync } = await import('node:fs');
  if (output !== undefined && !force && existsSync(output)) throw new EvenburnError('OUTPUT_FILE_EXISTS', { path: output });
  const { harnessFields, importHarnessTable } = await import('../definitions/harness-table.ts');
  const chosen = columns === undefined ? {} : parseColumns<HarnessField>(columns, Object.keys(harnessFields));
  const usual = path === '-' ? 'Harness' : basename(path, extname(path));
  const table = importHarnessTable(await readTableText(path), name ?? usual, chosen);
  if (!table) throw new EvenburnError('HARNESS_TABLE_UNREADABLE', { path });
  report(path, table);
  if (table.conflicts.length > 0) throw new AnswerIsNo();
  await writeDefinition(table.text, output, force === true);
}

function report(path: string, table: HarnessTable): void {
  const say = (what: string) => process.stderr.write(`evenburn: ${what}\n`);
  say(`${path}: ${table.wires} wires, ${table.connectors} connectors, ${table.circuits} circuits`);
  if (table.unusedHeadings.length > 0) say(`columns left out: ${table.unusedHeadings.join(', ')}`);
  for (const note of table.notes) say(toLine(path, note, 'note'));
  for (const conflict of table.conflicts) say(toLine(path, conflict, 'conflict'));
}
