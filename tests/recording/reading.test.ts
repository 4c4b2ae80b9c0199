// Readings: what is stored comes back to the last bit, and windows are exact on their bins.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import fc from 'fast-check';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import type { Channel } from '../../server/channels/channel-list.ts';
import { hasValue, quality } from '../../server/channels/quality.ts';
import { SampleBatch } from '../../server/channels/sample-batch.ts';
import { writeBins } from '../../server/recording/bins-store.ts';
import { type Column, decodeChunk, encodeChunk } from '../../server/recording/chunk.ts';
import { makeDataFolder, sessionPath } from '../../server/recording/data-folder.ts';
import { closeAsOneFile, openToWrite } from '../../server/recording/database.ts';
import { ReadingFile } from '../../server/recording/reading-file.ts';
import { ReadingWriter } from '../../server/recording/reading-writer.ts';
import { startingFacts, writeFacts } from '../../server/recording/session-facts.ts';
import { SessionFile } from '../../server/recording/session-file.ts';
import { randomFrom } from '../doubles/can-trace.ts';
import { testVehicle } from './test-vehicle.ts';

let data: string;
beforeEach(() => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-reading-'));
  makeDataFolder(data);
});
afterEach(() => rmSync(data, { recursive: true, force: true }));

interface Sample {
  channel: number;
  timeUs: number;
  value: number;
  quality: number;
}

const channels = ['speed', 'temp', 'rare'].map(
  (name, index): Channel => ({ index, name, kind: 'derived', unit: index === 1 ? 'degC' : 'rpm', inputs: [] }),
);

/** A session of which each element of `slices` is one slice of samples. */
async function storeSlices(slices: Sample[][], state: 'open' | 'closed' = 'closed'): Promise<SessionFile> {
  const path = sessionPath(data, 1);
  writeFileSync(path, '');
  const db = openToWrite(path, 'session');
  writeFacts(db, { ...startingFacts(1, 'test'), state });
  const writer = ReadingWriter.begin(db, { wallMs: 0, program: '0', hash: 'h', note: '' });
  writer.adopt(testVehicle(), channels);
  let block = 0;
  for (const [n, samples] of slices.entries()) {
    const batch = new SampleBatch();
    for (const sample of samples) batch.push(sample.channel, sample.timeUs, sample.value, sample.quality);
    writer.samples(batch);
    const encoded = await writer.encode(writer.cut(n, undefined));
    db.transaction(() => writer.store(encoded))();
    if ((n + 1) % 64 === 0) {
      await writeBins(db, writer.id, block, n + 1);
      block = n + 1;
    }
  }
  if (state === 'closed' && block < slices.length) await writeBins(db, writer.id, block, slices.length);
  closeAsOneFile(db);
  return SessionFile.open(data, 1);
}

/** Slices of ten seconds with three channels: 20 ms and 100 ms apart, and one sample a minute; some samples late, some bad. */
function madeSlices(count: number, seed = 11): Sample[][] {
  const random = randomFrom(seed);
  const slices: Sample[][] = [];
  for (let s = 0; s < count; s++) {
    const samples: Sample[] = [];
    const push = (channel: number, timeUs: number): void => {
      const code = random() < 0.02 ? Math.floor(random() * 5) : quality.ok;
      samples.push({ channel, timeUs, value: hasValue(code) ? Math.round(random() * 1e4) / 7 - 300 : 0, quality: code });
    };
    for (let k = 0; k < 500; k++) push(0, s * 10_000_000 + k * 20_000 + Math.floor(random() * 300));
    for (let k = 0; k < 100; k++) push(1, s * 10_000_000 + k * 100_000);
    if (s % 6 === 0) push(2, s * 10_000_000 + 5);
    if (s > 0) push(1, s * 10_000_000 - 150_000);
    slices.push(samples);
  }
  return slices;
}

function checkWindow(file: SessionFile, all: Sample[], fromUs: number, toUs: number, pixels: number): void {
  const reading = new ReadingFile(file, 1);
  const window = reading.window({ channels: ['speed', 'temp', 'rare'], fromUs, toUs, pixels });
  expect(window.count).toBeLessThanOrEqual(pixels + 2);
  expect(window.first * window.widthUs).toBeLessThanOrEqual(fromUs);
  expect((window.first + window.count) * window.widthUs).toBeGreaterThanOrEqual(toUs);
  for (const [c, trace] of window.traces.entries()) {
    const expected = Array.from({ length: window.count }, () => ({ min: 0, max: 0, numbers: 0, qualities: 0 }));
    for (const sample of all) {
      const bin = Math.floor(sample.timeUs / window.widthUs) - window.first;
      const at = expected[bin];
      if (sample.channel !== c || !at) continue;
      at.qualities |= 1 << sample.quality;
      if (!hasValue(sample.quality)) continue;
      at.min = at.numbers === 0 ? sample.value : Math.min(at.min, sample.value);
      at.max = at.numbers === 0 ? sample.value : Math.max(at.max, sample.value);
      at.numbers++;
    }
    const got = expected.map((_, i) => ({
      min: trace.min[i],
      max: trace.max[i],
      numbers: trace.numbers[i],
      qualities: trace.qualities[i],
    }));
    expect(got).toEqual(expected);
  }
}

describe('a chunk of samples', () => {
  const back = (column: Column, scale?: { factor: number; offset: number }): Column =>
    decodeChunk(encodeChunk(column, 0, scale), () => column.timeUs);

  it('keeps every bit of every value, whatever it is', () => {
    const anyValue = fc.oneof(fc.double({ noNaN: true }), fc.integer({ min: -5, max: 5 }), fc.constantFrom(-0, 0, 1e308, 5e-324));
    fc.assert(
      fc.property(fc.array(fc.tuple(anyValue, fc.integer({ min: 0, max: 4 })), { maxLength: 60 }), (samples) => {
        const column = {
          timeUs: Float64Array.from(samples, (_, i) => i),
          value: Float64Array.from(samples, ([value, code]) => (hasValue(code) ? value : 0)),
          quality: Uint8Array.from(samples, ([, code]) => code),
        };
        const got = back(column);
        expect(Buffer.from(got.value.buffer)).toEqual(Buffer.from(column.value.buffer));
        expect(got.quality).toEqual(column.quality);
      }),
      { numRuns: 500 },
    );
  });

  it('keeps values that a factor and an offset made, and is small where they are whole numbers behind them', () => {
    const raws = Array.from({ length: 500 }, (_, i) => 8000 + ((i * 37) % 11));
    const scale = { factor: 0.1, offset: -50 };
    const column = {
      timeUs: Float64Array.from(raws, (_, i) => i * 20_000),
      value: Float64Array.from(raws, (raw) => raw * 0.1 - 50),
      quality: new Uint8Array(raws.length),
    };
    expect(back(column, scale).value).toEqual(column.value);
    expect(encodeChunk(column, 0, scale).length).toBeLessThan(500);
  });

  it('refuses a blob in which a bit has changed', () => {
    const column = { timeUs: Float64Array.of(1, 2), value: Float64Array.of(1.5, 2.25), quality: new Uint8Array(2) };
    const blob = encodeChunk(column, 0, undefined);
    blob[blob.length - 1] = (blob[blob.length - 1] as number) ^ 1;
    expect(() => decodeChunk(blob, () => column.timeUs)).toThrow();
  });
});

describe('a stored reading', () => {
  it('answers windows of every width exactly on their bins, from the pyramid and from samples', async () => {
    const slices = madeSlices(130);
    const all = slices.flat();
    const file = await storeSlices(slices);
    checkWindow(file, all, 0, 1_300_000_000, 1000);
    checkWindow(file, all, 0, 1_300_000_000, 20);
    checkWindow(file, all, 123_456_789, 654_321_000, 700);
    checkWindow(file, all, 630_000_000, 660_000_000, 1000);
    checkWindow(file, all, 5_000_000, 5_000_001, 10);
    checkWindow(file, all, 1_299_000_000, 1_400_000_000, 100);
    file.close();
  });

  it('answers windows exactly while the session is still recorded', async () => {
    const slices = madeSlices(70);
    const file = await storeSlices(slices, 'open');
    checkWindow(file, slices.flat(), 0, 700_000_000, 300);
    file.close();
  });

  it('gives the newest sample of every channel at or before any instant', async () => {
    const slices = madeSlices(14);
    const file = await storeSlices(slices);
    const reading = new ReadingFile(file, 1);
    const random = randomFrom(5);
    for (let n = 0; n < 60; n++) {
      const timeUs = Math.floor(random() * 145_000_000);
      const values = reading.valuesAt(timeUs);
      for (const channel of [0, 1, 2]) {
        const expected = slices
          .flat()
          .filter((sample) => sample.channel === channel && sample.timeUs <= timeUs)
          .reduce<Sample | undefined>((last, sample) => (!last || sample.timeUs >= last.timeUs ? sample : last), undefined);
        const id = reading.channel(['speed', 'temp', 'rare'][channel] as string).id;
        const got = values.get(id);
        expect(got && { channel, ...got }).toEqual(expected);
      }
    }
    file.close();
  });

  it('names a channel and a reading that are not there', async () => {
    const file = await storeSlices(madeSlices(1));
    expect(() => new ReadingFile(file, 1).window({ channels: ['no_such'], fromUs: 0, toUs: 1, pixels: 1 })).toThrow(
      "no channel 'no_such' in session 1",
    );
    expect(() => new ReadingFile(file, 2)).toThrow('session 1 has no reading 2');
    file.close();
  });
});
