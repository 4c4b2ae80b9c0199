// Reads recorded files into plain rows, so that tests can compare them at a glance.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { type FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';
import type { BusChoice, RecordedFileCounts } from '../../server/exchange/intake.ts';
import { openRecordedFile, type RecordedFileOptions } from '../../server/exchange/recorded-file.ts';

export interface Row {
  timeUs: number;
  bus: number;
  /** Hexadecimal, 3 digits or 8 as in a text log; `E` in front for an error frame. */
  id: string;
  /** Hexadecimal, or `R` and the length asked for. */
  data: string;
  /** FD flags: `F`, with `B` for bit rate switch and `E` for error state. */
  fd: string;
}

export const oneBus: BusChoice = [{ name: 'engine', index: 0 }];

export function rowsOf(batch: FrameBatch): Row[] {
  return Array.from({ length: batch.count }, (_, i) => {
    const flags = batch.flags[i] as number;
    const digits = (flags & (frameFlag.extended | frameFlag.error)) !== 0 ? 8 : 3;
    const id = (batch.id[i] as number).toString(16).toUpperCase().padStart(digits, '0');
    const remote = (flags & frameFlag.remote) !== 0;
    return {
      timeUs: batch.timeUs[i] as number,
      bus: batch.bus[i] as number,
      id: (flags & frameFlag.error) !== 0 ? `E${id}` : id,
      data: remote ? `R${batch.length[i]}` : Buffer.from(batch.bytesOf(i)).toString('hex').toUpperCase(),
      fd:
        (flags & frameFlag.fd) === 0
          ? ''
          : `F${(flags & frameFlag.bitRateSwitch) !== 0 ? 'B' : ''}${(flags & frameFlag.errorStateIndicator) !== 0 ? 'E' : ''}`,
    };
  });
}

export async function readFile(
  path: string,
  options: RecordedFileOptions = { buses: oneBus },
): Promise<{ rows: Row[]; counts: RecordedFileCounts }> {
  const file = openRecordedFile(path, options);
  const rows: Row[] = [];
  for await (const batch of file) rows.push(...rowsOf(batch));
  return { rows, counts: file.counts };
}

/** Writes `content` to a file, hands its path to `use`, and removes it. */
export async function withFile<T>(content: string | Uint8Array, use: (path: string) => Promise<T> | T): Promise<T> {
  const folder = mkdtempSync(join(tmpdir(), 'evenburn-exchange-'));
  const path = join(folder, 'recording');
  try {
    writeFileSync(path, content);
    return await use(path);
  } finally {
    rmSync(folder, { recursive: true });
  }
}

export function readContent(content: string | Uint8Array, options?: RecordedFileOptions) {
  return withFile(content, (path) => readFile(path, options));
}
