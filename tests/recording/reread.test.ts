// Live and re-read are the same to the last bit, however batches were cut, over a hot reload, a restart and a kill.
import { copyFileSync, mkdtempSync, renameSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import type { AlarmEvent } from '../../server/alarms/alarm-event.ts';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { qualityNames } from '../../server/channels/quality.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { Pipeline } from '../../server/pipeline.ts';
import type { PipelineInput } from '../../server/pipeline-input.ts';
import { compareReadings } from '../../server/recording/compare-readings.ts';
import { sessionPath } from '../../server/recording/data-folder.ts';
import { openToRead, openToWrite } from '../../server/recording/database.ts';
import { ReadingFile } from '../../server/recording/reading-file.ts';
import { readingRows } from '../../server/recording/reading-rows.ts';
import { ReadingWriter } from '../../server/recording/reading-writer.ts';
import { Recorder } from '../../server/recording/recorder.ts';
import { findUnfinished, finishKilled } from '../../server/recording/recovery.ts';
import { rereadSession } from '../../server/recording/reread.ts';
import { packSliceKey } from '../../server/recording/schema.ts';
import { loadStored, SessionFile } from '../../server/recording/session-file.ts';
import { canTrace, randomFrom } from '../doubles/can-trace.ts';
import { eventually } from '../waiting.ts';
import { type TestVehicleOptions, testVehicle } from './test-vehicle.ts';

let data: string;
beforeEach(() => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-reread-'));
});
afterEach(() => rmSync(data, { recursive: true, force: true }));

const derived = `
derived:
  - { name: trend, formula: "smooth(wander_0, 0.5) - wander_1" }
  - { name: steepness, formula: "rate(noisy_2, 0.3)" }
alarms:
  - { name: high, when: "trend > 20", for: 100 ms, severity: caution, latch: true, advice: Look }
  - { name: quick, when: "noisy_0 > 511", severity: advisory, advice: Look }
`;

function vehicleOf(options: TestVehicleOptions = {}): Vehicle {
  return testVehicle({ ids: 12, buses: 2, extra: derived, ...options });
}

/** Frames, marks and other inputs as a station hands them over: cut at random, a late frame, a silence, a change of definitions. */
function liveInputs(seed: number, changed?: Vehicle): PipelineInput[] {
  const random = randomFrom(seed);
  const trace = canTrace({ seed, seconds: 24, ids: 14, buses: 2, startUs: 20_000 });
  const inputs: PipelineInput[] = [
    { kind: 'clock', timeUs: 0, wallMs: 1_764_000_000_000 },
    { kind: 'source', timeUs: 0, bus: 0, state: 'up', detail: '' },
  ];
  let batch = new FrameBatch();
  let reloaded = false;
  for (let i = 0; i < trace.count; i++) {
    const timeUs = trace.timeUs[i] as number;
    // Two seconds of silence make channels stale.
    if (timeUs > 9_000_000 && timeUs < 11_000_000) continue;
    batch.pushFrom(trace, i);
    if (random() > 0.05) continue;
    inputs.push({ kind: 'frames', batch });
    batch = new FrameBatch();
    if (random() < 0.5) inputs.push({ kind: 'mark', timeUs });
    if (random() < 0.01) inputs.push({ kind: 'acknowledge', timeUs, alarm: 'high', by: 'crew' });
    if (random() < 0.01) {
      batch.push(timeUs - 30_000, 0, 0x100, 0, Uint8Array.of(9, 9, 9, 9, 9, 9, 9, 9), 0, 8);
      inputs.push({ kind: 'loss', timeUs, bus: 0, place: 'late', count: 1 }, { kind: 'frames', batch });
      batch = new FrameBatch();
    }
    if (changed && !reloaded && timeUs > 12_345_678) {
      reloaded = true;
      inputs.push({ kind: 'definitions', timeUs, vehicle: changed });
    }
  }
  inputs.push({ kind: 'frames', batch });
  return inputs;
}

async function record(vehicle: Vehicle, inputs: PipelineInput[]): Promise<void> {
  const recorder = await Recorder.open(data, vehicle);
  for (const input of inputs) recorder.take(input);
  await recorder.stop();
}

interface Lines {
  samples: string[];
  alarms: AlarmEvent[];
}

/** What a pipeline of the test's own makes of the inputs, in this process and without any recording. */
function straight(vehicle: Vehicle, inputs: PipelineInput[]): Lines {
  const lines: Lines = { samples: [], alarms: [] };
  const pipeline: Pipeline = new Pipeline(vehicle, {
    samples: (batch) => {
      for (let i = 0; i < batch.count; i++) {
        const { name, unit } = pipeline.channels[batch.channel[i] as number] as { name: string; unit: string };
        lines.samples.push(sampleLine(batch.timeUs[i] as number, name, unit, batch.value[i] as number, batch.quality[i] as number));
      }
    },
    alarm: (event) => lines.alarms.push({ ...event }),
  });
  for (const input of inputs) pipeline.take(input);
  pipeline.finish();
  lines.samples.sort();
  return lines;
}

function sampleLine(timeUs: number, name: string, unit: string, value: number, quality: number): string {
  return `${timeUs} ${name} ${unit} ${Object.is(value, -0) ? '-0' : value} ${qualityNames[quality]}`;
}

function stored(session: number, id: number): Lines {
  const file = SessionFile.open(data, session);
  const reading = new ReadingFile(file, id);
  const channels = [...reading.channels];
  const samples: string[] = [];
  for (const batch of readingRows(reading, channels)) {
    for (let i = 0; i < batch.count; i++) {
      const { name, unit } = channels[batch.channel[i] as number] as { name: string; unit: string };
      samples.push(sampleLine(batch.timeUs[i] as number, name, unit, batch.value[i] as number, batch.quality[i] as number));
    }
  }
  const alarms = reading.alarms();
  file.close();
  return { samples: samples.sort(), alarms };
}

function compared(session: number, old: number, now: number): ReturnType<typeof compareReadings> {
  const file = SessionFile.open(data, session);
  try {
    return compareReadings(new ReadingFile(file, old), new ReadingFile(file, now));
  } finally {
    file.close();
  }
}

describe('re-reading', () => {
  it.each([1, 2, 3])('gives bit for bit what the live pipeline made, cut at random with seed %i', async (seed) => {
    const vehicle = vehicleOf();
    const inputs = liveInputs(seed);
    await record(vehicle, inputs);
    const expected = straight(vehicle, inputs);
    expect(expected.alarms.length).toBeGreaterThan(0);
    expect(stored(1, 1)).toEqual(expected);
    const reading = await rereadSession(data, 1, { vehicle: vehicleOf(), nowWallMs: 0 });
    expect(compared(1, 1, reading)).toMatchObject({ identical: true, samples: expected.samples.length });
  });

  it('follows a change of definitions in the middle', async () => {
    const inputs = liveInputs(4, vehicleOf({ factor: 0.2 }));
    await record(vehicleOf(), inputs);
    expect(stored(1, 1)).toEqual(straight(vehicleOf(), inputs));
    const reading = await rereadSession(data, 1, { nowWallMs: 0 });
    expect(compared(1, 1, reading).identical).toBe(true);
  });

  it('goes on over a silence of a minute, in a second session that begins where the first pipeline stood', async () => {
    const vehicle = vehicleOf();
    const first = liveInputs(5);
    const quiet: PipelineInput[] = Array.from({ length: 80 }, (_, i) => ({ kind: 'mark', timeUs: 25_000_000 + i * 1_000_000 }));
    const recorder = await Recorder.open(data, vehicle);
    for (const input of [...first, ...quiet]) recorder.take(input);
    await eventually(() => expect(recorder.figures.commits).toBeGreaterThan(0));
    await eventually(() => expect(recorder.status().state).toBe('idle'));
    const later = canTrace({ seed: 6, seconds: 3, ids: 14, buses: 2, startUs: 110_000_000 });
    recorder.take({ kind: 'frames', batch: later });
    await recorder.stop();
    const whole = straight(vehicle, [...first, ...quiet, { kind: 'frames', batch: later }]);
    const second = stored(2, 1);
    expect(second.samples.length).toBeGreaterThan(0);
    expect(second.samples).toEqual(whole.samples.filter((line) => Number(line.split(' ')[0]) >= 110_000_000));
    const reading = await rereadSession(data, 2, { nowWallMs: 0 });
    expect(compared(2, 1, reading).identical).toBe(true);
  });

  it('says which channels changed and by how much, and which alarms would have come', async () => {
    await record(vehicleOf(), liveInputs(7));
    const changed = vehicleOf({ factor: 0.2, extra: derived.replace('noisy_0 > 511', 'noisy_0 > 509') });
    const reading = await rereadSession(data, 1, { vehicle: changed, nowWallMs: 0 });
    const difference = compared(1, 1, reading);
    expect(difference.identical).toBe(false);
    const wander = difference.channels.find(({ channel }) => channel === 'wander_0');
    // All but those with raw 0, of which no factor makes anything else.
    expect(wander?.different).toBeGreaterThan(1000);
    expect(wander?.oldSamples).toBe(wander?.newSamples);
    // value = raw × factor − 50: twice the factor adds raw × 0.1, so the difference is the old value + 50.
    expect(wander?.most?.by).toBeCloseTo((wander?.most?.old as number) + 50, 9);
    expect(difference.channels.some(({ channel }) => channel === 'count_0')).toBe(false);
    expect(difference.alarmsOnlyNew.map(({ alarm }) => alarm)).toContain('quick');
  });

  it('that was killed half-way leaves nothing behind: the next start takes away what it had read', async () => {
    await record(vehicleOf(), liveInputs(9));
    const before = stored(1, 1);
    // What a kill leaves: the reading has begun, a slice of it is there, and the log stands beside the file.
    const path = sessionPath(data, 1);
    const db = openToWrite(path, 'session');
    const writer = ReadingWriter.begin(db, { wallMs: 0, program: 'test', hash: vehicleOf().hash, note: '' });
    db.prepare('INSERT INTO reading_slice (key, first_us, last_us, samples, before, state) VALUES (?, 0, 0, 0, ?, ?)').run(
      packSliceKey(writer.id, 0),
      Buffer.alloc(0),
      Buffer.alloc(0),
    );
    for (const suffix of ['', '-wal']) copyFileSync(`${path}${suffix}`, `${path}${suffix}.left`);
    db.close();
    for (const suffix of ['', '-wal']) renameSync(`${path}${suffix}.left`, `${path}${suffix}`);
    expect(findUnfinished(data)).toEqual([1]);
    // While somebody holds the file, a re-reading may be under way: it is left alone.
    const other = openToRead(path, 'session');
    expect(other.prepare('SELECT count(*) FROM reading').pluck().get()).toBe(2);
    await finishKilled(path, loadStored);
    expect(other.prepare('SELECT count(*) FROM reading').pluck().get()).toBe(2);
    other.close();
    writeFileSync(`${path}-wal`, '', { flag: 'a' });
    await finishKilled(path, loadStored);
    const file = SessionFile.open(data, 1);
    const counts = ['reading', 'reading_slice'].map((table) =>
      file.db
        .prepare(`SELECT max(${table === 'reading' ? 'id' : 'key'}) FROM ${table}`)
        .pluck()
        .get(),
    );
    file.close();
    expect(counts[0]).toBe(1);
    expect(counts[1]).toBeLessThan(packSliceKey(writer.id, 0));
    expect(stored(1, 1)).toEqual(before);
  });

  it('leaves nothing behind when it is cancelled', async () => {
    await record(vehicleOf(), liveInputs(8));
    const cancelled = AbortSignal.abort(new Error('enough'));
    await expect(rereadSession(data, 1, { nowWallMs: 0, signal: cancelled })).rejects.toThrow('enough');
    const file = SessionFile.open(data, 1);
    expect(file.db.prepare('SELECT count(*) FROM reading').pluck().get()).toBe(1);
    file.close();
  });
});
