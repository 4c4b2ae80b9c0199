// The supply voltage as the bus itself tells it, beside the silences of devices: whether they are lost while the starter turns.
import { findUnit, toUnit } from '../channels/unit.ts';
import { extractRaw, toRawRanges } from '../codec/bits.ts';
import type { Frame, RawRange, Signal, Vehicle } from '../definitions/vehicle.ts';
import { Column } from './column.ts';
import { indexAtOrBefore, type Outage } from './outage.ts';

/** Below this share of what it is as a rule the supply is down, as a starter draws it. Common practice, no source. */
const downShare = 0.85;
/** A device gives up behind the fall of its supply, and boots after the rise. */
const aroundUs = 300_000;

export class SupplyVoltage {
  /** The frame that brings it. */
  readonly frame: Frame;
  private readonly signal: Signal;
  private readonly bad: RawRange[];
  private readonly timesUs = new Column();
  private readonly volts = new Column();

  /** Of the battery that `engine: { battery: ... }` names, where that is a signal of a frame; else undefined. */
  static of(vehicle: Vehicle): SupplyVoltage | undefined {
    const name = vehicle.engine?.roles.battery;
    for (const { frames } of vehicle.buses) {
      for (const frame of frames) {
        const signal = frame.signals.find((one) => one.name === name);
        const isPlain = signal && signal.when.length === 0 && signal.sign !== 'float';
        if (isPlain && findUnit(signal.unit)?.dimension === findUnit('V')?.dimension) return new SupplyVoltage(frame, signal);
      }
    }
    return undefined;
  }

  private constructor(frame: Frame, signal: Signal) {
    this.frame = frame;
    this.signal = signal;
    this.bad = toRawRanges(signal, [...signal.fault, ...signal.notAvailable]);
  }

  take(timeUs: number, bytes: Uint8Array): void {
    const raw = extractRaw(bytes, this.signal);
    if (raw === undefined || this.bad.some(({ from, to }) => raw >= from && raw <= to)) return;
    this.timesUs.push(timeUs);
    this.volts.push(toUnit(Number(raw) * this.signal.factor + this.signal.offset, this.signal.unit, 'V'));
  }

  /** Lowest voltage about the silences in which it was down, and how many of them; undefined when in none, or it isn't known. */
  downDuring(outages: readonly Outage[]): { lowestV: number; usualV: number; times: number } | undefined {
    if (this.volts.length === 0) return undefined;
    const sorted = Float64Array.from(this.volts.values).sort();
    const usualV = sorted[sorted.length >> 1] as number;
    const lowest = outages
      .map(({ fromUs, toUs }) => this.lowestWithin(fromUs - aroundUs, toUs + aroundUs))
      .filter((v) => v < downShare * usualV);
    return lowest.length === 0 ? undefined : { lowestV: Math.min(...lowest), usualV, times: lowest.length };
  }

  private lowestWithin(fromUs: number, toUs: number): number {
    const times = this.timesUs.values;
    let lowest = Number.POSITIVE_INFINITY;
    for (let i = indexAtOrBefore(times, fromUs) + 1; i < times.length && (times[i] as number) <= toUs; i++)
      lowest = Math.min(lowest, this.volts.at(i));
    return lowest;
  }
}
