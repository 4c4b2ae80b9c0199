// What can be wrong with a formula, with its place in the text.

export type FormulaCode =
  | 'FORMULA_EMPTY'
  | 'FORMULA_TOO_LONG'
  | 'FORMULA_TOO_DEEP'
  | 'FORMULA_SYNTAX'
  | 'FORMULA_NOT_ALLOWED'
  | 'FORMULA_NAME_UNKNOWN'
  | 'FORMULA_FUNCTION_UNKNOWN'
  | 'FORMULA_ARGUMENTS'
  | 'FORMULA_UNIT_UNKNOWN'
  | 'FORMULA_UNITS_DIFFER'
  | 'FORMULA_RESULT_UNIT';

export interface FormulaProblem {
  /** Where in the text, in UTF-16 units from 0, and how long the offending part is (0: behind the end). */
  offset: number;
  length: number;
  code: FormulaCode;
  say: string;
  fix: string;
}

/** What a formula may name. */
export interface FormulaScope {
  /** Channel name → its unit ('' for none). */
  channels: ReadonlyMap<string, string>;
  /** Names of tables. */
  tables: { has(name: string): boolean; keys(): Iterable<string> };
}
