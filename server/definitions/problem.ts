// Faults in a user's definition files: their codes, and the list that gathers them with their places.
import { join } from 'node:path';
import type { Problem } from './vehicle.ts';
import type { Path, YamlText } from './yaml-text.ts';

/** Every class of fault with its severity; docs/definitions.md lists the same codes (a test compares). */
export const problemCodes = {
  FILE_MISSING: 'error',
  FILE_TOO_LARGE: 'error',
  YAML_SYNTAX: 'error',
  KEY_UNKNOWN: 'error',
  KEY_MISSING: 'error',
  KEY_DUPLICATE: 'error',
  KEY_CONFLICT: 'error',
  VALUE_MISSING: 'error',
  VALUE_WRONG_TYPE: 'error',
  VALUE_NOT_KNOWN: 'error',
  VALUE_OUT_OF_RANGE: 'error',
  QUANTITY_UNREADABLE: 'error',
  UNIT_UNKNOWN: 'error',
  UNIT_MISSING: 'error',
  UNIT_WRONG_DIMENSION: 'error',
  NAME_WRONG_FORM: 'error',
  NAME_RESERVED: 'error',
  NAME_DUPLICATE: 'error',
  SIGNALS_OVERLAP: 'error',
  SIGNAL_OUTSIDE_FRAME: 'error',
  SIGNAL_FLOAT_LENGTH: 'error',
  RAW_VALUE_OUTSIDE_BITS: 'error',
  REFERENCE_NOT_PRESSURE: 'error',
  WHEN_SIGNAL_UNKNOWN: 'error',
  WHEN_CYCLE: 'error',
  WHEN_NEVER: 'error',
  COUNTER_UNKNOWN: 'error',
  FRAME_ID_DUPLICATE: 'error',
  FRAME_ID_NEEDS_EXTENDED: 'error',
  FRAME_LENGTH_NOT_ALLOWED: 'error',
  DEVICE_UNKNOWN: 'error',
  BUS_UNKNOWN: 'error',
  BANK_UNKNOWN: 'error',
  CHANNEL_UNKNOWN: 'error',
  CHANNEL_NOT_MADE: 'error',
  CYLINDER_UNKNOWN: 'error',
  CYLINDER_DUPLICATE: 'error',
  CYLINDER_MISSING: 'error',
  FIRING_ORDER_WRONG: 'error',
  PLAN_UNKNOWN: 'error',
  GROUP_UNKNOWN: 'error',
  TRUNK_DEVICE_UNKNOWN: 'error',
  STEP_UNKNOWN: 'error',
  TABLE_NOT_ASCENDING: 'error',
  FUEL_FRACTIONS: 'error',
  FORMULA_EMPTY: 'error',
  FORMULA_TOO_LONG: 'error',
  FORMULA_TOO_DEEP: 'error',
  FORMULA_SYNTAX: 'error',
  FORMULA_NOT_ALLOWED: 'error',
  FORMULA_NAME_UNKNOWN: 'error',
  FORMULA_FUNCTION_UNKNOWN: 'error',
  FORMULA_ARGUMENTS: 'error',
  FORMULA_UNIT_UNKNOWN: 'error',
  FORMULA_UNITS_DIFFER: 'error',
  FORMULA_RESULT_UNIT: 'error',
  DERIVED_CYCLE: 'error',
  BYTE_ORDER_DOUBTFUL: 'warning',
  RANGE_BEYOND_BITS: 'warning',
  CHANNELS_SAME_MEANING: 'warning',
  PERIOD_TOO_SHORT: 'warning',
  BUS_OVERLOADED: 'warning',
  TRUNK_DEVICE_MISSING: 'warning',
  HARNESS_NAME_UNKNOWN: 'warning',
  LIMIT_NOT_UNDERSTOOD: 'warning',
} as const satisfies Record<string, Problem['severity']>;

export type ProblemCode = keyof typeof problemCodes;

/** What is wrong with one value, before its place is known. */
export interface Fault {
  code: ProblemCode;
  say: string;
  fix: string;
  /** Where inside the value, when it is a list or a map. */
  path?: Path;
  /** Which part of a scalar's text, counted in its value (not in quotes and escapes). */
  part?: { offset: number; length: number };
}

/** Gathers problems; nothing is thrown, so that one run finds all of them. */
export class ProblemList {
  readonly problems: Problem[] = [];
  private readonly meant = new Set<string>();

  /** Adds a fault at a value. A path that isn't in the file lands on its nearest parent. */
  addAtValue(file: YamlText, path: Path, fault: Fault): void {
    const full = fault.path ? [...path, ...fault.path] : path;
    this.push(file, file.placeOfValue(full, fault.part), fault);
  }

  /** Adds a fault at a key. */
  addAtKey(file: YamlText, path: Path, fault: Fault): void {
    this.push(file, file.placeOfKey(path), fault);
  }

  /** A key stands there under a mistyped name, which is told: that it is missing need not be. */
  addMeant(file: YamlText, path: Path): void {
    this.meant.add([file.path, ...path].join('\u0000'));
  }

  isMeant(file: YamlText, path: Path): boolean {
    return this.meant.has([file.path, ...path].join('\u0000'));
  }

  /** Adds a fault at a place that the caller knows. */
  add(place: Pick<Problem, 'file' | 'line' | 'column' | 'endColumn' | 'found'>, fault: Fault): void {
    const { file, line, column, endColumn, found } = place;
    const { code, say, fix } = fault;
    this.problems.push({ code, severity: problemCodes[code], file, line, column, endColumn, found, say, fix });
  }

  private push(file: YamlText, place: ReturnType<YamlText['placeOfValue']>, fault: Fault): void {
    this.add({ file: file.path, ...place }, fault);
  }

  get hasErrors(): boolean {
    return this.problems.some((problem) => problem.severity === 'error');
  }

  /** In reading order: the vehicle file first, then by file, line and column. */
  sorted(): Problem[] {
    const rank = (file: string) => (file === 'vehicle.yaml' ? 0 : 1);
    return [...this.problems].sort(
      (a, b) =>
        rank(a.file) - rank(b.file) ||
        (a.file < b.file ? -1 : a.file > b.file ? 1 : 0) ||
        a.line - b.line ||
        a.column - b.column ||
        (a.code < b.code ? -1 : a.code > b.code ? 1 : 0),
    );
  }
}

/** One line of text: `dir/file:line:column: error CODE: what was found. What to do.` Without `dir`, the file within its folder. */
export function toProblemLine(problem: Problem, dir = ''): string {
  const { file, line, column, severity, code, say, fix } = problem;
  return `${join(dir, file)}:${line}:${column}: ${severity} ${code}: ${say}. ${fix}`;
}

/** The offending line with carets under the offending text, for people at a terminal; a long line is cut to its part around it. */
export function toCaretLines(problem: Problem, text: string, widthMax = 120): string {
  const whole = (text.split('\n')[problem.line - 1] ?? '')
    .replace(/\r$/, '')
    .replace(/^\uFEFF/, '')
    .replaceAll('\t', ' ');
  const from = Math.max(0, Math.min(problem.column - 1 - Math.floor(widthMax / 3), whole.length - widthMax));
  const shown = whole.slice(from, from + widthMax);
  const start = problem.column - 1 - from;
  const length = Math.max(1, Math.min(problem.endColumn - problem.column, shown.length - start));
  const before = ' '.repeat(columnsOf(shown.slice(0, Math.max(0, start))));
  return `    ${shown}\n    ${before}${'^'.repeat(Math.max(1, columnsOf(shown.slice(start, start + length))))}`;
}

// Letters that a terminal draws two columns wide (Unicode Standard Annex 11, East Asian Width W and F, by their main blocks).
const wide = /[\u1100-\u115F\u2E80-\uA4CF\uAC00-\uD7A3\uF900-\uFAFF\uFE30-\uFE6F\uFF00-\uFF60\uFFE0-\uFFE6]|\p{Emoji_Presentation}/u;

/** How many columns of a terminal a text fills. */
function columnsOf(text: string): number {
  return [...text].reduce((sum, letter) => sum + (/\p{M}/u.test(letter) ? 0 : wide.test(letter) ? 2 : 1), 0);
}
