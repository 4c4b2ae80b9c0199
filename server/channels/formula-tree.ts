// The text of a formula to a tree of our own, every node with its place; what isn't a formula becomes a problem with its place.
import jsep from 'jsep';
import { formulaDepthMax, formulaLengthMax } from '../limits.ts';
import type { FormulaCode, FormulaProblem } from './formula-problem.ts';
import { units } from './unit.ts';

interface Placed {
  /** Offsets in the text; `end` is just behind the last character. */
  start: number;
  end: number;
}

export const arithmeticOperators = ['+', '-', '*', '/', '%', '^'] as const;
export const comparisonOperators = ['<', '<=', '>', '>=', '==', '!='] as const;
export const logicalOperators = ['and', 'or'] as const;

export type ArithmeticOperator = (typeof arithmeticOperators)[number];
export type ComparisonOperator = (typeof comparisonOperators)[number];
export type LogicalOperator = (typeof logicalOperators)[number];

export interface NumberNode extends Placed {
  kind: 'number';
  value: number;
  /** Written behind the number: `300 kPa`. */
  unit?: string;
}
/** A channel, or as first argument of `interpolate` a table. */
export interface NameNode extends Placed {
  kind: 'name';
  name: string;
}
/** Second argument of `in`. */
export interface UnitNode extends Placed {
  kind: 'unit';
  name: string;
}
export interface NegateNode extends Placed {
  kind: 'negate';
  of: FormulaNode;
}
export interface NotNode extends Placed {
  kind: 'not';
  of: FormulaNode;
}
export interface ArithmeticNode extends Placed {
  kind: 'arithmetic';
  operator: ArithmeticOperator;
  left: FormulaNode;
  right: FormulaNode;
}
export interface ComparisonNode extends Placed {
  kind: 'comparison';
  operator: ComparisonOperator;
  left: FormulaNode;
  right: FormulaNode;
}
export interface LogicalNode extends Placed {
  kind: 'logical';
  operator: LogicalOperator;
  left: FormulaNode;
  right: FormulaNode;
}
export interface CallNode extends Placed {
  kind: 'call';
  name: string;
  arguments: FormulaNode[];
}

export type FormulaNode =
  | NumberNode
  | NameNode
  | UnitNode
  | NegateNode
  | NotNode
  | ArithmeticNode
  | ComparisonNode
  | LogicalNode
  | CallNode;

/** What jsep gives, with the places that our hooks add. */
interface Raw {
  type: string;
  start?: number;
  end?: number;
  grouped?: boolean;
  [key: string]: unknown;
}

/** Thrown inside this file only. */
class Refused extends Error {
  readonly problem: FormulaProblem;
  constructor(place: Placed, code: FormulaCode, say: string, fix: string) {
    super(say);
    this.problem = { offset: place.start, length: place.end - place.start, code, say, fix };
  }
}

/** The tree of a formula, or why there is none. Never throws, whatever the text. */
export function parseFormula(text: string): { node: FormulaNode } | { problem: FormulaProblem } {
  const blank = text.trim() === '';
  if (blank) return problemAt(0, 0, 'FORMULA_EMPTY', 'the formula is empty', 'write one, for example `oil_pressure / 2`');
  if (text.length > formulaLengthMax) {
    const say = `the formula has ${text.length} characters`;
    return problemAt(formulaLengthMax, text.length - formulaLengthMax, 'FORMULA_TOO_LONG', say, longFix);
  }
  try {
    const raw = jsep(text) as unknown as Raw;
    refuseLeftovers(text, raw);
    return { node: toNode(raw, text, 1) };
  } catch (error) {
    if (error instanceof Refused) return { problem: error.problem };
    return { problem: syntaxProblem(text, error) };
  }
}

const longFix = `at most ${formulaLengthMax}: split it into two derived channels`;
const deepFix = `at most ${formulaDepthMax} levels: split it into two derived channels`;

function problemAt(offset: number, length: number, code: FormulaCode, say: string, fix: string): { problem: FormulaProblem } {
  return { problem: { offset, length, code, say, fix } };
}

// --- jsep, set up once: our operators, no literals, and places on every node --------------------------------------------------------

jsep.removeAllBinaryOps();
jsep.removeAllUnaryOps();
jsep.removeAllLiterals();
const precedences: [operators: readonly string[], precedence: number][] = [
  [['or'], 1],
  [['and'], 2],
  [comparisonOperators, 6],
  [['+', '-'], 9],
  [['*', '/', '%'], 10],
];
for (const [operators, precedence] of precedences) for (const operator of operators) jsep.addBinaryOp(operator, precedence);
jsep.addBinaryOp('^', 14, true);
for (const operator of ['-', '+', 'not']) jsep.addUnaryOp(operator);

interface Scanner {
  index: number;
  readonly expr: string;
  throwError(message: string): never;
  starts?: number[];
}

const numberText = /(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?/y;
const nameText = /[A-Za-z_$\u0080-\uffff]/;
/** Longest first, so that `kg/h` is not read as `kg`. `%` is an operator behind a number. */
const unitNames = [...units.keys()].filter((name) => name !== '').sort((a, b) => b.length - a.length);

function unitAt(text: string, index: number): string | undefined {
  return unitNames.find((name) => text.startsWith(name, index) && !/[\w/]/.test(text[index + name.length] ?? ''));
}

jsep.hooks.add('gobble-token', function (this: unknown, env: { node?: unknown }) {
  const scanner = this as Scanner;
  scanner.starts ??= [];
  scanner.starts.push(scanner.index);
  if (scanner.starts.length > 4 * formulaDepthMax) scanner.throwError('too deep');
  env.node = numberAt(scanner) ?? convertedUnitAt(scanner);
} as never);

jsep.hooks.add('after-token', function (this: unknown, env: { node?: Raw | false }) {
  const scanner = this as Scanner;
  const start = scanner.starts?.pop() ?? 0;
  if (!env.node) return;
  if (scanner.expr[start] === '(') env.node.grouped = true;
  env.node.start = start;
  env.node.end = start + scanner.expr.slice(start, scanner.index).trimEnd().length;
} as never);

function numberAt(scanner: Scanner): Raw | undefined {
  numberText.lastIndex = scanner.index;
  const found = numberText.exec(scanner.expr)?.[0];
  if (found === undefined) return undefined;
  scanner.index += found.length;
  let behind = scanner.index;
  while (/\s/.test(scanner.expr[behind] ?? '')) behind++;
  const unit = unitAt(scanner.expr, behind);
  if (unit !== undefined && unit !== '%') scanner.index = behind + unit.length;
  else if (nameText.test(scanner.expr[scanner.index] ?? '')) scanner.throwError('a number runs into a name');
  return { type: 'Number', value: Number(found), unit: unit === '%' ? undefined : unit };
}

/** A unit where `in(..., unit)` takes one: `%` and `km/h` would be operators to the parser. */
function convertedUnitAt(scanner: Scanner): Raw | undefined {
  if (!/,\s*$/.test(scanner.expr.slice(0, scanner.index)) || enclosingCall(scanner) !== 'in') return undefined;
  const text = /^[^\s,()]+(?=\s*\))/.exec(scanner.expr.slice(scanner.index))?.[0];
  if (text === undefined) return undefined;
  scanner.index += text.length;
  return { type: 'Unit', name: text };
}

/** Name in front of the bracket that is open at the scanner's place. */
function enclosingCall(scanner: Scanner): string | undefined {
  let open = 0;
  for (let i = scanner.index - 1; i >= 0; i--) {
    if (scanner.expr[i] === ')') open++;
    else if (scanner.expr[i] === '(' && open-- === 0) return /([A-Za-z_]\w*)\s*$/.exec(scanner.expr.slice(0, i))?.[1];
  }
  return undefined;
}

// --- jsep's tree to ours: what isn't on the list is refused ---------------------------------------------------------------------------

function toNode(raw: Raw, text: string, depth: number): FormulaNode {
  if (depth > formulaDepthMax) throw new Refused(placeOf(raw), 'FORMULA_TOO_DEEP', 'the formula is nested too deeply', deepFix);
  switch (raw.type) {
    case 'Number':
      return toNumber(raw);
    case 'Unit':
      return { kind: 'unit', name: String(raw.name), ...placeOf(raw) };
    case 'Identifier':
      return { kind: 'name', name: String(raw.name), ...placeOf(raw) };
    case 'UnaryExpression':
      return toUnary(raw, text, depth);
    case 'BinaryExpression':
      return toBinary(raw, text, depth);
    case 'CallExpression':
      return toCall(raw, text, depth);
    default:
      throw refusedKind(raw, text);
  }
}

function toNumber(raw: Raw): NumberNode {
  const value = raw.value as number;
  if (!Number.isFinite(value)) throw new Refused(placeOf(raw), 'FORMULA_SYNTAX', 'the number is too large', 'write a smaller one');
  const unit = raw.unit as string | undefined;
  return { kind: 'number', value, ...(unit === undefined ? {} : { unit }), ...placeOf(raw) };
}

function toUnary(raw: Raw, text: string, depth: number): FormulaNode {
  const of = toNode(raw.argument as Raw, text, depth + 1);
  if (raw.operator === '+') return { ...of, ...placeOf(raw) };
  return { kind: raw.operator === 'not' ? 'not' : 'negate', of, ...placeOf(raw) };
}

function toBinary(raw: Raw, text: string, depth: number): FormulaNode {
  const operator = raw.operator as string;
  const leftRaw = raw.left as Raw;
  const left = toNode(leftRaw, text, depth + 1);
  const right = toNode(raw.right as Raw, text, depth + 1);
  // jsep binds a sign and `not` to the very next thing; in writing -x^2 is -(x^2), and `not a > b` is not (a > b).
  const bare = leftRaw.grouped !== true;
  if (bare && left.kind === 'negate' && operator === '^') return { ...left, of: joined(operator, left.of, right), end: right.end };
  if (bare && left.kind === 'not' && operator !== 'and' && operator !== 'or') {
    leftRaw.grouped = false;
    return { ...left, of: joined(operator, left.of, right), end: right.end };
  }
  if (bare && left.kind === 'comparison' && isOneOf(comparisonOperators, operator)) {
    const place = { start: left.start, end: right.end };
    throw new Refused(place, 'FORMULA_SYNTAX', 'two comparisons in a row', 'write `a < b and b < c`');
  }
  return { ...joined(operator, left, right), start: left.start };
}

function joined(operator: string, left: FormulaNode, right: FormulaNode): FormulaNode {
  const place = { start: left.start, end: right.end };
  if (isOneOf(arithmeticOperators, operator)) return { kind: 'arithmetic', operator, left, right, ...place };
  if (isOneOf(comparisonOperators, operator)) return { kind: 'comparison', operator, left, right, ...place };
  return { kind: 'logical', operator: operator as LogicalOperator, left, right, ...place };
}

function isOneOf<T extends string>(list: readonly T[], word: string): word is T {
  return (list as readonly string[]).includes(word);
}

function toCall(raw: Raw, text: string, depth: number): FormulaNode {
  const callee = raw.callee as Raw;
  if (callee.type !== 'Identifier') {
    throw new Refused(
      placeOf(raw),
      'FORMULA_NOT_ALLOWED',
      'only a function can be called',
      'write name(arguments), or put in the missing `*`',
    );
  }
  const given = (raw.arguments as (Raw | null)[]).map((argument) => {
    if (argument === null) throw new Refused(placeOf(raw), 'FORMULA_ARGUMENTS', 'an argument is empty', 'give it, or take the comma out');
    return toNode(argument, text, depth + 1);
  });
  return { kind: 'call', name: String(callee.name), arguments: given, ...placeOf(raw) };
}

function placeOf(raw: Raw): Placed {
  const start = raw.start ?? (raw.left ? placeOf(raw.left as Raw).start : 0);
  const end = raw.end ?? (raw.right ? placeOf(raw.right as Raw).end : start);
  return { start, end };
}

const kindsRefused: ReadonlyMap<string, [say: string, fix: string]> = new Map([
  ['MemberExpression', ['`.` and `[ ]` have no meaning here', 'name a channel as it is: letters, digits and _']],
  ['Literal', ['text has no place in a formula', 'name a channel without quotes']],
  ['ThisExpression', ['`this` is no channel', 'name a channel']],
  ['ArrayExpression', ['`[ ]` has no meaning here', 'put a curve under `tables:` and use interpolate(table, x)']],
  ['ConditionalExpression', ['`? :` is not known here', 'write if(condition, then, else)']],
  ['SequenceExpression', ['brackets hold two expressions', 'join them with an operator']],
  ['Compound', ['there is more than one expression', 'join them with an operator']],
]);

function refusedKind(raw: Raw, text: string): Refused {
  const [say, fix] = kindsRefused.get(raw.type) ?? ['this can not be part of a formula', 'see docs/formulas.md'];
  const place = raw.type === 'Compound' ? secondOf(raw, text) : placeOf(raw);
  return new Refused(place.end > place.start ? place : { start: place.start, end: text.length }, 'FORMULA_NOT_ALLOWED', say, fix);
}

function secondOf(raw: Raw, text: string): Placed {
  const second = (raw.body as Raw[])[1];
  return second ? { ...placeOf(second), end: text.trimEnd().length } : { start: 0, end: text.length };
}

/** jsep passes over `;` and `,` around an expression. */
function refuseLeftovers(text: string, raw: Raw): void {
  const at = text.search(/[;{}`]/);
  if (at >= 0) throw new Refused({ start: at, end: at + 1 }, 'FORMULA_SYNTAX', `'${text[at]}' has no meaning here`, 'take it out');
  if (raw.type === 'Compound') return;
  const { start, end } = placeOf(raw);
  const before = text.search(/\S/);
  const behind = text.trimEnd().length;
  if (text[before] === ',') throw new Refused({ start: before, end: before + 1 }, 'FORMULA_SYNTAX', 'a comma too many', 'take it out');
  if (start > end || text[behind - 1] !== ',') return;
  throw new Refused({ start: behind - 1, end: behind }, 'FORMULA_SYNTAX', 'a comma too many', 'take it out');
}

const hints: [pattern: RegExp, say: string, fix: string][] = [
  [/too deep/, 'the formula is nested too deeply', deepFix],
  [/runs into a name/, 'a number runs into a name', 'put an operator between, or a unit of docs/units.md behind the number'],
  [/Expected expression after|missing unaryOp/, 'something is missing here', 'give the value that the operator needs'],
  [/Unclosed \(|Expected \)/, 'a bracket is not closed', 'add `)`'],
  [/Unclosed quote/, 'text has no place in a formula', 'name a channel without quotes'],
];

function syntaxProblem(text: string, error: unknown): FormulaProblem {
  const description = String((error as { description?: unknown }).description ?? '');
  const at = (error as { index?: unknown }).index;
  const offset = Math.min(typeof at === 'number' ? at : 0, text.length);
  const rest = text.slice(offset);
  if (/too deep/.test(description) || error instanceof RangeError) {
    return { offset, length: 0, code: 'FORMULA_TOO_DEEP', say: 'the formula is nested too deeply', fix: deepFix };
  }
  const foreign = /^(&&|\|\||!(?!=)|=(?!=)|\?|&|\||~)/.exec(rest)?.[0];
  if (foreign !== undefined) {
    const fix = foreignFixes.get(foreign) ?? 'see docs/formulas.md';
    return { offset, length: foreign.length, code: 'FORMULA_NOT_ALLOWED', say: `'${foreign}' is not known here`, fix };
  }
  const [, say, fix] = hints.find(([pattern]) => pattern.test(description)) ?? [
    undefined,
    rest === '' ? 'the formula ends too early' : `'${rest[0]}' is not expected here`,
    'see docs/formulas.md',
  ];
  return { offset, length: rest === '' ? 0 : 1, code: 'FORMULA_SYNTAX', say, fix };
}

const foreignFixes: ReadonlyMap<string, string> = new Map([
  ['&&', 'write `and`'],
  ['||', 'write `or`'],
  ['!', 'write `not`'],
  ['=', 'write `==` to compare; a formula can not assign'],
  ['?', 'write if(condition, then, else)'],
  ['&', 'write `and`'],
  ['|', 'write `or`'],
]);
