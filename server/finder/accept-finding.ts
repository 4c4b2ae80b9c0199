// A finding written into its device's file as a signal: one line is added by the one writer of definition files, nothing else moves.

import { frameFlag } from '../bus/frame-batch.ts';
import { pgnOf } from '../codec/decoder.ts';
import { parseVehicle } from '../definitions/load-vehicle.ts';
import { toProblemLine } from '../definitions/problem.ts';
import { hashOfText, type Splice, type SpliceValue, spliceYaml, YamlSource } from '../definitions/splice.ts';
import type { DefinitionFile, Device, Frame, Vehicle } from '../definitions/vehicle.ts';
import { YamlText, type YamlValue } from '../definitions/yaml-text.ts';
import { EvenburnError } from '../errors.ts';
import type { Finding } from './signal-finder.ts';

export interface Acceptance {
  /** Device of the vehicle, by its instance name. */
  device: string;
  /** Name of the channel, as it stands in the file (without the device's prefix). */
  name: string;
  unit?: string;
  /** Write factor and offset that turn raw values into the stimulus's. */
  scaled: boolean;
  /** Write these instead, as they are. */
  scale?: { factor: number; offset: number };
}

/**
 * The device file with the signal in it. Adds it to the frame of the finding's id, or a frame when the file has none of that id.
 *
 * @throws EvenburnError DEVICE_UNKNOWN; FINDING_NOT_WRITTEN when the vehicle would be faulty with it; what `spliceYaml` throws.
 */
export function acceptFinding(vehicle: Vehicle, finding: Finding, acceptance: Acceptance): DefinitionFile {
  const device = vehicle.buses[finding.bus]?.devices.find(({ name }) => name === acceptance.device);
  const file = device && fileOf(vehicle, device);
  if (!device || !file) throw new EvenburnError('DEVICE_UNKNOWN', { device: acceptance.device });
  const text = toEdits(file, device, finding, acceptance).reduce((before, edit) => spliceYaml(before, hashOfText(before), edit), file.text);
  const files = vehicle.files.map((one) => (one === file ? { ...one, text } : one));
  const faults = parseVehicle(files).problems.filter(({ severity }) => severity === 'error');
  const [first] = faults;
  if (first) throw new EvenburnError('FINDING_NOT_WRITTEN', { name: acceptance.name, why: toProblemLine(first) });
  return { path: file.path, text };
}

function fileOf(vehicle: Vehicle, { kind }: Device): DefinitionFile | undefined {
  const devices = vehicle.files.filter(({ path }) => path.includes('devices/'));
  const own = devices.find((file) => dataOf(file, 'device') === kind);
  return own ?? devices.find(({ path }) => path.replace(/^.*\/|\.ya?ml$/g, '') === kind);
}

function dataOf(file: DefinitionFile, key: string): YamlValue | undefined {
  const { data } = new YamlText(file);
  return data instanceof Map ? data.get(key) : undefined;
}

function toEdits(file: DefinitionFile, device: Device, finding: Finding, acceptance: Acceptance): Splice[] {
  const frames = dataOf(file, 'frames');
  const list = Array.isArray(frames) ? frames : [];
  const at = list.findIndex((frame) => frame instanceof Map && isFrameOf(frame, finding, device));
  if (at >= 0) {
    const signals = (list[at] as Map<string, YamlValue>).get('signals');
    const before = Array.isArray(signals) ? signals.length : 0;
    const frame = device.frames.find((one) => isSame(one, finding));
    return toSignals(finding, acceptance, device.prefix, frame).map((value, i) => ({
      kind: 'insert',
      path: ['frames', at, 'signals', before + i],
      value,
    }));
  }
  const value = {
    name: `${acceptance.name}_frame`,
    id: hex(finding.id - device.idOffset),
    ...(finding.extended ? { extended: true } : {}),
    ...((finding.flags & frameFlag.fd) !== 0 && finding.lengthBytes <= 8 ? { fd: true } : {}),
    length: finding.lengthBytes,
    signals: toSignals(finding, acceptance, device.prefix),
  };
  return [{ kind: 'insert', path: ['frames', list.length], value }];
}

function isFrameOf(frame: Map<string, YamlValue>, finding: Finding, { idOffset }: Device): boolean {
  const [id, pgn] = [frame.get('id'), frame.get('pgn')];
  if (id !== undefined) return Number(id) + idOffset === finding.id && (frame.get('extended') === true) === finding.extended;
  return pgn !== undefined && finding.extended && Number(pgn) === pgnOf(finding.id);
}

function isSame(frame: Frame, { id, extended }: Finding): boolean {
  return frame.pgn === undefined ? frame.id === id && frame.extended === extended : extended && frame.pgn === pgnOf(id);
}

/** The signal; before it the one that selects its page, where the frame has none in these bits. */
function toSignals(finding: Finding, acceptance: Acceptance, prefix: string, frame?: Frame): SpliceValue[] {
  const { page, sign } = finding;
  const { name, unit } = acceptance;
  const selector = page && frame?.signals.find((one) => one.startBit === page.startBit && one.bitLength === page.bitLength);
  const selectorName = selector?.name.slice(prefix.length) ?? `${name}_page`;
  const { factor, offset } = toScale(finding, acceptance);
  const signal = {
    name,
    ...toPlace(finding),
    ...(sign === 'signed' ? { sign } : {}),
    ...(factor === 1 ? {} : { factor }),
    ...(offset === 0 ? {} : { offset }),
    ...(unit ? { unit: unit === '%' ? new YamlSource('"%"') : unit } : {}),
    ...(page ? { when: { [selectorName]: page.value } } : {}),
  };
  if (!page || selector) return [signal];
  return [{ name: selectorName, ...toPlace({ ...page, byteOrder: 'little' }) }, signal];
}

function toScale({ factor, offset }: Finding, { scale, scaled }: Acceptance): { factor: number; offset: number } {
  if (scale) return scale;
  return scaled ? { factor: tidy(factor), offset: tidy(offset, factor) } : { factor: 1, offset: 0 };
}

function toPlace({
  startBit,
  bitLength,
  byteOrder,
}: {
  startBit: number;
  bitLength: number;
  byteOrder: 'little' | 'big';
}): Record<string, SpliceValue> {
  const first = startBit >> 3;
  const last = first + bitLength / 8 - 1;
  const whole = bitLength % 8 === 0 && startBit % 8 === (byteOrder === 'little' ? 0 : 7);
  const place: Record<string, SpliceValue> = whole
    ? { bytes: new YamlSource(first === last ? `${first}` : `${first}..${last}`) }
    : { start_bit: startBit, bit_length: bitLength };
  return byteOrder === 'big' ? { ...place, byte_order: 'big' } : place;
}

/** Six digits, and nothing that is small beside one step of the raw value. */
function tidy(value: number, step = value): number {
  return Math.abs(value) < Math.abs(step) * 1e-3 ? 0 : Number(value.toPrecision(6));
}

function hex(id: number): YamlSource {
  return new YamlSource(`0x${id.toString(16).toUpperCase().padStart(3, '0')}`);
}
