// Built-in and derived channels of a vehicle: in dependency order, each computed once at an instant where an input changed.
import type { BuiltIn } from './built-in.ts';
import type { Channel } from './channel-list.ts';
import type { Computation } from './computation.ts';
import type { Evaluation } from './evaluation.ts';
import { compileFormula, type FormulaContext } from './formula-compile.ts';
import { quality } from './quality.ts';
import type { SampleBatch } from './sample-batch.ts';

export class DerivedChannels {
  private readonly evaluation: Evaluation;
  /** In the order of computation; the columns below have an element each, so that an instant runs through little memory. */
  private readonly channels: readonly Channel[];
  private readonly computations: readonly Computation[];
  private readonly index: Uint16Array;
  private readonly min: Float64Array;
  private readonly max: Float64Array;
  /** Inputs of all, one behind the other; those of the k-th from firstInput[k] up to firstInput[k + 1]. */
  private readonly inputs: Uint16Array;
  private readonly firstInput: Uint32Array;
  /** At the first instant everything is computed whose inputs have been seen, and what has no inputs. */
  private fresh = true;

  constructor(channels: readonly Channel[], builtIns: readonly BuiltIn[], context: FormulaContext) {
    this.evaluation = context.evaluation;
    const makers = new Map(builtIns.map((builtIn) => [builtIn.name, builtIn]));
    this.channels = ordered(channels.filter((channel) => isComputed(channel, makers)));
    this.computations = this.channels.map(
      ({ name, formula }) => makers.get(name)?.make?.(context) ?? compileFormula(formula as string, context),
    );
    this.index = Uint16Array.from(this.channels, (channel) => channel.index);
    this.min = Float64Array.from(this.channels, ({ min = Number.NEGATIVE_INFINITY }) => min);
    this.max = Float64Array.from(this.channels, ({ max = Number.POSITIVE_INFINITY }) => max);
    this.inputs = Uint16Array.from(this.computations.flatMap((computation) => computation.inputs));
    let sum = 0;
    this.firstInput = Uint32Array.from([0, ...this.computations.map((computation) => (sum += computation.inputs.length))]);
  }

  /** One instant: computes what has a changed input, in order, into the table and as samples. */
  step(timeUs: number, samples: SampleBatch): void {
    const { computations, index, min, max, fresh } = this;
    const { table } = this.evaluation;
    this.evaluation.timeUs = timeUs;
    for (let k = 0; k < computations.length; k++) {
      if (!this.isTouched(k) && !(fresh && this.isReady(k))) continue;
      const computation = computations[k] as Computation;
      computation.evaluate();
      const { value } = computation;
      let code: number = computation.quality;
      if (code === quality.ok && (value < (min[k] as number) || value > (max[k] as number))) code = quality.outOfRange;
      const channel = index[k] as number;
      table.set(channel, value, code, timeUs);
      samples.push(channel, timeUs, value, code);
    }
    this.fresh = false;
  }

  private isTouched(k: number): boolean {
    const { changed } = this.evaluation.table;
    const to = this.firstInput[k + 1] as number;
    let touched = 0;
    for (let i = this.firstInput[k] as number; i < to; i++) touched |= changed[this.inputs[i] as number] as number;
    return touched !== 0;
  }

  private isReady(k: number): boolean {
    const { timeUs } = this.evaluation.table;
    return (this.computations[k] as Computation).inputs.every((slot) => (timeUs[slot] as number) >= 0);
  }

  /** States by channel name, each with the text that it belongs to. */
  save(): SavedComputation[] {
    return this.channels.map(({ name, formula }, k) => ({
      name,
      text: formula ?? '',
      state: (this.computations[k] as Computation).save(),
    }));
  }

  /** Takes back the states of channels whose name and text are the same. */
  restore(saved: readonly SavedComputation[]): void {
    const byName = new Map(saved.map((one) => [one.name, one]));
    for (const [k, { name, formula }] of this.channels.entries()) {
      const one = byName.get(name);
      if (one && one.text === formula) this.computations[k]?.restore(one.state);
    }
  }

  get isFresh(): boolean {
    return this.fresh;
  }

  set isFresh(fresh: boolean) {
    this.fresh = fresh;
  }
}

export interface SavedComputation {
  name: string;
  text: string;
  state: unknown[];
}

function isComputed({ kind, name }: Channel, makers: ReadonlyMap<string, BuiltIn>): boolean {
  return kind === 'derived' || (kind === 'built-in' && makers.get(name)?.bus === undefined);
}

/** Each behind the channels that it is computed from; in a circle, which the definitions refuse, as they come. */
function ordered(channels: Channel[]): Channel[] {
  const waiting = new Map(channels.map((channel) => [channel.index, channel]));
  const order: Channel[] = [];
  const visit = (channel: Channel): void => {
    if (!waiting.delete(channel.index)) return;
    for (const input of channel.inputs) {
      const before = waiting.get(input);
      if (before) visit(before);
    }
    order.push(channel);
  };
  for (const channel of channels) visit(channel);
  return order;
}
