// A device of which only its frames are known: what was seen on the bus, written as a device file, with the channels that were named.
import type { SeenFrame } from '../../server/contract/frames.ts';

export interface NewSignal {
  name: string;
  firstByte: number;
  lastByte: number;
  byteOrder: 'little' | 'big';
  sign: 'unsigned' | 'signed';
  factor: number;
  offset: number;
  unit: string;
}

export interface NewDevice {
  device: string;
  bus: string;
  frames: { seen: SeenFrame; signals: NewSignal[] }[];
}

/** Gaps that differ by more than this are no period: the frame is sent on events. */
const gapRatioMax = 2;

/** The period that a frame is sent with, milliseconds, to two digits; undefined when it has none. */
export function periodOf({ periodMs, periodMinMs, periodMaxMs }: SeenFrame): number | undefined {
  if (periodMs === null || periodMinMs === null || periodMaxMs === null || periodMs < 0.5) return undefined;
  return periodMaxMs > gapRatioMax * Math.max(periodMinMs, 0.1) ? undefined : Number(periodMs.toPrecision(2));
}

export function toDeviceText({ device, frames }: NewDevice): string {
  const lines = [`device: ${device}`, 'frames:'];
  for (const { seen, signals } of frames) {
    const period = periodOf(seen);
    lines.push(`  - name: frame_${seen.id.toString(16)}`, `    id: ${seen.idHex}`);
    if (seen.extended) lines.push('    extended: true');
    if (seen.fd && seen.length <= 8) lines.push('    fd: true');
    lines.push(`    length: ${seen.length}`);
    if (period !== undefined) lines.push(`    period: ${period} ms`);
    lines.push(signals.length === 0 ? '    signals: []' : '    signals:', ...signals.map((signal) => `      - ${toSignalText(signal)}`));
  }
  return `${lines.join('\n')}\n`;
}

function toSignalText({ name, firstByte, lastByte, byteOrder, sign, factor, offset, unit }: NewSignal): string {
  const parts = [
    `name: ${name}`,
    `bytes: ${firstByte === lastByte ? firstByte : `${firstByte}..${lastByte}`}`,
    byteOrder === 'big' && lastByte > firstByte ? 'byte_order: big' : '',
    sign === 'signed' ? 'sign: signed' : '',
    factor === 1 ? '' : `factor: ${factor}`,
    offset === 0 ? '' : `offset: ${offset}`,
    unit === '' ? '' : `unit: ${unit === '%' ? '"%"' : unit}`,
  ];
  return `{ ${parts.filter(Boolean).join(', ')} }`;
}

/** A vehicle file that holds nothing but its buses. `interfaces`: bus → the system's name of its interface. */
export function toVehicleText(
  vehicle: string,
  buses: readonly { name: string; bitRate: number }[],
  interfaces: ReadonlyMap<string, string>,
  devices: ReadonlyMap<string, readonly string[]>,
): string {
  const lines = buses.map(({ name, bitRate }) => {
    const at = interfaces.get(name);
    const parts = [
      `bit_rate: ${bitRate / 1000} kbit/s`,
      at ? `interface: ${at}` : '',
      `devices: [${(devices.get(name) ?? []).join(', ')}]`,
    ];
    return `  ${name}: { ${parts.filter(Boolean).join(', ')} }`;
  });
  return `vehicle: ${JSON.stringify(vehicle)}\nbuses:\n${lines.join('\n')}\n`;
}

/** What the bytes of a frame would read as now; undefined when the frame is too short. */
export function previewOf(bytesHex: string, signal: Omit<NewSignal, 'name' | 'unit'>): number | undefined {
  const { firstByte, lastByte, byteOrder, sign, factor, offset } = signal;
  if (lastByte < firstByte || lastByte - firstByte > 7 || bytesHex.length < 2 * (lastByte + 1)) return undefined;
  const pairs = bytesHex.slice(2 * firstByte, 2 * (lastByte + 1)).match(/../g) ?? [];
  const raw = BigInt(`0x${(byteOrder === 'little' ? pairs.reverse() : pairs).join('')}`);
  return Number(sign === 'signed' ? BigInt.asIntN(8 * pairs.length, raw) : raw) * factor + offset;
}

/** Why a channel can't be called so; empty when it can. */
export function faultOfName(name: string, taken: (name: string) => boolean): string {
  if (name === '') return 'Give it a name.';
  if (!/^[a-z][a-z0-9]*(_[a-z0-9]+)*$/.test(name)) return 'Small letters, digits and _, a letter first: oil_pressure.';
  return taken(name) ? 'There is a channel of this name.' : '';
}
