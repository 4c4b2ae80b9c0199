// Frames to lines of the text log, the form that text-line.ts reads.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';

const hex = Array.from({ length: 256 }, (_, byte) => byte.toString(16).toUpperCase().padStart(2, '0'));
const errorIdBit = 0x20000000;

/**
 * The frames of a batch as text, a line a frame: `(1700000000.000454) can0 512#6C9600E3`.
 * @param interfaceOf Interface name of a bus by its index.
 */
export function toTextLog(batch: FrameBatch, interfaceOf: readonly string[]): string {
  let text = '';
  for (let i = 0; i < batch.count; i++) {
    const flags = batch.flags[i] as number;
    text += `(${toStamp(batch.timeUs[i] as number)}) ${interfaceOf[batch.bus[i] as number]} ${toId(batch.id[i] as number, flags)}`;
    if ((flags & frameFlag.remote) !== 0) {
      text += `#R${batch.length[i]}\n`;
      continue;
    }
    text += (flags & frameFlag.fd) !== 0 ? `##${fdDigit(flags)}` : '#';
    const from = batch.offset[i] as number;
    const end = from + (batch.length[i] as number);
    for (let k = from; k < end; k++) text += hex[batch.data[k] as number];
    text += '\n';
  }
  return text;
}

function toStamp(timeUs: number): string {
  const seconds = Math.floor(timeUs / 1e6);
  return `${seconds}.${String(timeUs - seconds * 1e6).padStart(6, '0')}`;
}

function toId(id: number, flags: number): string {
  if ((flags & frameFlag.error) !== 0) return ((id | errorIdBit) >>> 0).toString(16).toUpperCase().padStart(8, '0');
  const digits = (flags & frameFlag.extended) !== 0 ? 8 : 3;
  return id.toString(16).toUpperCase().padStart(digits, '0');
}

function fdDigit(flags: number): number {
  return ((flags & frameFlag.bitRateSwitch) !== 0 ? 1 : 0) | ((flags & frameFlag.errorStateIndicator) !== 0 ? 2 : 0);
}
