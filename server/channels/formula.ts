// Formulas: infix arithmetic over channel names, checked with places. What they compile to is in formula-compile.ts.
import { findNearestName } from '../definitions/nearest-name.ts';
import { constantOf, eachName, secondsOf } from './formula-compile.ts';
import { type FormulaFunction, formulaFunctions } from './formula-functions.ts';
import type { FormulaCode, FormulaProblem, FormulaScope } from './formula-problem.ts';
import { type CallNode, type FormulaNode, parseFormula } from './formula-tree.ts';
import { checkResultUnit, measure } from './formula-units.ts';
import { findUnit, units } from './unit.ts';

/**
 * Everything that is wrong with a formula's text, with offsets, in the order of the text. Never throws, whatever the text.
 *
 * @param declaredUnit Unit that the result is declared to have; undefined checks nothing (conditions of alarms).
 */
export function checkFormula(text: string, scope: FormulaScope, declaredUnit?: string): FormulaProblem[] {
  const parsed = parseFormula(text);
  if ('problem' in parsed) return [parsed.problem];
  const problems: FormulaProblem[] = [];
  checkNames(parsed.node, scope, problems);
  if (problems.length === 0) {
    const measured = measure(parsed.node, (name) => scope.channels.get(name) ?? '', problems);
    if (problems.length === 0 && declaredUnit !== undefined) checkResultUnit(parsed.node, measured, declaredUnit, problems);
  }
  return problems.sort((a, b) => a.offset - b.offset);
}

/** Names of the channels that a formula uses, each once, in the order of the text; empty for a text that can't be parsed. */
export function formulaChannels(text: string): string[] {
  const parsed = parseFormula(text);
  if ('problem' in parsed) return [];
  const found = new Set<string>();
  eachName(parsed.node, (name) => found.add(name));
  return [...found];
}

/** A problem's text for a person: what, and what to do. */
function problem(node: { start: number; end: number }, code: FormulaCode, say: string, fix: string): FormulaProblem {
  return { offset: node.start, length: node.end - node.start, code, say, fix };
}

function checkNames(node: FormulaNode, scope: FormulaScope, problems: FormulaProblem[]): void {
  switch (node.kind) {
    case 'number':
      return;
    case 'unit':
      if (findUnit(node.name) === undefined) problems.push(unknownUnit(node));
      return;
    case 'name':
      if (!scope.channels.has(node.name)) problems.push(unknownName(node, node.name, scope));
      return;
    case 'negate':
    case 'not':
      checkNames(node.of, scope, problems);
      return;
    case 'call':
      checkCall(node, scope, problems);
      return;
    default:
      checkNames(node.left, scope, problems);
      checkNames(node.right, scope, problems);
  }
}

function nearest(name: string, names: Iterable<string>, otherwise: string): string {
  const found = findNearestName(name, names);
  return found === undefined ? otherwise : `did you mean '${found}'?`;
}

function unknownUnit(node: { start: number; end: number; name: string }): FormulaProblem {
  const fix = nearest(node.name, units.keys(), 'use a unit of docs/units.md');
  return problem(node, 'FORMULA_UNIT_UNKNOWN', `unknown unit '${node.name}'`, fix);
}

function unknownName(node: FormulaNode, name: string, scope: FormulaScope): FormulaProblem {
  if (formulaFunctions.has(name)) {
    return problem(node, 'FORMULA_NAME_UNKNOWN', `'${name}' is a function`, `write ${formulaFunctions.get(name)?.signature}`);
  }
  if (scope.tables.has(name)) {
    return problem(node, 'FORMULA_NAME_UNKNOWN', `'${name}' is a table`, `write interpolate(${name}, x)`);
  }
  const fix = nearest(name, scope.channels.keys(), 'name a channel of this vehicle');
  return problem(node, 'FORMULA_NAME_UNKNOWN', `no channel '${name}'`, fix);
}

function checkCall(node: CallNode, scope: FormulaScope, problems: FormulaProblem[]): void {
  const row = formulaFunctions.get(node.name);
  if (!row) {
    const fix = nearest(node.name, formulaFunctions.keys(), 'see the list in docs/formulas.md');
    const place = { start: node.start, end: node.start + node.name.length };
    problems.push(problem(place, 'FORMULA_FUNCTION_UNKNOWN', `no function '${node.name}'`, fix));
    return;
  }
  const given = node.arguments.length;
  if (given < row.least || given > row.most) {
    problems.push(problem(node, 'FORMULA_ARGUMENTS', `${node.name} takes ${argumentsOf(row)}, given ${given}`, `write ${row.signature}`));
    return;
  }
  for (const [i, part] of node.arguments.entries()) checkArgument(node, row, i, part, scope, problems);
}

function argumentsOf(row: FormulaFunction): string {
  const noun = (n: number) => `${n} argument${n === 1 ? '' : 's'}`;
  if (row.least === row.most) return noun(row.least);
  return row.most > 8 ? `at least ${noun(row.least)}` : `${row.least} to ${noun(row.most)}`;
}

function checkArgument(
  call: CallNode,
  row: FormulaFunction,
  i: number,
  part: FormulaNode,
  scope: FormulaScope,
  problems: FormulaProblem[],
): void {
  if (call.name === 'interpolate' && i === 0) {
    const known = part.kind === 'name' && scope.tables.has(part.name);
    if (!known) problems.push(unknownTable(part, scope));
    return;
  }
  if (call.name === 'in' && i === 1 && part.kind !== 'unit') {
    problems.push(problem(part, 'FORMULA_UNIT_UNKNOWN', 'the second argument of in(...) is a unit', 'write for example in(x, kPa)'));
    return;
  }
  const most = row.seconds?.get(i);
  if (most !== undefined) {
    checkSeconds(call, part, most, problems);
    return;
  }
  checkNames(part, scope, problems);
}

function unknownTable(part: FormulaNode, scope: FormulaScope): FormulaProblem {
  const name = part.kind === 'name' ? part.name : '';
  const fix = nearest(name, scope.tables.keys(), 'name a table of `tables:`');
  const say = name === '' ? 'the first argument of interpolate(...) is the name of a table' : `no table '${name}'`;
  return problem(part, 'FORMULA_NAME_UNKNOWN', say, fix);
}

function checkSeconds(call: CallNode, part: FormulaNode, most: number, problems: FormulaProblem[]): void {
  const seconds = secondsOf(part);
  if (seconds !== undefined && seconds > 0 && seconds <= most) return;
  const say = constantOf(part) === undefined ? `${call.name} takes a plain number of seconds here` : 'this time is not possible';
  problems.push(problem(part, 'FORMULA_ARGUMENTS', say, `write seconds above 0 and up to ${most}, for example 0.5 or 500 ms`));
}
