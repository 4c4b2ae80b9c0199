// Units through a formula: what each part is in, and what may not be added or compared.
import type { FormulaProblem } from './formula-problem.ts';
import type { ArithmeticNode, CallNode, ComparisonNode, FormulaNode } from './formula-tree.ts';
import { type Dimension, findUnit } from './unit.ts';

/** What a part is in. `unit` undefined: nothing is known (a plain number, a channel without unit, a product), and nothing is checked. */
export interface Measured {
  unit: string | undefined;
  /** A difference of temperatures, in K. */
  difference?: boolean;
}

const unmeasured: Measured = { unit: undefined };

/** The unit of a formula; problems are added to `problems`. */
export function measure(node: FormulaNode, unitOf: (channel: string) => string, problems: FormulaProblem[]): Measured {
  const measured = (part: FormulaNode) => measure(part, unitOf, problems);
  switch (node.kind) {
    case 'number':
      return { unit: node.unit };
    case 'name':
      return { unit: unitOf(node.name) || undefined };
    case 'unit':
      return unmeasured;
    case 'negate':
      return measured(node.of);
    case 'not':
      measured(node.of);
      return unmeasured;
    case 'logical':
      measured(node.left);
      measured(node.right);
      return unmeasured;
    case 'comparison':
      alike(node, measured(node.left), measured(node.right), 'compares', problems);
      return unmeasured;
    case 'arithmetic':
      return measureArithmetic(node, measured(node.left), measured(node.right), problems);
    case 'call':
      return measureCall(node, node.arguments.map(measured), problems);
  }
}

/** Says when the result's unit is another than the declared one. */
export function checkResultUnit(node: FormulaNode, measured: Measured, declared: string, problems: FormulaProblem[]): void {
  const { unit } = measured;
  if (declared === '' || unit === undefined || unit === declared) return;
  const convertible = dimensionOf(unit) === dimensionOf(declared) && measured.difference !== true;
  problems.push({
    offset: node.start,
    length: node.end - node.start,
    code: 'FORMULA_RESULT_UNIT',
    say: `the formula gives ${unit}, the channel is declared ${declared}`,
    fix: convertible ? `write in(..., ${declared}), or declare \`unit: ${unit}\`` : `declare \`unit: ${unit}\``,
  });
}

function dimensionOf(unit: string): Dimension | undefined {
  return findUnit(unit)?.dimension;
}

function isTemperature(unit: string | undefined): boolean {
  return unit !== undefined && dimensionOf(unit) === 'temperature';
}

function measureArithmetic(node: ArithmeticNode, left: Measured, right: Measured, problems: FormulaProblem[]): Measured {
  switch (node.operator) {
    case '+':
    case '-':
      return isTemperature(left.unit) || isTemperature(right.unit)
        ? measureTemperatures(node, left, right, problems)
        : alike(node, left, right, node.operator === '+' ? 'adds' : 'subtracts', problems);
    case '%':
      return alike(node, left, right, 'divides', problems);
    case '*':
    case '/':
    case '^':
      // A factor may convert (bar × 100 is kPa): of a product nothing is known.
      return unmeasured;
  }
}

/** degC - degC is K; degC ± K is degC; with a plain number beside it nothing is known. */
function measureTemperatures(node: ArithmeticNode, left: Measured, right: Measured, problems: FormulaProblem[]): Measured {
  if (left.unit === undefined || right.unit === undefined) return unmeasured;
  const minus = node.operator === '-';
  if (left.unit === right.unit && left.unit !== 'degF') {
    if (left.unit === 'K') return { unit: 'K', difference: left.difference === right.difference };
    return minus ? { unit: 'K', difference: true } : unmeasured;
  }
  if (left.unit === 'degC' && right.unit === 'K') return { unit: 'degC' };
  if (left.unit === 'K' && right.unit === 'degC' && !minus) return { unit: 'degC' };
  const fix = 'put both in one unit: in(..., degC)';
  problems.push(differ(node, left.unit, right.unit, minus ? 'subtracts' : 'adds', fix));
  return unmeasured;
}

/** Both sides must be in one unit; returns it. */
function alike(
  node: ArithmeticNode | ComparisonNode,
  left: Measured,
  right: Measured,
  doing: string,
  problems: FormulaProblem[],
): Measured {
  if (left.unit === undefined) return right;
  if (right.unit === undefined || left.unit === right.unit) return left;
  problems.push(differ(node, left.unit, right.unit, doing, cureOf(left.unit, right.unit)));
  return unmeasured;
}

function cureOf(left: string, right: string): string {
  const same = dimensionOf(left) === dimensionOf(right);
  return same ? `put both in one unit: in(..., ${left})` : 'they measure different things: no conversion makes them comparable';
}

function differ(node: FormulaNode, left: string, right: string, doing: string, fix: string): FormulaProblem {
  return {
    offset: node.start,
    length: node.end - node.start,
    code: 'FORMULA_UNITS_DIFFER',
    say: `this ${doing} ${left} and ${right}`,
    fix,
  };
}

const sameAsFirst = new Set(['abs', 'smooth', 'hold', 'round', 'floor', 'ceil', 'lag_corrected']);
const sameAsAll = new Set(['min', 'max', 'mean', 'median', 'clamp', 'spread']);

function measureCall(node: CallNode, given: Measured[], problems: FormulaProblem[]): Measured {
  const first = given[0] ?? unmeasured;
  if (node.name === 'in') return measureConversion(node, first, problems);
  if (sameAsFirst.has(node.name)) return first;
  if (sameAsAll.has(node.name)) {
    const all = allAlike(node, given, problems);
    return node.name === 'spread' ? differenceOf(all) : all;
  }
  if (node.name === 'if') return allAlike(node, given.slice(1), problems);
  if (node.name === 'rate')
    return first.unit === 'K' || first.unit === 'degC' ? { unit: 'K/s' } : first.unit === 'm' ? { unit: 'm/s' } : unmeasured;
  if (node.name === 'time_while') return { unit: 's' };
  if (node.name.startsWith('thermocouple_')) return measureThermocouple(node, given, problems);
  return unmeasured;
}

function differenceOf(measured: Measured): Measured {
  if (measured.unit === 'degC' || measured.unit === 'K') return { unit: 'K', difference: true };
  return measured.unit === 'degF' ? unmeasured : measured;
}

function allAlike(node: CallNode, given: Measured[], problems: FormulaProblem[]): Measured {
  const known = given.filter((one) => one.unit !== undefined);
  const [first] = known;
  const other = known.find((one) => one.unit !== first?.unit);
  if (first?.unit !== undefined && other?.unit !== undefined) {
    problems.push(differ(node, first.unit, other.unit, 'takes', cureOf(first.unit, other.unit)));
    return unmeasured;
  }
  return first ?? unmeasured;
}

function measureConversion(node: CallNode, from: Measured, problems: FormulaProblem[]): Measured {
  const to = node.arguments[1];
  if (to?.kind !== 'unit' || findUnit(to.name) === undefined) return unmeasured;
  const place = { offset: node.start, length: node.end - node.start };
  if (from.unit === undefined) {
    const say = 'the unit of what is converted is not known';
    problems.push({ ...place, code: 'FORMULA_UNITS_DIFFER', say, fix: 'convert the channels one by one, each needs a `unit`' });
  } else if (dimensionOf(from.unit) !== dimensionOf(to.name)) {
    problems.push({
      ...place,
      code: 'FORMULA_UNITS_DIFFER',
      say: `${from.unit} is no measure of what ${to.name} measures`,
      fix: 'choose a unit of the same kind',
    });
  } else if (from.difference === true && to.name !== 'K') {
    problems.push({ ...place, code: 'FORMULA_UNITS_DIFFER', say: 'a difference of temperatures is in K', fix: 'leave in(...) out' });
  }
  return { unit: to.name, ...(from.difference === true ? { difference: true } : {}) };
}

function measureThermocouple(node: CallNode, given: Measured[], problems: FormulaProblem[]): Measured {
  const needed = ['mV', 'degC'];
  for (const [i, one] of given.entries()) {
    const part = node.arguments[i] as FormulaNode;
    const unit = needed[i] as string;
    if (one.unit !== undefined && one.unit !== unit) {
      problems.push(differ(part, one.unit, unit, 'needs', `write in(..., ${unit})`));
    }
  }
  return { unit: 'degC' };
}
