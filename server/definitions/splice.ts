// The one writer of definition files: changes, adds or removes one value by splicing text at its place; nothing else in the file moves.
import { createHash } from 'node:crypto';
import { isDeepStrictEqual } from 'node:util';
import { isMap, isScalar, isSeq, type Node, type Pair, parseDocument, type YAMLMap, type YAMLSeq } from 'yaml';
import { EvenburnError } from '../errors.ts';
import { type Path, type YamlMap, YamlText, type YamlValue } from './yaml-text.ts';

/** What a page writes: plain data, or text of the file's language as it should stand there (`0x4C0` keeps its spelling). */
export type SpliceValue = string | number | boolean | SpliceValue[] | { [key: string]: SpliceValue } | YamlSource;

/** Text that goes into the file as it is; on several lines it is a block, and can only be inserted where the parent is one. */
export class YamlSource {
  readonly text: string;
  constructor(text: string) {
    this.text = text;
  }
}

/**
 * - `set`: the value at `path`, which is there, becomes `value`.
 * - `insert`: a new key `path.at(-1)` of a map, behind its last; or, with the list's length as last part, a new last item of a list.
 * - `remove`: the key or item at `path` goes, with its line where it stands on lines of its own.
 * - `rename`: the key at `path` becomes `name`, which the map doesn't hold yet; what it holds stays. Whatever names it elsewhere stays too.
 */
export type Splice =
  | { kind: 'set' | 'insert'; path: Path; value: SpliceValue }
  | { kind: 'remove'; path: Path }
  | { kind: 'rename'; path: Path; name: string };

/** Names a file's text: edits are made against the text that was read. */
export function hashOfText(text: string): string {
  return createHash('sha256').update(text).digest('hex');
}

/**
 * Applies one edit to a file's text.
 *
 * @param hash `hashOfText` of the text that the edit was made against.
 * @throws EvenburnError DEFINITION_CHANGED when the text is another; DEFINITION_PLACE_UNKNOWN when `path` isn't there (for `insert`:
 *   its parent); DEFINITION_NAME_TAKEN; DEFINITION_NOT_SPLICED when the text is written so that only a person can change it (aliases,
 *   `? key`).
 */
export function spliceYaml(text: string, hash: string, edit: Splice): string {
  if (hashOfText(text) !== hash) throw new EvenburnError('DEFINITION_CHANGED');
  const where = edit.path.join('.');
  const before = new YamlText({ path: '', text });
  if (before.faults.length > 0) throw new EvenburnError('DEFINITION_NOT_SPLICED', { where });
  const document = parseDocument(text, { intAsBigInt: true, uniqueKeys: false, logLevel: 'silent' });
  const result = new Splicer(text, document.contents as Node | null).apply(edit);
  if (result === undefined) throw new EvenburnError('DEFINITION_PLACE_UNKNOWN', { where });
  const after = new YamlText({ path: '', text: result });
  if (after.faults.length > 0 || !isDeepStrictEqual(after.data, edited(before.data, edit))) {
    throw new EvenburnError('DEFINITION_NOT_SPLICED', { where });
  }
  return result;
}

/** One line of flow YAML: `{ name: oil_temp, bytes: 2..3 }`. */
export function toFlowText(value: SpliceValue): string {
  if (value instanceof YamlSource) return value.text;
  if (Array.isArray(value)) return `[${value.map(toFlowText).join(', ')}]`;
  if (typeof value === 'object') {
    const pairs = Object.entries(value).map(([key, inner]) => `${toNameText(key)}: ${toFlowText(inner)}`);
    return pairs.length === 0 ? '{}' : `{ ${pairs.join(', ')} }`;
  }
  return typeof value === 'string' ? toScalarText(value) : String(value);
}

/** Plain where YAML reads it back as the same text inside a flow map, quoted otherwise. */
function toScalarText(text: string): string {
  const plain = /^[A-Za-z0-9_.%/-][\w .%/+*()<>=^-]*$/.test(text) && !/^[-.]|\s$|\s#/.test(text);
  if (plain) {
    const read = new YamlText({ path: '', text: `{ k: ${text} }` }).data;
    if (read instanceof Map && read.get('k') === text) return text;
  }
  return JSON.stringify(text);
}

/** A key is taken as it is written, so that cylinder 7 needs no quotes. */
function toNameText(name: string): string {
  return /^(0|[1-9]\d*)$/.test(name) ? name : toScalarText(name);
}

interface Span {
  start: number;
  end: number;
}

/** A collection and one entry in it. */
interface Found {
  parent: YAMLMap | YAMLSeq;
  index: number;
  value: Node | null;
}

class Splicer {
  private readonly text: string;
  private readonly root: Node | null;
  private readonly lineBreak: string;

  constructor(text: string, root: Node | null) {
    this.text = text;
    this.root = root;
    this.lineBreak = text.includes('\r\n') ? '\r\n' : '\n';
  }

  apply(edit: Splice): string | undefined {
    if (edit.kind === 'set') return this.set(edit.path, toFlowText(edit.value));
    if (edit.kind === 'rename') return this.rename(edit.path, edit.name);
    return edit.kind === 'insert' ? this.insert(edit.path, toFlowText(edit.value)) : this.remove(edit.path);
  }

  private rename(path: Path, name: string): string | undefined {
    const found = this.find(path);
    if (!found || !isMap(found.parent)) return undefined;
    if (entryIndex(found.parent, name)) throw new EvenburnError('DEFINITION_NAME_TAKEN', { name });
    const key = found.parent.items[found.index]?.key as Node | undefined;
    if (!key?.range) return undefined;
    const [start, end] = key.range;
    return this.replace({ start, end: start + this.text.slice(start, end).trimEnd().length }, toNameText(name));
  }

  private set(path: Path, value: string): string | undefined {
    const found = this.find(path);
    if (!found?.value?.range) return undefined;
    const [start, end] = found.value.range;
    const gap = start > 0 && this.text[start - 1] === ':' ? ' ' : '';
    return this.replace({ start, end: start + this.text.slice(start, end).trimEnd().length }, gap + value);
  }

  private insert(path: Path, value: string): string | undefined {
    const name = path.at(-1);
    const parent = path.length === 1 ? this.root : this.find(path.slice(0, -1))?.value;
    if (name === undefined) return undefined;
    const entry = this.toEntry(`${toNameText(String(name))}:`, value);
    if (path.length === 1 && !parent) return this.appendToEmptyFile(entry.join(this.lineBreak));
    if (isMap(parent) && !entryIndex(parent, name)) return this.append(parent, entry);
    if (isSeq(parent) && name === parent.items.length) return this.append(parent, this.toEntry('-', value), value);
    return undefined;
  }

  /** Lines of an entry as a block collection holds it: a value of several lines goes below its key, or beside and below its dash. */
  private toEntry(head: string, value: string): string[] {
    const [first = '', ...others] = value.split(/\r?\n/);
    if (others.length === 0) return [`${head} ${first}`];
    const below = others.map((line) => `  ${line}`);
    return head === '-' ? [`- ${first}`, ...below] : [head, `  ${first}`, ...below];
  }

  private appendToEmptyFile(entry: string): string {
    const gap = this.text === '' || this.text.endsWith('\n') ? '' : this.lineBreak;
    return `${this.text}${gap}${entry}${this.lineBreak}`;
  }

  /** Adds an entry behind the last; `flow` is how it stands between brackets. */
  private append(parent: YAMLMap | YAMLSeq, entry: string[], flow = entry.join('')): string | undefined {
    const last = parent.items.length - 1;
    const range = parent.range;
    if (!range) return undefined;
    if (parent.flow) {
      if (entry.length > 1) return last < 0 ? this.blockForBrackets(range, entry) : undefined;
      if (last < 0) return this.replace({ start: range[0] + 1, end: range[0] + 1 }, isMap(parent) ? ` ${flow} ` : flow);
      const { end } = this.spanOf(parent, last);
      return this.replace({ start: end, end }, `, ${flow}`);
    }
    const lineEnd = this.lineEnd(this.spanOf(parent, last).end);
    const indent = ' '.repeat(range[0] - this.lineStart(range[0]));
    return this.replace({ start: lineEnd, end: lineEnd }, entry.map((line) => `${this.lineBreak}${indent}${line}`).join(''));
  }

  /** Empty brackets behind a key become a block below it; undefined where they lie between brackets themselves. */
  private blockForBrackets([start, end]: readonly [number, number, number], entry: string[]): string | undefined {
    const before = this.text.slice(this.lineStart(start), start);
    if (/[[{]/.test(before) || !before.trimEnd().endsWith(':')) return undefined;
    const indent = ' '.repeat((/^\s*(?:-\s+)*/.exec(before)?.[0].length ?? 0) + 2);
    const lines = entry.map((line) => `${this.lineBreak}${indent}${line}`).join('');
    return this.replace({ start: this.lineStart(start) + before.trimEnd().length, end }, lines);
  }

  private remove(path: Path): string | undefined {
    const found = this.find(path);
    if (!found?.parent.range) return undefined;
    const { parent, index } = found;
    if (parent.items.length === 1) {
      const [start] = parent.range as [number, number, number];
      const end = parent.flow ? (parent.range as [number, number, number])[1] : this.spanOf(parent, 0).end;
      return this.replace({ start, end }, isMap(parent) ? '{}' : '[]');
    }
    return parent.flow ? this.removeFromFlow(parent, index) : this.removeLines(parent, index);
  }

  private removeFromFlow(parent: YAMLMap | YAMLSeq, index: number): string {
    const { start, end } = this.spanOf(parent, index);
    if (index < parent.items.length - 1) {
      const comma = this.findComma(end);
      return this.replace({ start, end: comma + 1 + (/^[ \t]*/.exec(this.text.slice(comma + 1))?.[0].length ?? 0) }, '');
    }
    const comma = this.findComma(this.spanOf(parent, index - 1).end);
    // What stands between the comma and the entry may be a comment: it stays.
    const between = this.text.slice(comma + 1, start);
    const kept = between.trim() === '' ? '' : between.trimEnd();
    return this.replace({ start: comma, end }, kept === '' ? '' : `${kept}${this.lineBreak}${' '.repeat(this.columnOf(start))}`);
  }

  private removeLines(parent: YAMLMap | YAMLSeq, index: number): string {
    const { start, end } = this.spanOf(parent, index);
    const lineStart = this.lineStart(start);
    const first = this.text.slice(lineStart, start).trim() !== '';
    // The first key of a list's item stands behind its dash: the next key moves up to it.
    if (first && index < parent.items.length - 1) return this.replace({ start, end: this.spanOf(parent, index + 1).start }, '');
    const lineEnd = this.lineEnd(end);
    const next = this.text.indexOf('\n', lineEnd);
    return this.replace({ start: lineStart, end: next < 0 ? lineEnd : next + 1 }, '');
  }

  /** From the first character of an entry (its key, or its dash) to the last of its value. */
  private spanOf(parent: YAMLMap | YAMLSeq, index: number): Span {
    const item = parent.items[index] as Node | Pair<Node, Node | null>;
    const key = isMap(parent) ? (item as Pair<Node, Node | null>).key : undefined;
    const value = isMap(parent) ? (item as Pair<Node, Node | null>).value : (item as Node);
    const valueEnd = value ? this.contentEnd(value) : 0;
    const keyEnd = key?.range ? this.text.indexOf(':', key.range[1]) + 1 : 0;
    const start = key?.range?.[0] ?? this.itemStart(parent, value);
    return { start, end: Math.max(valueEnd, keyEnd, start) };
  }

  private itemStart(parent: YAMLMap | YAMLSeq, value: Node | null): number {
    const start = value?.range?.[0] ?? parent.range?.[0] ?? 0;
    return parent.flow ? start : this.text.lastIndexOf('-', start - 1);
  }

  /** End of what a node says, blank lines and comments behind it left out. */
  private contentEnd(node: Node): number {
    const [start, end] = node.range as [number, number, number];
    if ((isMap(node) || isSeq(node)) && !node.flow && node.items.length > 0) return this.spanOf(node, node.items.length - 1).end;
    return start + this.text.slice(start, end).trimEnd().length;
  }

  private find(path: Path): Found | undefined {
    let node: Node | null | undefined = this.root;
    let found: Found | undefined;
    for (const part of path) {
      if (!isMap(node) && !isSeq(node)) return undefined;
      const index: number | undefined = isMap(node) ? entryIndex(node, part)?.index : Number(part);
      const item: unknown = index === undefined ? undefined : node.items[index];
      if (index === undefined || item === undefined) return undefined;
      const value: Node | null = isMap(node) ? (item as Pair<Node, Node | null>).value : (item as Node);
      found = { parent: node, index, value };
      node = value;
    }
    return found;
  }

  private findComma(from: number): number {
    let at = from;
    while (at < this.text.length && this.text[at] !== ',') {
      if (this.text[at] === '#') at = this.lineEnd(at);
      else at++;
    }
    return at;
  }

  private lineStart(at: number): number {
    return this.text.lastIndexOf('\n', at - 1) + 1;
  }

  private columnOf(at: number): number {
    return at - this.lineStart(at);
  }

  /** End of the line, without its line break. */
  private lineEnd(at: number): number {
    const next = this.text.indexOf('\n', at);
    if (next < 0) return this.text.length;
    return this.text[next - 1] === '\r' ? next - 1 : next;
  }

  private replace({ start, end }: Span, by: string): string {
    return this.text.slice(0, start) + by + this.text.slice(end);
  }
}

function entryIndex(map: YAMLMap, name: string | number): { index: number } | undefined {
  const index = map.items.findIndex(({ key }) => isScalar(key) && (key.source ?? String(key.value)) === String(name));
  return index < 0 ? undefined : { index };
}

/** The file's data as it must be after the edit. */
function edited(data: YamlValue, edit: Splice): YamlValue {
  const [part, ...rest] = edit.path;
  if (part === undefined || edit.path.length === 0) return data;
  if (rest.length > 0) {
    const inner = { ...edit, path: rest };
    if (Array.isArray(data)) return data.map((item, i) => (i === Number(part) ? edited(item, inner) : item));
    if (!(data instanceof Map)) return data;
    return new Map([...data].map(([key, value]) => [key, key === String(part) ? edited(value, inner) : value]));
  }
  if (edit.kind === 'rename') {
    if (!(data instanceof Map)) return data;
    return new Map([...data].map(([key, value]) => [key === String(part) ? edit.name : key, value]));
  }
  const value = edit.kind === 'remove' ? undefined : new YamlText({ path: '', text: toKeyText(toFlowText(edit.value)) }).data;
  const plain = value instanceof Map ? (value.get('k') ?? null) : null;
  if (Array.isArray(data)) return editedList(data, Number(part), edit.kind, plain);
  return editedMap(data instanceof Map ? data : new Map(), String(part), edit.kind, plain);
}

function toKeyText(value: string): string {
  return value.includes('\n') ? `k:\n  ${value.split(/\r?\n/).join('\n  ')}` : `k: ${value}`;
}

function editedList(list: YamlValue[], index: number, kind: Splice['kind'], value: YamlValue): YamlValue[] {
  if (kind === 'remove') return list.filter((_, i) => i !== index);
  return kind === 'set' ? list.map((item, i) => (i === index ? value : item)) : [...list, value];
}

function editedMap(map: YamlMap, key: string, kind: Splice['kind'], value: YamlValue): YamlMap {
  const result = new Map(map);
  if (kind === 'remove') result.delete(key);
  else result.set(key, value);
  return result;
}
