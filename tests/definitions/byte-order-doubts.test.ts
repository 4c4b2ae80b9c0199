// A signal that jumps on a recording where the other byte order would run smooth is doubted, and no other.
import { describe, expect, it } from 'vitest';
import { FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';
import { ByteOrderDoubts } from '../../server/definitions/byte-order-doubts.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';

function vehicleOf(signal: string, frame = 'id: 0x100'): Vehicle {
  const { vehicle } = parseVehicle([
    { path: 'vehicle.yaml', text: 'vehicle: Test\nbuses: { engine: { bit_rate: 500 kbit/s, devices: [box] } }\n' },
    {
      path: 'devices/box.yaml',
      text: `device: box\nframes:\n  - { name: first, ${frame}, length: 8, signals: [{ name: a, ${signal} }] }\n`,
    },
  ]);
  return vehicle as Vehicle;
}

/** Frames whose bytes 2 and 3 hold the values with the high byte first. */
function bigEndianFrames(values: number[], id = 0x100, flags = 0): FrameBatch {
  const batch = new FrameBatch();
  for (const [i, value] of values.entries()) {
    batch.push(i * 10_000, 0, id, flags, Uint8Array.of(0, 0, value >> 8, value & 0xff, 0, 0, 0, 0), 0, 8);
  }
  return batch;
}

function findingsOf(vehicle: Vehicle, batch: FrameBatch) {
  const doubts = new ByteOrderDoubts(vehicle);
  doubts.take(batch);
  return doubts.findings();
}

const slowly = Array.from({ length: 200 }, (_, i) => 3000 + i * 7);
/** A fixed linear congruential sequence: noise that is the same each time. */
const noise = Array.from({ length: 200 }, (_, i) => (i * 40_503 + 12_345) % 65_536);

describe('the byte order', () => {
  it('is doubted where a slow rise, sent high byte first, is read low byte first', () => {
    const [finding] = findingsOf(vehicleOf('bytes: 2..3'), bigEndianFrames(slowly));
    expect(finding).toMatchObject({
      code: 'BYTE_ORDER_DOUBTFUL',
      severity: 'warning',
      file: 'devices/box.yaml',
      line: 3,
      fix: "Try 'byte_order: big'.",
    });
  });

  it.each([
    ['the right order', 'bytes: 2..3, byte_order: big', slowly],
    ['noise', 'bytes: 2..3', noise],
    ['too few samples', 'bytes: 2..3', slowly.slice(0, 40)],
    ['a constant', 'bytes: 2..3', slowly.map(() => 4711)],
    ['a signal of one byte', 'bytes: 3', slowly],
    [
      'steps to values that say there is no measurement',
      'bytes: 2..3, byte_order: big, fault: 0xFFFF',
      slowly.map((v, i) => (i % 5 ? v : 0xffff)),
    ],
  ])('is left alone with %s', (_, signal, values) => {
    expect(findingsOf(vehicleOf(signal), bigEndianFrames(values))).toEqual([]);
  });

  it('is doubted for parameter groups too, whatever the priority, and not by error frames', () => {
    const vehicle = vehicleOf('bytes: 2..3', 'pgn: 61444');
    expect(findingsOf(vehicle, bigEndianFrames(slowly, 0x0cf00400, frameFlag.extended))).toHaveLength(1);
    expect(findingsOf(vehicle, bigEndianFrames(slowly, 0x0cf00400, frameFlag.extended | frameFlag.error))).toEqual([]);
  });
});
