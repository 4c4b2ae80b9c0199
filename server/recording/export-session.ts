// Writes a session out: its frames as a recorded file, its samples as CSV or Parquet, or the whole session as one file.
import { closeSync, openSync, rmSync, writeSync } from 'node:fs';
import { resolve } from 'node:path';
import { EvenburnError } from '../errors.ts';
import { createFrameWriter } from '../exchange/frame-writer.ts';
import { cell, exactText, SampleText, secondsText } from '../exchange/sample-text.ts';
import { guarded } from './database.ts';
import type { ReadingChannel } from './reading-channels.ts';
import { ReadingFile } from './reading-file.ts';
import { readingRows, toExportChannels, wideRows } from './reading-rows.ts';
import { SessionFile } from './session-file.ts';
import { busesByName, onBuses } from './session-frames.ts';

export const exportFormats = ['log', 'pcapng', 'csv', 'parquet', 'session'] as const;
export type ExportFormat = (typeof exportFormats)[number];

export interface ExportOptions {
  format: ExportFormat;
  path: string;
  /** Of samples; without: the reading that is shown. */
  reading?: number;
  /** Names; without: all. */
  channels?: readonly string[];
  /** CSV as a table with a line every so many microseconds; without: a line a sample. */
  everyUs?: number;
}

const standardOutput = '-';
const linesPerWrite = 4096;

/**
 * @returns What was written: so many frames, samples, lines or bytes.
 * @throws EvenburnError SESSION_UNKNOWN, SESSION_DAMAGED, CHANNEL_UNKNOWN, READING_UNKNOWN, OUTPUT_FILE_UNWRITABLE
 */
export async function exportSession(data: string, session: number, options: ExportOptions): Promise<{ count: number; what: string }> {
  const file = SessionFile.open(data, session);
  try {
    if (resolve(options.path) === resolve(file.path)) {
      throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path: options.path, why: 'it is the session itself' });
    }
    if (options.format === 'session') return await exportWhole(file, options.path);
    if (options.format === 'parquet') return await exportParquet(file, options);
    return writing(options.path, (write) =>
      options.format === 'csv' ? exportCsv(file, options, write) : exportFrames(file, options, write),
    );
  } finally {
    file.close();
  }
}

type Write = (bytes: Uint8Array) => void;

/** Opens the output; should anything fail, no half a file is left. */
function writing<T>(path: string, work: (write: Write) => T): T {
  const isOutput = path === standardOutput;
  const file = isOutput ? 1 : unwritable(path, () => openSync(path, 'w'));
  let done = false;
  try {
    const result = work((bytes) => unwritable(path, () => writeAll(file, bytes)));
    done = true;
    return result;
  } finally {
    if (!isOutput) closeSync(file);
    if (!done && !isOutput) rmSync(path, { force: true });
  }
}

function writeAll(file: number, bytes: Uint8Array): void {
  for (let at = 0; at < bytes.length; ) {
    try {
      at += writeSync(file, bytes, at);
    } catch (error) {
      const { code } = error as NodeJS.ErrnoException;
      // A pipe that is full for the moment; one whose reader has seen enough ends the command well.
      if (code === 'EPIPE') process.exit(0);
      if (code !== 'EAGAIN') throw error;
      Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, 5);
    }
  }
}

function unwritable<T>(path: string, work: () => T): T {
  try {
    return work();
  } catch (error) {
    const { code, message } = error as NodeJS.ErrnoException;
    if (code === undefined || error instanceof EvenburnError) throw error;
    throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path, why: message }, error);
  }
}

function exportFrames(file: SessionFile, { format }: ExportOptions, write: Write): { count: number; what: string } {
  const { vehicle } = file;
  const writer = createFrameWriter(format as 'log' | 'pcapng', vehicle.buses);
  let buses = busesByName(vehicle, vehicle);
  let count = 0;
  write(writer.begin());
  for (const input of file.record()) {
    if (input.kind === 'definitions') buses = busesByName(input.vehicle, vehicle);
    if (input.kind !== 'frames') continue;
    const batch = onBuses(input.batch, buses);
    write(writer.frames(batch));
    count += batch.count;
  }
  return { count, what: 'frames' };
}

function chosen(file: SessionFile, { reading, channels }: ExportOptions): { reading: ReadingFile; channels: ReadingChannel[] } {
  const found = new ReadingFile(file, reading ?? file.shownReading);
  return { reading: found, channels: channels ? channels.map((name) => found.channel(name)) : [...found.channels] };
}

function exportCsv(file: SessionFile, options: ExportOptions, write: Write): { count: number; what: string } {
  const { reading, channels } = chosen(file, options);
  if (options.everyUs !== undefined) return exportWide(reading, channels, options.everyUs, write);
  const names = toExportChannels(channels);
  const text = new SampleText('csv', names.channels, names.busNames);
  write(Buffer.from(text.header()));
  for (const batch of readingRows(reading, channels)) {
    for (let from = 0; from < batch.count; from += linesPerWrite) {
      write(Buffer.from(text.text(batch, from, Math.min(batch.count, from + linesPerWrite))));
    }
  }
  return { count: text.lines, what: 'samples' };
}

function exportWide(reading: ReadingFile, channels: ReadingChannel[], everyUs: number, write: Write): { count: number; what: string } {
  const heads = channels.map(({ name, unit }) => cell(unit === '' ? name : `${name} [${unit}]`));
  let text = `${['t', ...heads].join(',')}\n`;
  let count = 0;
  for (const { timeUs, values } of wideRows(reading, channels, everyUs)) {
    text += `${secondsText(timeUs)},${values.map((value) => (value === null ? '' : exactText(value))).join(',')}\n`;
    count++;
    if (count % 256 !== 0) continue;
    write(Buffer.from(text));
    text = '';
  }
  write(Buffer.from(text));
  return { count, what: 'lines' };
}

async function exportParquet(file: SessionFile, options: ExportOptions): Promise<{ count: number; what: string }> {
  const { path } = options;
  if (path === standardOutput) throw new EvenburnError('USAGE_WRONG', { what: 'Parquet needs a file: -o PATH' });
  const { SampleParquet } = await import('../exchange/sample-parquet.ts');
  const { reading, channels } = chosen(file, options);
  const names = toExportChannels(channels);
  const { vehicle, hash, startedWallMs, firstUs } = file.facts;
  const about = {
    session: String(file.session),
    vehicle,
    definitions: hash,
    firstUs: String(firstUs),
    startedWallMs: String(startedWallMs),
  };
  let done = false;
  try {
    const rows = unwritable(path, () => {
      const out = new SampleParquet(path, names.channels, names.busNames, about);
      for (const batch of readingRows(reading, channels)) out.write(batch);
      out.end();
      return out.rows;
    });
    done = true;
    return { count: rows, what: 'samples' };
  } finally {
    if (!done) rmSync(path, { force: true });
  }
}

/** The session as it stands on the disk, recorded or closed, as one file that `import` takes in. */
async function exportWhole(file: SessionFile, path: string): Promise<{ count: number; what: string }> {
  const { copySessionFile } = await import('./backup.ts');
  const bytes = await copySessionFile(file, path);
  return guarded(path, () => ({ count: bytes, what: 'bytes' }));
}
