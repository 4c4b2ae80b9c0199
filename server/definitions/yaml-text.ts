// One definition file as YAML: its values as plain data, and the place in the text of every key and value.
import { createHash } from 'node:crypto';
import { isAlias, isMap, isScalar, isSeq, Lexer, type Node, type ParsedNode, Parser, parseDocument, type Scalar, type YAMLMap } from 'yaml';
import type { Fault } from './problem.ts';
import type { DefinitionFile } from './vehicle.ts';

/** Keys and indices from the top of the file; keys as they are written. */
export type Path = (string | number)[];

export type YamlMap = Map<string, YamlValue>;
/** Integers beyond 2^53 stay bigint, so that 64-bit masks keep all bits. */
export type YamlValue = string | number | bigint | boolean | null | YamlValue[] | YamlMap;

/** A stretch of text on one line; line and columns count from 1. */
export interface Place {
  line: number;
  column: number;
  endColumn: number;
  found: string;
}

interface Range {
  start: number;
  end: number;
}

interface Ranges {
  key?: Range;
  value?: Range;
  scalar?: Scalar;
}

/** Nodes of one file, aliases followed: more is an attack or a mistake. The largest file of one's own that is taken has fewer. */
const nodesMax = 60_000;
/** Lists and maps within one another. The parser's time grows steeply with it, and thousands of them end the process. */
const depthMax = 40;

/** A parsed file. Reading never throws: syntax errors are `faults`, and `data` is what could still be read. */
export class YamlText {
  readonly path: string;
  readonly text: string;
  readonly data: YamlValue;
  /** Syntax errors and keys given twice. */
  readonly faults: { place: Place; fault: Fault }[] = [];
  private readonly lineStarts: number[] = [0];
  private readonly ranges = new Map<string, Ranges>();
  private nodes = 0;

  constructor(file: DefinitionFile) {
    this.path = file.path;
    this.text = file.text;
    for (let i = file.text.indexOf('\n'); i >= 0; i = file.text.indexOf('\n', i + 1)) this.lineStarts.push(i + 1);
    const tooDeep = findTooDeep(file.text);
    if (tooDeep !== undefined) {
      this.addSyntaxFault(`lists and maps lie more than ${depthMax} deep within one another`, tooDeep, tooDeep + 1);
      this.data = null;
      return;
    }
    const document = parseDocument(file.text, { intAsBigInt: true, uniqueKeys: false, prettyErrors: false, logLevel: 'error' });
    for (const error of document.errors) {
      // YAML wants quotes around %, which is a unit here and reads as nothing else.
      const isPercent = error.code === 'BAD_SCALAR_START' && /^%\s*[,}\]#\r\n]/.test(`${file.text.slice(error.pos[0])}\n`);
      const message = error.code === 'MULTIPLE_DOCS' ? 'a second document begins here' : error.message;
      if (!isPercent) this.addSyntaxFault(message, error.pos[0], error.pos[1]);
    }
    const resolve = (node: Node): Node | undefined => (isAlias(node) ? node.resolve(document) : node);
    this.data = this.read(document.contents, [], resolve);
    if (this.nodes > nodesMax) this.addSyntaxFault(`the file holds more than ${nodesMax} values, aliases followed`, 0, 1);
  }

  get hash(): string {
    return createHash('sha256').update(this.text).digest('hex');
  }

  get hasSyntaxErrors(): boolean {
    return this.faults.some(({ fault }) => fault.code === 'YAML_SYNTAX');
  }

  /** Character range of the value at a path; undefined when it isn't there. */
  rangeOfValue(path: Path): Range | undefined {
    return this.ranges.get(keyOf(path))?.value;
  }

  rangeOfKey(path: Path): Range | undefined {
    return this.ranges.get(keyOf(path))?.key;
  }

  /**
   * Where a value stands, or the part of a scalar's text. A value that isn't in the file is shown by its nearest parent's key, or
   * by its parent's first line.
   */
  placeOfValue(path: Path, part?: { offset: number; length: number }): Place {
    const ranges = this.ranges.get(keyOf(path));
    if (!ranges?.value) return path.length === 0 ? this.placeOf({ start: 0, end: 0 }) : this.placeOfKey(path.slice(0, -1));
    if (!part || !ranges.scalar) return this.placeOf(ranges.value);
    const start = sourceOffset(this.text, ranges.value, ranges.scalar, part.offset);
    const end = sourceOffset(this.text, ranges.value, ranges.scalar, part.offset + part.length);
    return this.placeOf({ start, end: Math.max(end, start) });
  }

  /** Where a key stands; for an item of a list, and for the file itself, where its value begins. */
  placeOfKey(path: Path): Place {
    const ranges = this.ranges.get(keyOf(path));
    if (ranges?.key) return this.placeOf(ranges.key);
    if (ranges?.value) return this.placeOf(ranges.value);
    return path.length === 0 ? this.placeOf({ start: 0, end: 0 }) : this.placeOfKey(path.slice(0, -1));
  }

  private placeOf(range: Range): Place {
    const { line, column } = this.lineAndColumn(range.start);
    const lineEnd = this.text.indexOf('\n', range.start);
    const end = Math.min(range.end, lineEnd < 0 ? this.text.length : lineEnd);
    const found = this.text.slice(range.start, end).trimEnd();
    return { line, column, endColumn: column + Math.max(1, found.length), found };
  }

  private lineAndColumn(offset: number): { line: number; column: number } {
    let low = 0;
    let high = this.lineStarts.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if ((this.lineStarts[middle] ?? 0) <= offset) low = middle;
      else high = middle - 1;
    }
    // A byte order mark takes no column.
    const mark = low === 0 && this.text.charCodeAt(0) === 0xfeff ? 1 : 0;
    return { line: low + 1, column: Math.max(1, offset - (this.lineStarts[low] ?? 0) + 1 - mark) };
  }

  private addSyntaxFault(message: string, start: number, end: number): void {
    const say = message
      .replace(/\s+at line \d+.*$/s, '')
      .replace(/\s+/g, ' ')
      .replace(/[.:]$/, '');
    const fault: Fault = { code: 'YAML_SYNTAX', say, fix: 'Mend the YAML: check indentation, quotes, brackets and colons here.' };
    this.faults.push({ place: this.placeOf({ start: Math.min(start, this.text.length), end }), fault });
  }

  private read(node: Node | ParsedNode | null | undefined, path: Path, resolve: (node: Node) => Node | undefined): YamlValue {
    if (!node || ++this.nodes > nodesMax) return null;
    const target = resolve(node);
    const ranges: Ranges = { ...this.ranges.get(keyOf(path)) };
    if (node.range) ranges.value = { start: node.range[0], end: node.range[1] };
    if (isScalar(target) && target === node) ranges.scalar = target;
    this.ranges.set(keyOf(path), ranges);
    if (isScalar(target)) return toPlain(target);
    if (isSeq(target)) return target.items.map((item, i) => this.read(item as Node, [...path, i], resolve));
    if (isMap(target)) return this.readMap(target, path, resolve);
    return null;
  }

  private readMap(map: YAMLMap, path: Path, resolve: (node: Node) => Node | undefined): YamlMap {
    const result: YamlMap = new Map();
    for (const { key, value } of map.items) {
      const keyNode = key as Node;
      const name = isScalar(keyNode) ? (keyNode.source ?? String(keyNode.value)) : String(keyNode);
      const keyRange = keyNode.range ? { start: keyNode.range[0], end: keyNode.range[1] } : undefined;
      if (result.has(name)) {
        if (keyRange) this.addDuplicateKey(name, keyRange, this.ranges.get(keyOf([...path, name]))?.key);
        continue;
      }
      if (keyRange) this.ranges.set(keyOf([...path, name]), { key: keyRange });
      result.set(name, this.read(value as Node | null, [...path, name], resolve));
    }
    return result;
  }

  private addDuplicateKey(name: string, range: Range, first: Range | undefined): void {
    const where = first ? ` (first in line ${this.lineAndColumn(first.start).line})` : '';
    const fault: Fault = { code: 'KEY_DUPLICATE', say: `'${name}' is given twice${where}`, fix: 'Keep one of them.' };
    this.faults.push({ place: this.placeOf(range), fault });
  }
}

/**
 * Where lists and maps first lie too deep within one another; undefined where nowhere. The parser's first half, which doesn't recurse, is
 * asked before the half that does.
 */
function findTooDeep(text: string): number | undefined {
  const parser = new Parser();
  for (const lexeme of new Lexer().lex(text)) {
    for (const _ of parser.next(lexeme)) if (parser.stack.length > depthMax) break;
    if (parser.stack.length > depthMax) return Math.min(parser.offset, text.length);
  }
  return undefined;
}

function keyOf(path: Path): string {
  return path.join('\u0000');
}

/** A number with an exponent that has neither point nor sign: it may be meant as hexadecimal. */
export const exponentAlone = /^\d+[eE]\d+$/;

function toPlain(scalar: Scalar): YamlValue {
  const { value } = scalar;
  if (typeof value === 'bigint') return Number.isSafeInteger(Number(value)) ? Number(value) : value;
  // `4E0` is 4 to YAML, and an id to whoever copied it from a manual: what reads it decides.
  if (typeof value === 'number' && scalar.source !== undefined && exponentAlone.test(scalar.source)) return scalar.source;
  if (typeof value === 'string' || typeof value === 'number' || typeof value === 'boolean') return value;
  return null;
}

/** Offset in the file of character `offset` of a scalar's value; folded and block text lands on its beginning. */
function sourceOffset(text: string, range: Range, scalar: Scalar, offset: number): number {
  const quoted = scalar.type === 'QUOTE_DOUBLE' || scalar.type === 'QUOTE_SINGLE';
  if (!quoted) return scalar.type === 'PLAIN' ? Math.min(range.start + offset, range.end) : range.start;
  const escaping = scalar.type === 'QUOTE_DOUBLE' ? '\\' : "'";
  let at = range.start + 1;
  for (let k = 0; k < offset && at < range.end - 1; k++) at += text[at] === escaping ? escapeLength(text, at) : 1;
  return at;
}

function escapeLength(text: string, at: number): number {
  const digits = { x: 2, u: 4, U: 8 }[text[at + 1] ?? ''];
  return 2 + (digits ?? 0);
}
