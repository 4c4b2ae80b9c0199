// The vehicle's files as its editor changes them: read, tried out as a whole vehicle, and saved against what was read.
import { rmSync } from 'node:fs';
import { join, resolve } from 'node:path';
import type { DefinitionsView, DraftEdit, DraftNode, DraftRequest, DraftView, SaveRequest } from '../contract/definitions.ts';
import { loadVehicle, parseVehicle } from '../definitions/load-vehicle.ts';
import { createFile, replaceFile } from '../definitions/replace-file.ts';
import { hashOfText, type Splice, spliceYaml, YamlSource } from '../definitions/splice.ts';
import type { DefinitionFile } from '../definitions/vehicle.ts';
import { type Path, YamlText, type YamlValue } from '../definitions/yaml-text.ts';
import { EvenburnError } from '../errors.ts';
import { refuseNewFaults } from './vehicle-folder.ts';

/** @throws EvenburnError INPUT_FILE_UNREADABLE */
export async function readDefinitions(dir: string): Promise<DefinitionsView> {
  const { files, problems } = await loadVehicle(dir);
  return {
    folder: resolve(dir),
    files: files.map(({ path, text }) => ({ path, text, hash: hashOfText(text) })),
    problems: problems.map((problem) => ({ ...problem })),
  };
}

/**
 * Files that lie nowhere on disk, with changes to one of them. Pure.
 * @throws EvenburnError REQUEST_WRONG, what `spliceYaml` throws
 */
export function tryDraft({ files, path, edits }: DraftRequest): DraftView {
  const file = files.find((one) => one.path === path);
  if (!file) throw new EvenburnError('REQUEST_WRONG', { what: `no file ${path} in the draft` });
  const text = edits.reduce((before, edit) => spliceYaml(before, hashOfText(before), toSplice(edit)), file.text);
  const after = files.map((one) => (one === file ? { path, text } : one));
  const read = new YamlText({ path, text });
  return {
    text,
    problems: parseVehicle(after).problems.map((problem) => ({ ...problem })),
    tree: read.hasSyntaxErrors ? null : toNode(read, read.data, []),
  };
}

/**
 * Writes what changed, when every file is still as it was read. Nothing is written otherwise.
 *
 * @throws EvenburnError DEFINITION_CHANGED; DEFINITION_NOT_WRITTEN when the vehicle would have errors that it has not now and nobody said
 *   to save despite them; OUTPUT_FILE_UNWRITABLE.
 */
export async function saveDraft(dir: string, { changes, despiteErrors }: SaveRequest): Promise<DefinitionsView> {
  const { files, problems } = await loadVehicle(dir);
  for (const { path, hash } of changes) {
    const there = files.find((file) => file.path === path);
    if ((there ? hashOfText(there.text) : null) !== hash) throw new EvenburnError('DEFINITION_CHANGED', { path });
  }
  if (!despiteErrors) refuseNewFaults(changes[0]?.path ?? '', problems, parseVehicle(withChanges(files, changes)).problems);
  for (const { path, text, hash } of changes) {
    const at = join(dir, path);
    if (text === null) rmSync(at);
    else if (hash === null) createFile(at, text);
    else replaceFile(at, text);
  }
  return readDefinitions(dir);
}

function withChanges(files: readonly DefinitionFile[], changes: SaveRequest['changes']): DefinitionFile[] {
  const changed = new Set(changes.map(({ path }) => path));
  const written = changes.flatMap(({ path, text }) => (text === null ? [] : [{ path, text }]));
  return [...files.filter(({ path }) => !changed.has(path)), ...written];
}

function toSplice({ kind, at, value, source }: DraftEdit): Splice {
  if (kind === 'remove') return { kind, path: at };
  if (kind === 'rename') {
    if (typeof value !== 'string' || value.trim() === '')
      throw new EvenburnError('REQUEST_WRONG', { what: 'rename needs a value: the new name' });
    return { kind, path: at, name: value.trim() };
  }
  const written = source === undefined ? value : new YamlSource(source);
  if (written === undefined) throw new EvenburnError('REQUEST_WRONG', { what: `${kind} needs a value or a source` });
  return { kind, path: at, value: written };
}

function toNode(file: YamlText, value: YamlValue, path: Path): DraftNode {
  const range = file.rangeOfValue(path);
  const written = range ? file.text.slice(range.start, range.end).trim() : '';
  const where = placeOf(file, path, written);
  if (value instanceof Map) {
    return { ...where, kind: 'map', entries: [...value].map(([key, inner]) => ({ key, node: toNode(file, inner, [...path, key]) })) };
  }
  if (Array.isArray(value)) return { ...where, kind: 'list', items: value.map((item, i) => toNode(file, item, [...path, i])) };
  if (typeof value === 'string') return { ...where, kind: 'scalar', type: 'text', value };
  if (typeof value === 'boolean') return { ...where, kind: 'scalar', type: 'flag', value: String(value) };
  if (value === null) return { ...where, kind: 'scalar', type: 'nothing', value: '' };
  return { ...where, kind: 'scalar', type: 'number', value: written === '' ? String(value) : written };
}

function placeOf(file: YamlText, path: Path, written: string): { line: number; from: number; to: number; source?: string } {
  const key = file.placeOfKey(path);
  const value = file.placeOfValue(path);
  const oneLine = !written.includes('\n') && key.line === value.line;
  const place = { line: key.line, from: key.column, to: oneLine ? Math.max(key.endColumn, value.endColumn) : key.endColumn };
  return written === '' || written.includes('\n') ? place : { ...place, source: written };
}
