// Slices and the journal keep every input and its exact order.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { frameFlag } from '../../server/bus/frame-batch.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import type { PipelineInput } from '../../server/pipeline-input.ts';
import { InputLog } from '../../server/recording/input-log.ts';
import { JournalWriter, visitJournal } from '../../server/recording/journal.ts';
import { decodeSlice, encodeSlice } from '../../server/recording/slice.ts';
import { canTrace } from '../doubles/can-trace.ts';
import { recordLines } from './record-lines.ts';

const vehicle = { hash: 'abc', name: 'Garganey' } as Vehicle;
const vehicleOf = (): Vehicle => vehicle;

const lines = (log: InputLog): string[] => recordLines(log.inputs());

function frame(log: InputLog, timeUs: number, id: number, bytes: number[] = [], flags = 0, bus = 0, length = bytes.length): void {
  log.frame(timeUs, bus, id, flags, Uint8Array.from(bytes), 0, length);
}

async function throughSlice(log: InputLog): Promise<string[]> {
  return lines(decodeSlice(await encodeSlice(log), vehicleOf));
}

function throughJournal(log: InputLog): string[] {
  const journal = new JournalWriter();
  for (const input of log.inputs()) journal.take(input);
  const back = new InputLog();
  visitJournal(journal.out.taken(), vehicleOf, back);
  return lines(back);
}

describe('a stretch of the record', () => {
  it('comes back frame by frame from ten seconds of traffic on two buses', async () => {
    const log = new InputLog();
    log.take({ kind: 'frames', batch: canTrace({ seed: 7, seconds: 10, ids: 40, buses: 2 }) });
    expect(log.frames.count).toBeGreaterThan(10_000);
    expect(await throughSlice(log)).toEqual(lines(log));
    expect(throughJournal(log)).toEqual(lines(log));
  });

  it('keeps the order of equal times, whatever it was', async () => {
    const log = new InputLog();
    frame(log, 1000, 0x300, [1]);
    frame(log, 1000, 0x100, [2]);
    frame(log, 1000, 0x300, [3]);
    log.other({ kind: 'mark', timeUs: 1000 });
    frame(log, 1000, 0x200, [4]);
    frame(log, 2000, 0x100, [5]);
    expect(await throughSlice(log)).toEqual(lines(log));
  });

  it('keeps late frames where they came', async () => {
    const log = new InputLog();
    frame(log, 5000, 0x100, [1]);
    log.other({ kind: 'mark', timeUs: 9000 });
    frame(log, 4000, 0x100, [2]);
    frame(log, 3000, 0x101, [3], frameFlag.extended);
    frame(log, 9000, 0x100, [4]);
    expect(await throughSlice(log)).toEqual(lines(log));
  });

  it('holds remote frames with the length asked for and no bytes, FD frames of 64 bytes and error frames', async () => {
    const log = new InputLog();
    frame(log, 10, 0x123, [], frameFlag.remote, 0, 8);
    frame(
      log,
      20,
      0x1fffffff,
      Array.from({ length: 64 }, (_, i) => i),
      frameFlag.extended | frameFlag.fd | frameFlag.bitRateSwitch,
    );
    frame(log, 30, 0x20000004 & 0x1fffffff, [0, 8, 0, 0, 0, 0, 0, 0], frameFlag.error);
    frame(log, 40, 0, [], 0, 3);
    expect(await throughSlice(log)).toEqual(lines(log));
    expect(throughJournal(log)).toEqual(lines(log));
  });

  it('holds every kind of input that is no frame', async () => {
    const log = new InputLog();
    const others: Exclude<PipelineInput, { kind: 'frames' }>[] = [
      { kind: 'definitions', timeUs: 0, vehicle },
      { kind: 'clock', timeUs: 0, wallMs: 1_764_000_000_000.25 },
      { kind: 'source', timeUs: 10, bus: 1, state: 'down', detail: 'can1: interface went down "again"' },
      { kind: 'loss', timeUs: 11, bus: 0, place: 'before-reader', count: 17 },
      { kind: 'mark', timeUs: 20 },
      { kind: 'acknowledge', timeUs: 20, alarm: 'oil pressure low', by: 'crew' },
    ];
    for (const other of others) log.other(other);
    expect(await throughSlice(log)).toEqual(lines(log));
    expect(throughJournal(log)).toEqual(lines(log));
  });

  it('holds times of recorded files, exact to the microsecond, and times years apart', async () => {
    const log = new InputLog();
    frame(log, 1_700_000_000_000_454, 0x512, [0x6c, 0x96]);
    frame(log, 1_700_000_000_000_455, 0x512, [0x6c, 0x97]);
    frame(log, 2_700_000_000_000_455, 0x513, [0x6c, 0x98]);
    expect(await throughSlice(log)).toEqual(lines(log));
    expect(throughJournal(log)).toEqual(lines(log));
  });

  it('holds nothing at all', async () => {
    expect(await throughSlice(new InputLog())).toEqual([]);
  });

  it('keeps content and order of any inputs', async () => {
    const anyFrame = fc.record({
      timeUs: fc.oneof(fc.integer({ min: 0, max: 60 }), fc.integer({ min: 0, max: 2 ** 51 })),
      bus: fc.integer({ min: 0, max: 255 }),
      id: fc.oneof(fc.integer({ min: 0, max: 3 }), fc.integer({ min: 0, max: 0x1fffffff })),
      flags: fc.integer({ min: 0, max: 63 }),
      bytes: fc.uint8Array({ maxLength: 64 }),
    });
    const anyMark = fc.record({ mark: fc.integer({ min: 0, max: 60 }) });
    await fc.assert(
      fc.asyncProperty(fc.array(fc.oneof(anyFrame, anyMark), { maxLength: 40 }), async (inputs) => {
        const log = new InputLog();
        for (const input of inputs) {
          if ('mark' in input) log.other({ kind: 'mark', timeUs: input.mark });
          else log.frame(input.timeUs, input.bus, input.id, input.flags, input.bytes, 0, input.bytes.length);
        }
        expect(await throughSlice(log)).toEqual(lines(log));
        expect(throughJournal(log)).toEqual(lines(log));
      }),
      { numRuns: 300 },
    );
  });

  it('refuses a slice in which a bit has changed', async () => {
    const log = new InputLog();
    log.take({ kind: 'frames', batch: canTrace({ seed: 3, seconds: 1, ids: 10 }) });
    const blob = await encodeSlice(log);
    const at = blob.length >> 1;
    blob[at] = (blob[at] as number) ^ 4;
    expect(() => decodeSlice(blob, vehicleOf)).toThrow();
  });
});
