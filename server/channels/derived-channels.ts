// Built-in and derived channels of a vehicle: in dependency order, each computed once at an instant where an input changed.
import type { BuiltIn } from './built-in.ts';
import type { Channel } from './channel-list.ts';
import type { Computation } from './computation.ts';
import type { Evaluation } from './evaluation.ts';
import { compileFormula, type FormulaContext } from './formula-compile.ts';
import { quality } from './quality.ts';
import type { SampleBatch } from './sample-batch.ts';

interface Step {
  channel: Channel;
  computation: Computation;
  inputs: Uint16Array;
  min: number;
  max: number;
}

export class DerivedChannels {
  private readonly evaluation: Evaluation;
  private readonly steps: Step[];
  /** At the first instant everything is computed whose inputs have been seen, and what has no inputs. */
  private fresh = true;

  constructor(channels: readonly Channel[], builtIns: readonly BuiltIn[], context: FormulaContext) {
    this.evaluation = context.evaluation;
    const makers = new Map(builtIns.map((builtIn) => [builtIn.name, builtIn]));
    this.steps = ordered(channels.filter((channel) => isComputed(channel, makers))).map((channel) => {
      const make = makers.get(channel.name)?.make;
      const computation = make ? make(context) : compileFormula(channel.formula as string, context);
      const { min = Number.NEGATIVE_INFINITY, max = Number.POSITIVE_INFINITY } = channel;
      return { channel, computation, inputs: Uint16Array.from(computation.inputs), min, max };
    });
  }

  /** One instant: computes what has a changed input, in order, into the table and as samples. */
  step(timeUs: number, samples: SampleBatch): void {
    const { table } = this.evaluation;
    const { changed } = table;
    this.evaluation.timeUs = timeUs;
    for (const { channel, computation, inputs, min, max } of this.steps) {
      let touched = 0;
      for (let i = 0; i < inputs.length; i++) touched |= changed[inputs[i] as number] as number;
      if (touched === 0 && !(this.fresh && this.isReady(inputs))) continue;
      computation.evaluate();
      let code: number = computation.quality;
      const { value } = computation;
      if (code === quality.ok && (value < min || value > max)) code = quality.outOfRange;
      table.set(channel.index, value, code, timeUs);
      samples.push(channel.index, timeUs, value, code);
    }
    this.fresh = false;
  }

  /** States by channel name, each with the text that it belongs to. */
  save(): SavedComputation[] {
    return this.steps.map(({ channel, computation }) => ({ name: channel.name, text: channel.formula ?? '', state: computation.save() }));
  }

  /** Takes back the states of channels whose name and text are the same. */
  restore(saved: readonly SavedComputation[]): void {
    const byName = new Map(saved.map((one) => [one.name, one]));
    for (const { channel, computation } of this.steps) {
      const one = byName.get(channel.name);
      if (one && one.text === channel.formula) computation.restore(one.state);
    }
  }

  get isFresh(): boolean {
    return this.fresh;
  }

  set isFresh(fresh: boolean) {
    this.fresh = fresh;
  }

  private isReady(inputs: Uint16Array): boolean {
    const { table } = this.evaluation;
    return inputs.every((slot) => (table.timeUs[slot] as number) >= 0);
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
