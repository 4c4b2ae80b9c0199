// A checked formula's tree to closures over the channel table.
import type { ChannelTable } from './channel-table.ts';
import type { Computation } from './computation.ts';
import { type Evaluate, type Evaluation, type Memory, worth } from './evaluation.ts';
import { formulaFunctions } from './formula-functions.ts';
import {
  type ArithmeticNode,
  type ArithmeticOperator,
  type ComparisonNode,
  type ComparisonOperator,
  type FormulaNode,
  parseFormula,
} from './formula-tree.ts';
import { measure } from './formula-units.ts';
import { fuseChannels, fuseNumber } from './fused-parts.ts';
import type { QualityCode } from './quality.ts';
import { findUnit, toUnit, type Unit } from './unit.ts';

export type TablePoints = readonly (readonly [x: number, y: number])[];

/** What a formula is compiled against. */
export interface FormulaContext {
  evaluation: Evaluation;
  /** Channel name → index in the table. */
  slots: ReadonlyMap<string, number>;
  /** Channel index → unit. */
  unitOf(slot: number): string;
  tables: ReadonlyMap<string, TablePoints>;
}

/** A formula ready to run; `inputs` are the channels that it names, each once, in the order of the text. */
export interface CompiledFormula extends Computation {
  text: string;
}

/** Compiles a formula that `checkFormula` finds nothing wrong with; throws on any other, since that is a programmer's error. */
export function compileFormula(text: string, context: FormulaContext): CompiledFormula {
  const parsed = parseFormula(text);
  if ('problem' in parsed) throw new Error(`formula '${text}': ${parsed.problem.say}`);
  const compiler = new Compiler(context);
  const run = compiler.compile(parsed.node);
  const inputs = slotsOf(parsed.node, context);
  return new RunnableFormula(text, inputs, run, context.evaluation, compiler.memories);
}

class RunnableFormula implements CompiledFormula {
  readonly text: string;
  readonly inputs: number[];
  value = 0;
  quality: QualityCode = 0;
  private readonly run: Evaluate;
  private readonly evaluation: Evaluation;
  private readonly memories: readonly Memory[];

  constructor(text: string, inputs: number[], run: Evaluate, evaluation: Evaluation, memories: readonly Memory[]) {
    this.text = text;
    this.inputs = inputs;
    this.run = run;
    this.evaluation = evaluation;
    this.memories = memories;
  }

  evaluate(): void {
    const { evaluation } = this;
    evaluation.worst = 0;
    const value = this.run();
    const worst = evaluation.worst;
    this.quality = worst === 0 ? 0 : evaluation.quality;
    this.value = worst > worth.outOfRange ? 0 : value;
  }

  save(): unknown[] {
    return this.memories.map((memory) => memory.save());
  }

  restore(saved: readonly unknown[]): void {
    for (const [i, memory] of this.memories.entries()) memory.restore(saved[i]);
  }
}

/** Channels below a node, each once. */
function slotsOf(node: FormulaNode, context: FormulaContext): number[] {
  const found = new Set<number>();
  eachName(node, (name) => {
    const slot = context.slots.get(name);
    if (slot !== undefined) found.add(slot);
  });
  return [...found];
}

/** Calls `visit` with every name below a node that stands for a channel (tables left out), in the order of the text. */
export function eachName(node: FormulaNode, visit: (name: string, at: FormulaNode) => void): void {
  switch (node.kind) {
    case 'name':
      visit(node.name, node);
      return;
    case 'negate':
    case 'not':
      eachName(node.of, visit);
      return;
    case 'arithmetic':
    case 'comparison':
    case 'logical':
      eachName(node.left, visit);
      eachName(node.right, visit);
      return;
    case 'call':
      for (const part of node.name === 'interpolate' ? node.arguments.slice(1) : node.arguments) eachName(part, visit);
  }
}

class Compiler {
  readonly memories: Memory[] = [];
  private readonly context: FormulaContext;
  private readonly evaluation: Evaluation;
  private readonly table: ChannelTable;

  constructor(context: FormulaContext) {
    this.context = context;
    this.evaluation = context.evaluation;
    this.table = context.evaluation.table;
  }

  compile(node: FormulaNode): Evaluate {
    switch (node.kind) {
      case 'number': {
        const { value } = node;
        return () => value;
      }
      case 'name':
        return this.channel(this.slot(node.name));
      case 'unit':
        throw new Error(`a unit is no value: ${node.name}`);
      case 'negate': {
        const of = this.compile(node.of);
        return () => -of();
      }
      case 'not': {
        const of = this.compile(node.of);
        return () => (of() === 0 ? 1 : 0);
      }
      case 'arithmetic':
        return this.fused(node) ?? arithmetic(node.operator, this.evaluation, this.compile(node.left), this.compile(node.right));
      case 'comparison':
        return this.fused(node) ?? comparison(node.operator, this.compile(node.left), this.compile(node.right));
      case 'logical':
        return logical(node.operator === 'and' ? 0 : 1, this.evaluation, this.compile(node.left), this.compile(node.right));
      case 'call':
        return this.call(node.name, node.arguments);
    }
  }

  /** One closure for a channel with a channel or a number, where there is one. */
  private fused({ operator, left, right }: ArithmeticNode | ComparisonNode): Evaluate | undefined {
    if (left.kind !== 'name') return undefined;
    const slot = this.slot(left.name);
    if (right.kind === 'name') return fuseChannels(operator, this.evaluation, slot, this.slot(right.name));
    const constant = constantOf(right);
    return constant === undefined ? undefined : fuseNumber(operator, this.evaluation, slot, constant);
  }

  private slot(name: string): number {
    const slot = this.context.slots.get(name);
    if (slot === undefined) throw new Error(`no channel '${name}'`);
    return slot;
  }

  private channel(slot: number): Evaluate {
    const { value, quality } = this.table;
    const { evaluation } = this;
    return () => {
      const q = quality[slot] as number;
      if (q !== 0) evaluation.note(q);
      return value[slot] as number;
    };
  }

  private call(name: string, parts: FormulaNode[]): Evaluate {
    if (name === 'in') return this.conversion(parts[0] as FormulaNode, parts[1] as FormulaNode);
    const row = formulaFunctions.get(name);
    if (!row) throw new Error(`no function '${name}'`);
    const isTable = name === 'interpolate';
    return row.build({
      evaluation: this.evaluation,
      arguments: parts.map((part, i) => (isTable && i === 0 ? () => 0 : this.compile(part))),
      constants: parts.map((part) => secondsOf(part)),
      table: isTable ? (this.context.tables.get((parts[0] as { name: string }).name) ?? []) : [],
      newestUs: this.newest(parts),
      remember: (memory) => {
        this.memories.push(memory);
        return memory;
      },
    });
  }

  private conversion(part: FormulaNode, to: FormulaNode): Evaluate {
    const of = this.compile(part);
    const from = findUnit(this.unitOf(part)) as Unit;
    const target = findUnit((to as { name: string }).name) as Unit;
    if (from === target) return of;
    const { scale, shift } = from;
    const { scale: scaleTo, shift: shiftTo } = target;
    // The same order of operations as `toUnit`, so that both give the same bits.
    return () => (of() * scale + shift - shiftTo) / scaleTo;
  }

  private unitOf(part: FormulaNode): string {
    return measure(part, (name) => this.context.unitOf(this.slot(name)), []).unit ?? '';
  }

  /** Time of the newest sample among the channels below; the instant where there is none. */
  private newest(parts: FormulaNode[]): () => number {
    const { timeUs } = this.table;
    const { evaluation } = this;
    const slots = [...new Set(parts.flatMap((part) => slotsOf(part, this.context)))];
    const [only] = slots;
    if (only === undefined) return () => evaluation.timeUs;
    if (slots.length === 1) return () => timeUs[only] as number;
    return () => {
      let newestUs = -1;
      for (const slot of slots) if ((timeUs[slot] as number) > newestUs) newestUs = timeUs[slot] as number;
      return newestUs;
    };
  }
}

/** A plain number's value, with a sign; undefined for anything else. */
export function constantOf(node: FormulaNode): number | undefined {
  if (node.kind === 'number') return node.value;
  if (node.kind !== 'negate') return undefined;
  const of = constantOf(node.of);
  return of === undefined ? undefined : -of;
}

/** A plain number as seconds: converted where a unit of time stands behind it. */
export function secondsOf(node: FormulaNode): number | undefined {
  if (node.kind !== 'number') return undefined;
  if (node.unit === undefined) return node.value;
  return findUnit(node.unit)?.dimension === 'time' ? toUnit(node.value, node.unit, 's') : undefined;
}

function arithmetic(operator: ArithmeticOperator, evaluation: Evaluation, left: Evaluate, right: Evaluate): Evaluate {
  switch (operator) {
    case '+':
      return () => evaluation.finite(left() + right());
    case '-':
      return () => evaluation.finite(left() - right());
    case '*':
      return () => evaluation.finite(left() * right());
    case '/':
      // 0 / 0 isn't a number and 1 / 0 is infinite: neither is a result.
      return () => evaluation.finite(left() / right());
    case '%':
      return () => evaluation.finite(left() % right());
    case '^':
      return () => evaluation.finite(left() ** right());
  }
}

function comparison(operator: ComparisonOperator, left: Evaluate, right: Evaluate): Evaluate {
  switch (operator) {
    case '<':
      return () => (left() < right() ? 1 : 0);
    case '<=':
      return () => (left() <= right() ? 1 : 0);
    case '>':
      return () => (left() > right() ? 1 : 0);
    case '>=':
      return () => (left() >= right() ? 1 : 0);
    case '==':
      return () => (left() === right() ? 1 : 0);
    case '!=':
      return () => (left() !== right() ? 1 : 0);
  }
}

/**
 * Kleene's `and` (deciding = 0) and `or` (deciding = 1): a known side of the deciding value decides, whatever the other; else an unknown
 * side makes it unknown. Both sides always run, so that functions with a state see every sample.
 */
function logical(deciding: 0 | 1, evaluation: Evaluation, left: Evaluate, right: Evaluate): Evaluate {
  return () => {
    const before = evaluation.worst;
    evaluation.worst = 0;
    const a = left() === 0 ? 0 : 1;
    const worstA = evaluation.worst;
    evaluation.worst = 0;
    const b = right() === 0 ? 0 : 1;
    const worstB = evaluation.worst;
    const decidesA = a === deciding && worstA <= worth.outOfRange;
    const decidesB = b === deciding && worstB <= worth.outOfRange;
    let worst = Math.max(worstA, worstB);
    if (decidesA && decidesB) worst = Math.min(worstA, worstB);
    else if (decidesA) worst = worstA;
    else if (decidesB) worst = worstB;
    evaluation.worst = Math.max(worst, before);
    return decidesA || decidesB ? deciding : 1 - deciding;
  };
}
