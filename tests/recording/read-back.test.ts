// Samples exported and read back by programs that are not ours: every bit of every double, every time, quality and unit as the store has them.
import { spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { DuckDBInstance } from '@duckdb/node-api';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { hasValue, qualityNames } from '../../server/channels/quality.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import { exportSession } from '../../server/recording/export-session.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { ReadingFile } from '../../server/recording/reading-file.ts';
import { SessionFile } from '../../server/recording/session-file.ts';
import { randomFrom } from '../doubles/can-trace.ts';

/** Scales that make doubles of every size: no zero without its sign, none that a printed digit less would leave the same. */
const device = `device: box
title: Box
frames:
  - name: hard
    id: 0x100
    length: 8
    period: 20 ms
    signals:
      - { name: minus, bytes: 0..1, byte_order: big, factor: -0.1, unit: degC }
      - { name: tiny, bytes: 2..3, byte_order: big, factor: 1.0e-300, offset: 0, unit: "%" }
      - { name: third, bytes: 4..5, byte_order: big, factor: 0.3333333333333333, offset: -1000000.1, unit: kPa, min: -990000, fault: 0xFFFF }
      - { name: plain, bytes: 6, not_available: 0xFE }
      - { name: state, bytes: 7 }
  - { name: wide, id: 0x101, length: 8, period: 100 ms, signals: [{ name: whole, bytes: 0..7, byte_order: big, factor: 1.0e+280 }] }
`;
const vehicleText = `vehicle: Teal
buses:
  main: { bit_rate: 500 kbit/s, interface: can0, devices: [box] }
derived:
  - { name: ratio, formula: "third / plain", unit: kPa }
  - { name: turned, formula: "-state" }
`;
const startUs = 1_700_000_000_000_454;
const dayUs = 86_400_000_000;

let data: string;
beforeAll(async () => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-read-back-'));
  const { vehicle, problems } = parseVehicle([
    { path: 'vehicle.yaml', text: vehicleText },
    { path: 'devices/box.yaml', text: device },
  ]);
  if (!vehicle) throw new Error(JSON.stringify(problems));
  await importFrames(data, vehicle, { frames: [hardFrames()], origin: 'hard.log', remarks: () => [] }, 0);
});
afterAll(() => rmSync(data, { recursive: true, force: true }));

/** Half a minute of any bytes, then a silence of three days in the file, then half a second more. */
function hardFrames(): FrameBatch {
  const random = randomFrom(99);
  const batch = new FrameBatch();
  const bytes = new Uint8Array(8);
  for (let n = 0; n < 1525; n++) {
    const timeUs = startUs + n * 20_000 + (n < 1500 ? 0 : 3 * dayUs);
    for (let i = 0; i < 8; i++) bytes[i] = random() < 0.2 ? 0 : random() < 0.1 ? 0xff : Math.floor(random() * 256);
    if (n % 50 === 0) bytes.fill(0);
    if (n % 50 === 1) bytes[6] = 0xfe;
    batch.push(timeUs, 0, 0x100, 0, bytes, 0, 8);
    if (n % 5 === 0) batch.push(timeUs + 7, 0, 0x101, 0, bytes, 0, 8);
  }
  return batch;
}

/** A sample as text that holds every bit: microseconds, bus, channel, the double's bytes (or nothing), quality, unit. */
type Line = string;

function lineOf(us: bigint | number, bus: string, channel: string, value: number | null, quality: string, unit: string): Line {
  return [String(us), bus, channel, value === null ? '' : hexOf(value), quality, unit].join(' ');
}

function hexOf(value: number): string {
  const bytes = Buffer.alloc(8);
  bytes.writeDoubleBE(value);
  return bytes.toString('hex');
}

/** From the store itself, channel by channel, and then in order of time (equal times in the order of channels). */
function storedLines(): { line: Line; quality: string }[] {
  const file = SessionFile.open(data, 1);
  const reading = new ReadingFile(file, 1);
  const rows: { us: number; channel: number; line: Line; quality: string }[] = [];
  for (const [n, { id, name, unit, about }] of reading.channels.entries()) {
    for (const { timeUs, value, quality } of reading.samples(id)) {
      for (const [i, us] of timeUs.entries()) {
        const code = quality[i] as number;
        const number = hasValue(code) ? (value[i] as number) : null;
        const word = qualityNames[code] as string;
        rows.push({ us, channel: n, line: lineOf(us, about.bus ?? '', name, number, word, unit), quality: word });
      }
    }
  }
  file.close();
  return rows.sort((a, b) => a.us - b.us || a.channel - b.channel);
}

async function exported(format: 'csv' | 'parquet', name: string, more: { everyUs?: number } = {}): Promise<string> {
  const path = join(data, name);
  await exportSession(data, 1, { format, path, ...more });
  return path;
}

async function duck(sql: string): Promise<unknown[][]> {
  const instance = await DuckDBInstance.create(':memory:');
  const connection = await instance.connect();
  const rows = await (await connection.runAndReadAll(sql)).getRows();
  connection.closeSync();
  return rows as unknown[][];
}

const toLine = ([us, bus, channel, value, quality, unit]: unknown[]): Line =>
  lineOf(us as bigint, bus as string, channel as string, value as number | null, quality as string, unit as string);

const python = 'python3';
const noPython = spawnSync(python, ['-c', 'import csv, struct']).status !== 0;
const withoutPython = 'python3 does not run here: its reading of CSV was not compared';

function runPython(script: string, ...args: string[]): string[] {
  const { status, stdout, stderr } = spawnSync(python, ['-c', script, ...args], { encoding: 'utf8', maxBuffer: 1 << 28 });
  if (status !== 0) throw new Error(stderr);
  return stdout.trimEnd().split('\n');
}

describe('exported samples', () => {
  it('are as hard to print as doubles are', () => {
    const lines = storedLines();
    expect(new Set(lines.map(({ quality }) => quality))).toEqual(new Set(['ok', 'out-of-range', 'fault', 'missing', 'stale']));
    const minusZero = hexOf(-0);
    expect(lines.filter(({ line }) => line.includes(` turned ${minusZero} `)).length).toBeGreaterThan(10);
  });

  it('are read back from Parquet by DuckDB to the last bit, in order', async () => {
    const path = await exported('parquet', 'samples.parquet');
    const rows = await duck(`SELECT time_us, coalesce(bus, ''), channel, value, quality, unit FROM read_parquet('${path}')`);
    expect(rows.map(toLine)).toEqual(storedLines().map(({ line }) => line));
  });

  it('are read back from CSV by DuckDB to the last bit, in order', async () => {
    const path = await exported('csv', 'samples.csv');
    const types =
      "{'t': 'DECIMAL(30,6)', 'bus': 'VARCHAR', 'channel': 'VARCHAR', 'value': 'DOUBLE', 'quality': 'VARCHAR', 'unit': 'VARCHAR'}";
    const from = `read_csv('${path}', columns = ${types}, header = true)`;
    const rows = await duck(
      `SELECT CAST(t * 1000000 AS BIGINT), coalesce(bus, ''), channel, value, quality, coalesce(unit, '') FROM ${from}`,
    );
    expect(rows.map(toLine)).toEqual(samplesAlone());
  });

  it('are read back from CSV by python3 to the last bit, in order', async ({ skip }) => {
    if (noPython) skip(withoutPython);
    const path = await exported('csv', 'samples.csv');
    const script = `
import csv, struct, sys
with open(sys.argv[1], newline='') as f:
    for row in csv.DictReader(f):
        seconds, micros = row['t'].split('.')
        value = struct.pack('>d', float(row['value'])).hex() if row['value'] != '' else ''
        print(int(seconds) * 1000000 + int(micros), row['bus'], row['channel'], value, row['quality'], row['unit'])
`;
    expect(runPython(script, path).map((line) => line.trimEnd())).toEqual(samplesAlone().map((line) => line.trimEnd()));
  });

  it('are read back from a table by python3: in every line each channel as it was last', async ({ skip }) => {
    if (noPython) skip(withoutPython);
    // Every line of the table would be a line of three days: one every six hours.
    const everyUs = dayUs / 4;
    const path = await exported('csv', 'table.csv', { everyUs });
    const script = `
import csv, struct, sys
with open(sys.argv[1], newline='') as f:
    rows = csv.reader(f)
    head = next(rows)
    for row in rows:
        seconds, micros = row[0].split('.')
        for name, value in zip(head[1:], row[1:]):
            print(int(seconds) * 1000000 + int(micros), name, struct.pack('>d', float(value)).hex() if value != '' else '-')
`;
    const got = runPython(script, path);
    const expected = tableLines(everyUs);
    expect(expected.length).toBeGreaterThan(50);
    expect(got).toEqual(expected);
  });
});

/** Going stale is a state and not a sample: it is no line of a CSV of samples. */
function samplesAlone(): Line[] {
  return storedLines()
    .filter(({ quality }) => quality !== 'stale')
    .map(({ line }) => line);
}

/** What a table with a line every `everyUs` must say, worked out from the store without the code that writes it. */
function tableLines(everyUs: number): string[] {
  const file = SessionFile.open(data, 1);
  const reading = new ReadingFile(file, 1);
  const columns = reading.channels.map(({ id, name, unit }) => ({
    head: unit === '' ? name : `${name} [${unit}]`,
    samples: [...reading.samples(id)].flatMap(({ timeUs, value, quality }) =>
      Array.from(timeUs, (us, i) => ({ us, value: hasValue(quality[i] as number) ? (value[i] as number) : null })),
    ),
  }));
  file.close();
  const times = columns.flatMap(({ samples }) => samples.map(({ us }) => us));
  const firstUs = Math.ceil(Math.min(...times) / everyUs) * everyUs;
  const lastUs = Math.ceil(Math.max(...times) / everyUs) * everyUs;
  const lines: string[] = [];
  for (let us = firstUs; us <= lastUs; us += everyUs) {
    for (const { head, samples } of columns) {
      const value = samples.findLast((sample) => sample.us <= us)?.value ?? null;
      lines.push(`${us} ${head} ${value === null ? '-' : hexOf(value)}`);
    }
  }
  return lines;
}
