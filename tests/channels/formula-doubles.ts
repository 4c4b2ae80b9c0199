// Runs a formula on hand-made inputs, one instant after the other.
import { ChannelTable } from '../../server/channels/channel-table.ts';
import { Evaluation } from '../../server/channels/evaluation.ts';
import { type CompiledFormula, compileFormula, type TablePoints } from '../../server/channels/formula-compile.ts';
import type { FormulaScope } from '../../server/channels/formula-problem.ts';
import { type QualityName, qualityNames } from '../../server/channels/quality.ts';

/** A number, or the name of a quality without one. */
export type Given = number | Exclude<QualityName, 'ok'> | { value: number; quality: QualityName };

export const units: Record<string, string> = { t: 'degC', u: 'degC', f: 'degF', k: 'K', p: 'kPa', q: 'bar', n: 'rpm', mv: 'mV', uv: 'uV' };

const names = ['a', 'b', 'c', 'd', ...Object.keys(units)];

export const tables = new Map<string, TablePoints>([
  [
    'curve',
    [
      [0, 0],
      [10, 100],
    ],
  ],
]);

export const scope: FormulaScope = { channels: new Map(names.map((name) => [name, units[name] ?? ''])), tables };

export class FormulaDouble {
  readonly table = new ChannelTable(names.length);
  readonly evaluation = new Evaluation(this.table);
  readonly formula: CompiledFormula;
  private readonly slots = new Map(names.map((name, i) => [name, i]));

  constructor(text: string) {
    const unitOf = (slot: number) => units[names[slot] as string] ?? '';
    this.formula = compileFormula(text, { evaluation: this.evaluation, slots: this.slots, unitOf, tables });
  }

  /** Sets inputs at a time and evaluates: the value, or the quality when there is none. */
  at(timeS: number, inputs: Record<string, Given>): number | QualityName {
    for (const [name, given] of Object.entries(inputs)) {
      const { value, quality } = toPair(given);
      this.table.set(this.slots.get(name) as number, value, qualityNames.indexOf(quality), timeS * 1e6);
    }
    this.evaluation.timeUs = timeS * 1e6;
    this.formula.evaluate();
    return this.formula.quality <= 1 ? this.formula.value : (qualityNames[this.formula.quality] as QualityName);
  }

  get quality(): QualityName {
    return qualityNames[this.formula.quality] as QualityName;
  }
}

function toPair(given: Given): { value: number; quality: QualityName } {
  if (typeof given === 'number') return { value: given, quality: 'ok' };
  return typeof given === 'string' ? { value: 0, quality: given } : given;
}

/** The value of a formula on inputs of one instant. */
export function resultOf(text: string, inputs: Record<string, Given> = {}): number | QualityName {
  return new FormulaDouble(text).at(0, inputs);
}
