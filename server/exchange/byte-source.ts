// The bytes of a file or of standard input, in pieces, unpacked when they are gzip.
import { createReadStream } from 'node:fs';
import { stat } from 'node:fs/promises';
import { createGunzip, type ZlibOptions } from 'node:zlib';
import { EvenburnError } from '../errors.ts';
import type { Intake } from './intake.ts';

/** Bytes read so far (packed ones, where the file is gzip), and in all; the latter is undefined for standard input. */
export interface ByteProgress {
  bytesRead: number;
  bytesTotal: number | undefined;
}

const pieceBytes = 256 * 1024;
/** Packed bytes unpacked at a time; they may grow a thousandfold. */
const packedPieceBytes = 16 * 1024;
/** More than a piece can grow to, so that the stream never waits to be emptied in the middle of one. */
const unpackedBytesHeld = 2 ** 30;

/** Throws INPUT_FILE_MISSING or INPUT_FILE_UNREADABLE. Gzip that breaks off or is damaged ends there, counted as malformed. */
export async function* unpackedBytes(path: string, intake: Intake, progress: ByteProgress): AsyncGenerator<Buffer> {
  const pieces = filePieces(path, progress);
  const first = await pieces.next();
  if (first.done) return;
  const whole = joined(first.value, pieces);
  if (first.value[0] === 0x1f && first.value[1] === 0x8b) yield* gunzipped(whole, intake);
  else yield* whole;
}

async function* joined(first: Buffer, others: AsyncGenerator<Buffer>): AsyncGenerator<Buffer> {
  yield first;
  yield* others;
}

async function* filePieces(path: string, progress: ByteProgress): AsyncGenerator<Buffer> {
  try {
    if (path !== '-') progress.bytesTotal = await sizeOf(path);
    const source = path === '-' ? process.stdin : createReadStream(path, { highWaterMark: pieceBytes });
    for await (const piece of source as AsyncIterable<Buffer>) {
      progress.bytesRead += piece.length;
      yield piece;
    }
  } catch (error) {
    throw error instanceof EvenburnError ? error : unreadable(path, error);
  }
}

async function sizeOf(path: string): Promise<number | undefined> {
  const found = await stat(path);
  if (found.isDirectory()) throw new EvenburnError('INPUT_FILE_UNREADABLE', { path, why: 'is a folder' });
  return found.isFile() ? found.size : undefined;
}

function unreadable(path: string, error: unknown): EvenburnError {
  const { code, message } = error as NodeJS.ErrnoException;
  if (code === 'ENOENT') return new EvenburnError('INPUT_FILE_MISSING', { path }, error);
  const why = code === 'EACCES' || code === 'EPERM' ? 'no permission to read it' : message;
  return new EvenburnError('INPUT_FILE_UNREADABLE', { path, why }, error);
}

/**
 * Fed piece by piece and emptied after each, so that what stands before a break is given: a stream that is destroyed by the error of a
 * file cut short would take its last output with it.
 */
async function* gunzipped(packed: AsyncGenerator<Buffer>, intake: Intake): AsyncGenerator<Buffer> {
  const gunzip = createGunzip({ readableHighWaterMark: unpackedBytesHeld } as ZlibOptions);
  let unpacked = 0;
  let failure: Error | undefined;
  const failed = new Promise<void>((resolve) => {
    gunzip.on('error', (error) => {
      failure = error;
      resolve();
    });
  });
  const emptied = (): Buffer => {
    const pieces: Buffer[] = [];
    for (let piece = gunzip.read(); piece !== null; piece = gunzip.read()) pieces.push(piece as Buffer);
    const bytes = Buffer.concat(pieces);
    unpacked += bytes.length;
    return bytes;
  };
  for await (const piece of packed) {
    for (let at = 0; at < piece.length && !failure; at += packedPieceBytes) {
      const written = new Promise<void>((resolve) => gunzip.write(piece.subarray(at, at + packedPieceBytes), () => resolve()));
      await Promise.race([written, failed]);
      yield emptied();
    }
    if (failure) break;
  }
  if (!failure) {
    // Waits for `end` and not `finish`, which comes before the end has been found missing.
    const pieces: Buffer[] = [];
    const ended = new Promise<void>((resolve) => gunzip.once('end', resolve));
    gunzip.on('data', (piece: Buffer) => pieces.push(piece));
    gunzip.end();
    await Promise.race([ended, failed]);
    yield Buffer.concat(pieces);
  }
  gunzip.destroy();
  if (!failure) return;
  intake.brokenOff = true;
  intake.malformed('byte', unpacked, `the gzip data is damaged or breaks off (${failure.message})`);
}
