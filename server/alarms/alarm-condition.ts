// An alarm's conditions, compiled: what is true at an instant, the spikes between instants included.
import type { ChannelTable } from '../channels/channel-table.ts';
import { type CompiledFormula, compileFormula, type FormulaContext } from '../channels/formula-compile.ts';
import { hasValue, quality } from '../channels/quality.ts';
import type { AlarmRule } from '../definitions/vehicle.ts';
import type { AlarmTruths, Truth } from './alarm-machine.ts';

/** The reading that a raised alarm shows: of the first channel that the condition names. */
export interface ShownReading {
  value: number | null;
  quality: 0 | 1 | 2 | 3 | 4;
}

export class AlarmCondition {
  /** Channels of all its texts. */
  readonly inputs: Uint16Array;
  /** Index of the first channel that `when` names; undefined when it names none. */
  readonly subject: number | undefined;
  private readonly table: ChannelTable;
  private readonly when: CompiledFormula;
  private readonly gate: CompiledFormula | undefined;
  private readonly clear: CompiledFormula | undefined;
  /** A condition that needs no time is also tried on the extremes since the last instant, unless its functions keep a state. */
  private readonly seesSpikes: boolean;
  /** As of the last `truths`, the condition was true between instants and isn't any more: it must be looked at again at the next. */
  isSpike = false;
  /** The subject's extreme that made the condition true, when it wasn't the last value. */
  private spike: number | undefined;

  constructor(rule: AlarmRule, context: FormulaContext) {
    this.table = context.evaluation.table;
    this.when = compileFormula(rule.when, context);
    this.gate = rule.while === undefined ? undefined : compileFormula(rule.while, context);
    this.clear = rule.clear === undefined ? undefined : compileFormula(rule.clear, context);
    const all = [this.when, this.gate, this.clear].flatMap((formula) => formula?.inputs ?? []);
    this.inputs = Uint16Array.from(new Set(all));
    this.subject = this.when.inputs[0];
    this.seesSpikes = rule.forUs === 0 && this.when.save().length === 0;
  }

  /** True where a sample came, or a quality changed, since the last instant. */
  get isTouched(): boolean {
    const { changed } = this.table;
    for (const slot of this.inputs) if (changed[slot] !== 0) return true;
    return false;
  }

  truths(): AlarmTruths {
    this.spike = undefined;
    const last = truthOf(this.when);
    this.isSpike = last !== true && this.seesSpikes && this.isTrueOnSpike();
    const when = this.isSpike ? true : last;
    const over = this.clear === undefined ? (when === undefined ? undefined : !when) : truthOf(this.clear);
    return { when, while: this.gate === undefined ? true : truthOf(this.gate), over };
  }

  /** What to show for the alarm as of the last `truths`. */
  reading(): ShownReading {
    const slot = this.subject;
    if (slot === undefined) return { value: null, quality: quality.missing };
    if (this.spike !== undefined) return { value: this.spike, quality: quality.ok };
    const code = this.table.quality[slot] as ShownReading['quality'];
    return { value: hasValue(code) ? (this.table.value[slot] as number) : null, quality: code };
  }

  save(): unknown[] {
    return [this.when.save(), this.gate?.save() ?? [], this.clear?.save() ?? []];
  }

  restore(saved: readonly unknown[]): void {
    const [when, gate, clear] = saved as [unknown[], unknown[], unknown[]];
    this.when.restore(when);
    this.gate?.restore(gate);
    this.clear?.restore(clear);
  }

  /** Tries the condition with one channel at a time at its lowest and highest since the last instant, the others as they are. */
  private isTrueOnSpike(): boolean {
    for (const slot of this.when.inputs) {
      const { low, high, value } = this.table;
      const lowest = low[slot] as number;
      const highest = high[slot] as number;
      const now = value[slot] as number;
      const hadNumber = lowest <= highest;
      const moved = lowest !== now || highest !== now || !hasValue(this.table.quality[slot] as number);
      if (hadNumber && moved && (this.isTrueWith(slot, lowest) || this.isTrueWith(slot, highest))) return true;
    }
    return false;
  }

  private isTrueWith(slot: number, extreme: number): boolean {
    const { value, quality: qualities } = this.table;
    const heldValue = value[slot] as number;
    const heldQuality = qualities[slot] as number;
    value[slot] = extreme;
    qualities[slot] = quality.ok;
    const holds = truthOf(this.when) === true;
    value[slot] = heldValue;
    qualities[slot] = heldQuality;
    if (holds && slot === this.subject) this.spike = extreme;
    return holds;
  }
}

function truthOf(formula: CompiledFormula): Truth {
  formula.evaluate();
  return hasValue(formula.quality) ? formula.value !== 0 : undefined;
}
