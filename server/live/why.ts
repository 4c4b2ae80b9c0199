// 'Why this number?': from a channel through its formula and inputs, or its signal's bits, down to the wire, as of one instant.
import type { Channel } from '../channels/channel-list.ts';
import type { ChannelTable } from '../channels/channel-table.ts';
import { hasValue, qualityNames } from '../channels/quality.ts';
import { bitPositions, extractRaw, findState } from '../codec/bits.ts';
import type { WhyNode, WhySignal } from '../contract/why.ts';
import type { Device, RawRange, Signal, Vehicle, When } from '../definitions/vehicle.ts';
import type { SeenFrames } from './seen-frames.ts';
import { wiresOf } from './wires.ts';

const nodesMax = 500;

/** Newest of every channel as of the last instant, so that a formula's result and its inputs belong together. */
export class InstantSnapshot {
  readonly value: Float64Array;
  readonly quality: Uint8Array;
  readonly sampleTimeUs: Float64Array;
  timeUs = 0;

  constructor(channels: number, initialQuality: number) {
    this.value = new Float64Array(channels);
    this.quality = new Uint8Array(channels).fill(initialQuality);
    this.sampleTimeUs = new Float64Array(channels).fill(-1);
  }

  /** Takes over a whole table. */
  adopt(table: ChannelTable, timeUs: number): void {
    this.timeUs = timeUs;
    this.value.set(table.value);
    this.quality.set(table.quality);
    this.sampleTimeUs.set(table.timeUs);
  }

  /** Takes over what an instant changed. */
  take(timeUs: number, table: ChannelTable): void {
    this.timeUs = timeUs;
    for (let i = 0; i < table.changedCount; i++) {
      const c = table.changedList[i] as number;
      this.value[c] = table.value[c] as number;
      this.quality[c] = table.quality[c] as number;
      this.sampleTimeUs[c] = table.timeUs[c] as number;
    }
  }
}

export interface WhyParts {
  vehicle: Vehicle;
  channels: readonly Channel[];
  snapshot: InstantSnapshot;
  seen: SeenFrames;
}

/** The chain of a channel: itself first, then every channel below it once. */
export function explainChannel(parts: WhyParts, channel: Channel): WhyNode[] {
  const nodes: WhyNode[] = [];
  const queue = [channel];
  const queued = new Set([channel.index]);
  for (let next = queue.shift(); next && nodes.length < nodesMax; next = queue.shift()) {
    nodes.push(explainOne(parts, next));
    for (const input of next.inputs) {
      const below = parts.channels[input];
      if (!below || queued.has(input)) continue;
      queued.add(input);
      queue.push(below);
    }
  }
  return nodes;
}

function explainOne(parts: WhyParts, channel: Channel): WhyNode {
  const { snapshot, channels } = parts;
  const code = snapshot.quality[channel.index] as number;
  const sampleTimeUs = snapshot.sampleTimeUs[channel.index] as number;
  const node: WhyNode = {
    channel: channel.name,
    kind: channel.kind,
    value: hasValue(code) ? (snapshot.value[channel.index] as number) : null,
    quality: qualityNames[code] ?? 'missing',
    unit: channel.unit,
    sampleTimeUs: sampleTimeUs < 0 ? null : sampleTimeUs,
    because: '',
    inputs: channel.inputs.map((input) => channels[input]?.name ?? ''),
  };
  if (channel.formula !== undefined) node.formula = channel.formula;
  if (channel.signal) explainSignal(parts, channel, node);
  node.because = becauseOf(parts, channel, node);
  return node;
}

function explainSignal(parts: WhyParts, channel: Channel, node: WhyNode): void {
  const { frame, signal } = channel;
  if (!frame || !signal) return;
  const device = findDevice(parts.vehicle, frame.bus, frame.device);
  const kept = node.sampleTimeUs === null ? undefined : parts.seen.findBytes(frame, node.sampleTimeUs);
  const raw = kept && extractRaw(kept.bytes, signal);
  const id = kept?.id ?? frame.id;
  const told: WhySignal = {
    bus: parts.vehicle.buses[frame.bus]?.name ?? '',
    device: frame.device,
    deviceTitle: device?.title ?? frame.device,
    frame: frame.name,
    id: id === undefined ? null : toIdHex(id, frame.extended),
    extended: frame.extended,
    frameTimeUs: kept?.timeUs ?? null,
    lengthBytes: frame.lengthBytes,
    bytes: kept ? toHex(kept.bytes) : '',
    startBit: signal.startBit,
    bitLength: signal.bitLength,
    byteOrder: signal.byteOrder,
    sign: signal.sign,
    bits: toBitNumbers(signal),
    raw: raw === undefined ? null : rawText(signal, raw),
    rawHex: raw === undefined ? null : `0x${BigInt.asUintN(signal.bitLength, raw).toString(16).toUpperCase()}`,
    factor: signal.factor,
    offset: signal.offset,
    arithmetic: raw === undefined ? '' : arithmeticOf(signal, raw, node),
    definedAt: `${signal.at.file}:${signal.at.line}`,
  };
  if (frame.periodUs !== undefined) told.periodUs = frame.periodUs;
  const stateName = raw === undefined ? undefined : findState(signal, raw);
  if (stateName !== undefined) told.stateName = stateName;
  if (signal.when.length > 0) told.when = whenText(signal.when);
  node.signal = told;
  const wires = wiresOf(parts.vehicle, channel.name, frame.device);
  if (wires.length > 0) node.wires = wires;
  else
    node.notKnown = `Connector and pin are not said: in harness.yaml, give the circuit of this wire \`channel: ${channel.name}\`, and its wires \`circuit:\`.`;
}

export function findDevice(vehicle: Vehicle, bus: number, name: string): Device | undefined {
  return vehicle.buses[bus]?.devices.find((device) => device.name === name);
}

/** `0x4C0`, or eight digits for a 29-bit id. */
export function toIdHex(id: number, extended: boolean): string {
  return `0x${id
    .toString(16)
    .toUpperCase()
    .padStart(extended ? 8 : 3, '0')}`;
}

export function toHex(bytes: Uint8Array): string {
  let text = '';
  for (const byte of bytes) text += byte.toString(16).toUpperCase().padStart(2, '0');
  return text;
}

/** Bit positions from the most significant bit to the least; bit 0 is the lowest of byte 0. */
export function toBitNumbers(signal: Signal): number[] {
  return bitPositions(signal).map(({ byte, bit }) => byte * 8 + bit);
}

function rawText(signal: Signal, raw: bigint): string {
  if (signal.sign !== 'float') return raw.toString();
  const view = new DataView(new ArrayBuffer(8));
  if (signal.bitLength === 32) {
    view.setUint32(0, Number(raw));
    return toWorked(view.getFloat32(0));
  }
  view.setBigUint64(0, raw);
  return toWorked(view.getFloat64(0));
}

/** Digits of a worked number: what a double holds beyond them is the computer's rounding, not the device's. */
const workedDigits = 12;

/**
 * Worked: raw 420, factor 0.1, offset −50 → `420 × 0.1 − 50 = −8 degC`. A raw integer keeps all its digits. Of a stale channel what its frame
 * said when it came: it is no value any more.
 */
function arithmeticOf(signal: Signal, raw: bigint, { value: now, quality }: Pick<WhyNode, 'value' | 'quality'>): string {
  const was = quality === 'stale' && !standsForNone(signal, raw);
  const value = was ? Number(rawText(signal, raw)) * signal.factor + signal.offset : now;
  const factor = signal.factor === 1 ? '' : ` × ${signed(signal.factor)}`;
  const offset = signal.offset === 0 ? '' : ` ${signal.offset < 0 ? '−' : '+'} ${signed(Math.abs(signal.offset))}`;
  const result = value === null ? 'no number' : `${signed(value)}${signal.unit === '' ? '' : ` ${signal.unit}`}`;
  return `${signedText(rawText(signal, raw))}${factor}${offset} = ${result}${was ? ' when it came' : ''}`;
}

function standsForNone({ fault, notAvailable, bitLength }: Signal, raw: bigint): boolean {
  const bits = BigInt.asUintN(bitLength, raw);
  return [...fault, ...notAvailable].some(({ from, to }) => bits >= from && bits <= to);
}

function signed(value: number): string {
  return signedText(toWorked(value));
}

function toWorked(value: number): string {
  return String(Number(value.toPrecision(workedDigits)));
}

function signedText(text: string): string {
  return text.replace(/^-/, '−');
}

/** `page is 0 or 2..3`, conditions joined by `and`. */
export function whenText(when: readonly When[]): string {
  return when.map(({ signal, ranges }) => `${signal} is ${rangesText(ranges)}`).join(' and ');
}

function rangesText(ranges: readonly RawRange[]): string {
  return ranges.map(({ from, to }) => (from === to ? `${from}` : `${from}..${to}`)).join(' or ');
}

function becauseOf(parts: WhyParts, channel: Channel, node: WhyNode): string {
  if (node.quality === 'ok') return '';
  if (node.quality === 'out-of-range') return `The value lies outside ${rangeText(channel)}.`;
  if (channel.signal) return becauseOfSignal(node, parts.snapshot.timeUs);
  const { quality } = parts.snapshot;
  const worst = channel.inputs.filter((input) => !hasValue(quality[input] as number));
  if (worst.length === 0)
    return node.sampleTimeUs === null ? 'It has not been computed yet.' : 'The formula has no result for these inputs.';
  return `${worst.map((input) => `${parts.channels[input]?.name} is ${qualityNames[quality[input] as number]}`).join(', ')}.`;
}

function becauseOfSignal(node: WhyNode, nowUs: number): string {
  const { signal } = node;
  if (!signal) return '';
  if (node.sampleTimeUs === null) return signal.when ? `No frame of it with ${signal.when} has come yet.` : 'Its frame has not come yet.';
  if (node.quality === 'fault') return `The device says fault: raw ${signal.raw ?? 'value'}.`;
  if (node.quality === 'missing') return `The device says not available: raw ${signal.raw ?? 'value'}.`;
  const seconds = ((nowUs - node.sampleTimeUs) / 1e6).toFixed(1);
  return `Its frame last came ${seconds} s ago${signal.periodUs ? `; it is due every ${signal.periodUs / 1000} ms` : ''}.`;
}

function rangeText(channel: Channel): string {
  const unit = channel.unit === '' ? '' : ` ${channel.unit}`;
  if (channel.min === undefined) return `at most ${channel.max}${unit}`;
  if (channel.max === undefined) return `at least ${channel.min}${unit}`;
  return `${channel.min} to ${channel.max}${unit}`;
}
