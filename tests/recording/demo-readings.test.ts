// The demo's evening with faults, two buses and other definitions in the middle: what was made live, what is stored and what is read again are
// the same to the last bit, over a stop and a new start, and over a kill.
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { afterEach, beforeAll, beforeEach, describe, expect, it } from 'vitest';
import type { PipelineInput } from '../../server/pipeline-input.ts';
import { listSessions } from '../../server/recording/catalogue.ts';
import { InputLog } from '../../server/recording/input-log.ts';
import { JournalWriter } from '../../server/recording/journal.ts';
import { Recorder } from '../../server/recording/recorder.ts';
import { rereadSession } from '../../server/recording/reread.ts';
import { SessionFile } from '../../server/recording/session-file.ts';
import { eventually } from '../waiting.ts';
import { demoEvening, type Evening } from './demo-evening.ts';
import { digestOfInputs, digestOfReading } from './reading-digests.ts';
import { recordLines } from './record-lines.ts';

const seed = 1_764;
const recordInputs = fileURLToPath(new URL('../fault/record-inputs.mjs', import.meta.url));

let evening: Evening;
beforeAll(async () => {
  evening = await demoEvening(seed);
});
let data: string;
beforeEach(() => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-demo-'));
});
afterEach(() => rmSync(data, { recursive: true, force: true }));

/** The same inputs with the batches cut elsewhere: as few as there can be. */
function cutAnew(inputs: readonly PipelineInput[]): Iterable<PipelineInput> {
  const log = new InputLog();
  for (const input of inputs) log.take(input);
  return log.inputs();
}

async function record(vehicle: Evening['vehicle'], inputs: readonly PipelineInput[]): Promise<void> {
  const recorder = await Recorder.open(data, vehicle);
  for (const input of inputs) recorder.take(input);
  await recorder.stop();
}

async function expectAllAlike(session: number, vehicle: Evening['vehicle'], inputs: Iterable<PipelineInput>): Promise<void> {
  const live = digestOfInputs(vehicle, inputs);
  expect(digestOfReading(data, session, 1)).toEqual(live);
  const again = await rereadSession(data, session, { nowWallMs: 0 });
  expect(digestOfReading(data, session, again)).toEqual(live);
}

describe(`the demo's evening with faults on two buses (seed ${seed})`, () => {
  it('is stored and read again bit for bit as it was made live, other definitions in the middle', async () => {
    const { vehicle, changed, inputs } = evening;
    await record(vehicle, inputs);
    await expectAllAlike(1, vehicle, cutAnew(inputs));
    // The evening is worth comparing: alarms of both definition sets came, and every quality was there.
    const { alarms, samples, qualities } = digestOfReading(data, 1, 1);
    const raised = new Set(alarms.filter(({ event }) => event === 'raised').map(({ alarm }) => alarm));
    expect([...raised]).toEqual(expect.arrayContaining(['oil pressure low', 'coolant hot', 'cylinder 5 off', 'spread wide']));
    expect(alarms.some(({ event }) => event === 'acknowledged')).toBe(true);
    expect(samples).toBeGreaterThan(100_000);
    for (const count of qualities) expect(count).toBeGreaterThan(0);
    const file = SessionFile.open(data, 1);
    expect(file.facts).toMatchObject({ loss: { late: expect.any(Number) }, lastUs: expect.any(Number) });
    expect(file.facts.loss.late).toBeGreaterThan(2);
    expect(file.facts.lastUs).toBeGreaterThan(150_000_000);
    file.close();
    // By the later definitions from the beginning it is another reading, and the same as one made of them live.
    const later = await rereadSession(data, 1, { vehicle: changed, nowWallMs: 0 });
    const withoutReload = inputs.filter(({ kind }) => kind !== 'definitions');
    expect(digestOfReading(data, 1, later)).toEqual(digestOfInputs(changed, withoutReload));
    expect(digestOfReading(data, 1, later)).not.toEqual(digestOfReading(data, 1, 1));
  });

  it('goes on in a second session over a stop and a new start in the middle', async () => {
    const { vehicle, changed, inputs } = evening;
    const at = Math.floor(inputs.length * 0.6);
    const halves = [inputs.slice(0, at), inputs.slice(at)];
    expect(halves[0]?.some(({ kind }) => kind === 'definitions')).toBe(true);
    await record(vehicle, halves[0] as PipelineInput[]);
    await record(changed, halves[1] as PipelineInput[]);
    expect(listSessions(data).map(({ session, state }) => [session, state])).toEqual([
      [2, 'closed'],
      [1, 'closed'],
    ]);
    await expectAllAlike(1, vehicle, cutAnew(halves[0] as PipelineInput[]));
    await expectAllAlike(2, changed, cutAnew(halves[1] as PipelineInput[]));
  });

  it.each([
    ['before the definitions change', 0.3],
    ['behind it', 0.75],
  ])('is the same over a kill %s: what was committed is read on from the stored state', async (_when, share) => {
    const { vehicle, inputs } = evening;
    await killWhileRecording(share);
    const recorder = await Recorder.open(data, vehicle);
    await eventually(() => expect(listSessions(data).map(({ state }) => state)).toEqual(['killed']));
    await recorder.stop();
    // What was kept is the beginning of what was handed over, nothing left out and nothing changed in it.
    const kept = recordLines(keptInputs(1));
    const sent = recordLines(inputs);
    expect(kept.length).toBeGreaterThan(sent.length * (share - 0.2));
    const at = kept.findIndex((line, i) => line !== sent[i]);
    expect(at < 0 ? 'alike' : `${kept[at]} instead of ${sent[at]}`).toBe('alike');
    await expectAllAlike(1, vehicle, keptInputs(1));
  });
});

/** What came in, by the record: its first input is the recorder's own heading. */
function* keptInputs(session: number): Generator<PipelineInput> {
  const file = SessionFile.open(data, session);
  try {
    const inputs = file.record();
    inputs.next();
    yield* inputs;
  } finally {
    file.close();
  }
}

const inputsPerChunk = 40;
const chunkIntervalMs = 8;

/** Records in a process of its own, many times faster than it was, until about this share of the inputs was handed over; then kills it. */
async function killWhileRecording(share: number): Promise<void> {
  const { vehicle, changed, inputs } = evening;
  const sets = join(data, 'sets.json');
  writeFileSync(sets, JSON.stringify([vehicle.files, changed.files]));
  const child = spawn(process.execPath, [recordInputs, data, sets], { stdio: ['pipe', 'pipe', 'inherit'] });
  child.stdin.on('error', () => undefined);
  await once(child.stdout, 'data');
  const journal = new JournalWriter();
  for (let from = 0; from < inputs.length * share; from += inputsPerChunk) {
    journal.clear();
    for (const input of inputs.slice(from, from + inputsPerChunk)) journal.take(input);
    const bytes = journal.out.taken();
    const length = Buffer.alloc(4);
    length.writeUInt32LE(bytes.length);
    child.stdin.write(Buffer.concat([length, bytes]));
    await new Promise((resolve) => setTimeout(resolve, chunkIntervalMs));
  }
  child.kill('SIGKILL');
  await once(child, 'exit');
}
