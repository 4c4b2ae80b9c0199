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

/** After `evaluate`, its truths are in `when`, `while` and `over`. */
export class AlarmCondition implements AlarmTruths {
  /** Channels of all its texts. */
  readonly inputs: Uint16Array;
  /** Index of the first channel that `when` names; undefined when it names none. */
  readonly subject: number | undefined;
  private readonly table: ChannelTable;
  private readonly condition: CompiledFormula;
  private readonly gate: CompiledFormula | undefined;
  private readonly clear: CompiledFormula | undefined;
  private readonly clearRemembers: boolean;
  /** A condition that needs no time is also tried on the extremes since the last instant, unless its functions keep a state. */
  private readonly seesSpikes: boolean;
  when: Truth;
  while: Truth = true;
  over: Truth;
  /** As of the last `evaluate`, the condition was true between instants and isn't any more: it must be looked at again at the next. */
  isSpike = false;
  /** The subject's extreme that made the condition true, when it wasn't the last value. */
  private spike: number | undefined;

  constructor(rule: AlarmRule, context: FormulaContext) {
    this.table = context.evaluation.table;
    this.condition = compileFormula(rule.when, context);
    this.gate = rule.while === undefined ? undefined : compileFormula(rule.while, context);
    this.clear = rule.clear === undefined ? undefined : compileFormula(rule.clear, context);
    this.clearRemembers = this.clear !== undefined && this.clear.save().length > 0;
    const all = [this.condition, this.gate, this.clear].flatMap((formula) => formula?.inputs ?? []);
    this.inputs = Uint16Array.from(new Set(all));
    this.subject = this.condition.inputs[0];
    this.seesSpikes = rule.forUs === 0 && this.condition.save().length === 0;
    if (this.seesSpikes) for (const slot of this.condition.inputs) this.table.watch(slot);
  }

  /** True where a sample came, or a quality changed, since the last instant. */
  get isTouched(): boolean {
    const { changed } = this.table;
    const { inputs } = this;
    for (let i = 0; i < inputs.length; i++) if (changed[inputs[i] as number] !== 0) return true;
    return false;
  }

  /** Sets the truths as of now. `over` is asked only of a raised alarm, but a clear condition with a state sees every sample. */
  evaluate(isRaised: boolean): void {
    this.spike = undefined;
    this.isSpike = false;
    this.when = truthOf(this.condition);
    if (this.seesSpikes && this.when !== true && this.isTrueOnSpike()) {
      this.isSpike = true;
      this.when = true;
    }
    if (this.clear === undefined) this.over = this.when === undefined ? undefined : !this.when;
    else if (isRaised || this.clearRemembers) {
      this.over = truthOf(this.clear);
      // Where both hold at once, it would be raised and cleared in turn for as long as they do.
      if (this.when === true && this.over === true) this.over = false;
    }
    if (this.gate !== undefined) this.while = truthOf(this.gate);
  }

  /** What the alarm is about, as it is now. */
  reading(): ShownReading {
    const slot = this.subject;
    if (slot === undefined) return { value: null, quality: quality.missing };
    const code = this.table.quality[slot] as ShownReading['quality'];
    return { value: hasValue(code) ? (this.table.value[slot] as number) : null, quality: code };
  }

  /** What raised the alarm at the instant of the last `evaluate`: of a spike the extreme. */
  raisingReading(): ShownReading {
    return this.spike === undefined ? this.reading() : { value: this.spike, quality: quality.ok };
  }

  save(): unknown[] {
    return [this.condition.save(), this.gate?.save() ?? [], this.clear?.save() ?? []];
  }

  restore(saved: readonly unknown[]): void {
    const [when, gate, clear] = saved as [unknown[], unknown[], unknown[]];
    this.condition.restore(when);
    this.gate?.restore(gate);
    this.clear?.restore(clear);
  }

  /** Tries the condition with one channel at a time at its lowest and highest since the last instant, the others as they are. */
  private isTrueOnSpike(): boolean {
    const { changed, low, high, value, quality: qualities } = this.table;
    const { inputs } = this.condition;
    for (let i = 0; i < inputs.length; i++) {
      const slot = inputs[i] as number;
      if (changed[slot] !== 2) continue;
      const lowest = low[slot] as number;
      const highest = high[slot] as number;
      // The last value was tried already, unless a sample without a number came behind it.
      const tried = hasValue(qualities[slot] as number) ? (value[slot] as number) : Number.NaN;
      if (lowest > highest) continue;
      if ((lowest !== tried && this.isTrueWith(slot, lowest)) || (highest !== tried && this.isTrueWith(slot, highest))) return true;
    }
    return false;
  }

  private isTrueWith(slot: number, extreme: number): boolean {
    const { value, quality: qualities } = this.table;
    const heldValue = value[slot] as number;
    const heldQuality = qualities[slot] as number;
    value[slot] = extreme;
    qualities[slot] = quality.ok;
    const holds = truthOf(this.condition) === true;
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
