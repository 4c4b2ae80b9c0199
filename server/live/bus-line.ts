// One bus as the status shows it: its source's state, frames a second, and what was lost where.
import type { FrameBatch } from '../bus/frame-batch.ts';
import { frameFlag } from '../bus/frame-batch.ts';
import type { Source, SourceStatus } from '../bus/source.ts';
import type { BusStatus } from '../contract/status.ts';
import type { LossPlace } from '../pipeline-input.ts';

const rateSlotUs = 100_000;
const rateSlots = 10;

export class BusLine {
  readonly bus: string;
  state: BusStatus['state'];
  detail = '';
  line: SourceStatus | undefined;
  frames = 0;
  errors = 0;
  readonly loss: Record<LossPlace, number> = { adapter: 0, 'before-reader': 0, queue: 0, late: 0 };
  private readonly source: Source | undefined;
  private readonly slots = new Float64Array(rateSlots + 1);
  private slot = 0;

  constructor(bus: string, source: Source | undefined) {
    this.bus = bus;
    this.source = source;
    this.state = source ? 'starting' : 'none';
    if (!source) this.detail = `Nothing feeds this bus: start with --bus ${bus}=SOURCE, or give it an \`interface\` in vehicle.yaml.`;
  }

  take(batch: FrameBatch, i: number): void {
    this.frames++;
    if ((batch.flags[i] as number) & frameFlag.error) this.errors++;
    this.moveTo(batch.timeUs[i] as number);
    const at = this.slot % this.slots.length;
    this.slots[at] = (this.slots[at] as number) + 1;
  }

  /** Over the last whole second before `nowUs`. */
  framesPerSecond(nowUs: number): number {
    this.moveTo(nowUs);
    const now = this.slot % this.slots.length;
    let sum = 0;
    for (let k = 0; k < this.slots.length; k++) if (k !== now) sum += this.slots[k] as number;
    return sum / ((rateSlots * rateSlotUs) / 1e6);
  }

  toStatus(nowUs: number, loadPercent: number | null, counts: { unknown: number; short: number }): BusStatus {
    return {
      bus: this.bus,
      source: this.source?.description ?? null,
      stampQuality: this.line?.stampQuality ?? this.source?.stampQuality ?? null,
      state: this.state,
      detail: this.detail,
      frames: this.frames,
      framesPerSecond: this.framesPerSecond(nowUs),
      loadPercent,
      errors: this.errors,
      unknownFrames: counts.unknown,
      shortFrames: counts.short,
      loss: { adapter: this.loss.adapter, beforeReader: this.loss['before-reader'], queue: this.loss.queue, late: this.loss.late },
      notes: [...(this.line?.notes ?? [])],
    };
  }

  private moveTo(timeUs: number): void {
    const slot = Math.floor(timeUs / rateSlotUs);
    if (slot <= this.slot) return;
    const steps = Math.min(slot - this.slot, this.slots.length);
    for (let k = 0; k < steps; k++) this.slots[(slot - k) % this.slots.length] = 0;
    this.slot = slot;
  }
}
