// Typed, located access to one map of a scenario file: what is wrong is collected as problems, and reading goes on with a default.
import { isMap, isPair, isScalar, isSeq, type LineCounter, type Node, type Pair, type Scalar, type YAMLMap } from 'yaml';
import { findUnit, toUnit } from '../channels/unit.ts';
import type { Problem } from '../definitions/vehicle.ts';

/** The file being read and what was found wrong in it. */
export interface ScenarioFile {
  path: string;
  text: string;
  lines: LineCounter;
  problems: Problem[];
}

export class ScenarioNode {
  private readonly seen = new Set<string>();
  readonly file: ScenarioFile;
  private readonly map: YAMLMap;

  constructor(file: ScenarioFile, map: YAMLMap) {
    this.file = file;
    this.map = map;
  }

  has(key: string): boolean {
    return this.find(key) !== undefined;
  }

  /** The plain value of a key as text; undefined when it is absent or no scalar. */
  text(key: string): string | undefined {
    const node = this.take(key);
    if (node === undefined) return undefined;
    if (isScalar(node)) return String((node as Scalar).value);
    this.problem(node, `'${key}' takes one value`, 'Write one value.');
    return undefined;
  }

  /** One of `names`; anything else is a problem that lists them. */
  oneOf<T extends string>(key: string, names: readonly T[], usual: T): T {
    const text = this.text(key);
    if (text === undefined) return usual;
    if ((names as readonly string[]).includes(text)) return text as T;
    this.problemAt(key, `'${text}' is not known here`, nearestFix(text, names));
    return usual;
  }

  /** A number in `unit`, written with a unit (`90 ms`) or, where `unit` is none, without. */
  quantity(key: string, unit: string, usual: number): number {
    const text = this.text(key);
    if (text === undefined) return usual;
    const value = toQuantity(text, unit);
    if (value !== undefined) return value;
    this.problemAt(
      key,
      `'${text}' is no ${unit === '' ? 'number' : `value in ${unit}`}`,
      `Write ${unit === '' ? 'a number' : `a number and its unit, such as 5 ${unit}`}.`,
    );
    return usual;
  }

  needed(key: string, what: string): void {
    if (!this.has(key)) this.problem(this.map, `'${key}' is missing`, what);
  }

  yes(key: string, usual: boolean): boolean {
    return this.oneOf(key, ['true', 'false'], usual ? 'true' : 'false') === 'true';
  }

  /** A map below this one. */
  child(key: string): ScenarioNode | undefined {
    const node = this.take(key);
    if (node === undefined) return undefined;
    if (isMap(node)) return new ScenarioNode(this.file, node);
    this.problem(node, `'${key}' takes a map`, 'Write keys and values below it.');
    return undefined;
  }

  /** The maps of a list below this one. */
  children(key: string): ScenarioNode[] {
    const node = this.take(key);
    if (node === undefined) return [];
    if (!isSeq(node)) {
      this.problem(node, `'${key}' takes a list`, 'Write one item a line, each with a dash.');
      return [];
    }
    const maps: ScenarioNode[] = [];
    for (const item of node.items) {
      if (isMap(item)) maps.push(new ScenarioNode(this.file, item));
      else this.problem(item as Node, 'an item of the list is no map', 'Write it as { key: value }.');
    }
    return maps;
  }

  /** Plain items of a list, or one value as a list of one. */
  list(key: string): string[] {
    const node = this.take(key);
    if (node === undefined) return [];
    if (isSeq(node)) return node.items.map((item) => String(isScalar(item) ? item.value : ''));
    return isScalar(node) ? [String(node.value)] : [];
  }

  keys(): string[] {
    return this.map.items.map((item) => keyText(item));
  }

  /** Reports what no one asked for. */
  done(): void {
    for (const item of this.map.items) {
      const key = keyText(item);
      if (!this.seen.has(key)) this.problem(item.key as Node, `'${key}' is not known here`, nearestFix(key, [...this.seen]));
    }
  }

  problemAt(key: string, say: string, fix: string): void {
    this.problem(this.find(key) ?? this.map, say, fix);
  }

  problem(node: Node | YAMLMap | unknown, say: string, fix: string): void {
    const range = (node as Node | undefined)?.range ?? this.map.range ?? [0, 0, 0];
    this.file.problems.push(locatedProblem(this.file, range[0], range[1], say, fix));
  }

  private take(key: string): Node | undefined {
    this.seen.add(key);
    const node = this.find(key);
    return node === undefined || (isScalar(node) && node.value === null) ? undefined : node;
  }

  /** The value of a key; `3:` is found by '3', which the library keeps as a number. */
  private find(key: string): Node | undefined {
    return (this.map.items.find((item) => keyText(item) === key)?.value as Node | null | undefined) ?? undefined;
  }
}

function keyText(item: unknown): string {
  return isPair(item) ? String(isScalar((item as Pair).key) ? ((item as Pair).key as Scalar).value : '') : '';
}

/** A problem at a range of the file's text. */
export function locatedProblem(file: ScenarioFile, from: number, to: number, say: string, fix: string): Problem {
  const { line, col } = file.lines.linePos(from);
  const found = file.text.slice(from, to).split('\n')[0] as string;
  return { file: file.path, line, column: col, endColumn: col + found.length, code: 'SCENARIO_WRONG', severity: 'error', found, say, fix };
}

/** `90 ms` in the unit wanted; undefined when it has no unit of that kind. `rpm/s` is known besides the product's units. */
export function toQuantity(text: string, unit: string): number | undefined {
  const parts = /^([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)\s*(.*)$/i.exec(text.trim());
  if (!parts) return undefined;
  const value = Number(parts[1]);
  const written = parts[2] as string;
  if (written === unit) return value;
  // A difference of temperature, whichever way it is written.
  if (unit === 'K' && written === 'degC') return value;
  const from = findUnit(written);
  const to = findUnit(unit);
  if (!from || !to || written === '' || from.dimension !== to.dimension) return undefined;
  return toUnit(value, written, unit);
}

function nearestFix(text: string, names: readonly string[]): string {
  let best = '';
  let least = 3;
  for (const name of names) {
    const distance = editDistance(text, name);
    if (distance < least) [best, least] = [name, distance];
  }
  return best ? `Did you mean '${best}'?` : `Use one of: ${names.join(', ')}.`;
}

function editDistance(a: string, b: string): number {
  let row = Array.from({ length: b.length + 1 }, (_, i) => i);
  for (let i = 1; i <= a.length; i++) {
    const next = [i];
    for (let k = 1; k <= b.length; k++) {
      const swap = (row[k - 1] as number) + (a[i - 1] === b[k - 1] ? 0 : 1);
      next.push(Math.min(swap, (row[k] as number) + 1, (next[k - 1] as number) + 1));
    }
    row = next;
  }
  return row[b.length] as number;
}
