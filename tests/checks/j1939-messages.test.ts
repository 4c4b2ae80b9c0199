// J1939 messages of several packets as the checks and the list of frames see them: judged whole, their packets nobody's frames.
import { describe, expect, it } from 'vitest';
import { FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';
import { checkBus } from '../../server/checks/bus-check.ts';
import { TrafficLog } from '../../server/checks/bus-traffic.ts';
import { BusWatch, type WatchEvent } from '../../server/checks/bus-watch.ts';
import { compileDecoder } from '../../server/codec/decoder.ts';
import { Transport } from '../../server/codec/transport.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { SeenFrames } from '../../server/live/seen-frames.ts';

const text = `device: engine
frames:
  - name: trouble_codes
    pgn: 65226
    length: 80
    period: 1 s
    signals:
      - { name: first, bytes: 0 }
      - { name: last, bytes: 79 }
`;

function engine(): Vehicle {
  const { vehicle, problems } = parseVehicle([
    { path: 'vehicle.yaml', text: 'vehicle: Bench\nbuses:\n  main: { bit_rate: 250 kbit/s, devices: [engine] }\n' },
    { path: 'devices/engine.yaml', text },
  ]);
  if (!vehicle) throw new Error(JSON.stringify(problems));
  return vehicle;
}

/** A broadcast of 80 bytes a second, from address 5: announcement, then 12 packets 50 ms apart. Byte k of message m is k + m. */
function broadcasts(messages: number, pgn = 65226): FrameBatch {
  const batch = new FrameBatch();
  const group = [pgn & 0xff, (pgn >> 8) & 0xff, pgn >> 16];
  const push = (timeUs: number, id: number, bytes: number[]) =>
    batch.push(timeUs, 0, id, frameFlag.extended, Uint8Array.from(bytes), 0, bytes.length);
  for (let m = 0; m < messages; m++) {
    const atUs = m * 1_000_000;
    push(atUs, 0x18ecff05, [32, 80, 0, 12, 255, ...group]);
    for (let p = 0; p < 12; p++) {
      const data = Array.from({ length: 7 }, (_, k) => (p * 7 + k < 80 ? p * 7 + k + m : 255));
      push(atUs + (p + 1) * 50_000, 0x18ebff05, [p + 1, ...data]);
    }
  }
  return batch;
}

describe('a message of several packets', () => {
  it('is present and on time to the bus check, and its packets are no unknown ids', () => {
    const traffic = new TrafficLog(engine());
    traffic.take(broadcasts(20));
    const { verdicts } = checkBus(traffic);
    expect(verdicts.filter(({ ok }) => !ok)).toEqual([]);
    const log = traffic.buses[0]?.logs[0];
    expect(traffic.buses[0]?.logs).toHaveLength(1);
    expect(log?.timesUs.length).toBe(20);
    expect([...(log?.sources ?? [])]).toEqual([[5, 20]]);
    // Every message differs from the one before.
    expect(log?.changesUs.length).toBe(19);
  });

  it('of a group that nobody defined is the unknown id', () => {
    const traffic = new TrafficLog(engine());
    traffic.take(broadcasts(5, 65227));
    const bad = checkBus(traffic).verdicts.filter(({ ok, code }) => !ok && code === 'id-unknown');
    expect(bad).toHaveLength(1);
    expect(bad[0]?.say).toContain('0x18FECB05');
  });

  it('that stays away is missed by the watch of a wiggle test, and back when whole again', () => {
    const events: WatchEvent[] = [];
    const watch = new BusWatch(engine(), (event) => events.push(event));
    const batch = broadcasts(8);
    const part = new FrameBatch();
    for (let i = 0; i < batch.count; i++)
      if ((batch.timeUs[i] as number) < 2e6 || (batch.timeUs[i] as number) >= 5e6) part.pushFrom(batch, i);
    watch.take(part);
    expect(events.map(({ kind, device }) => [kind, device])).toEqual([
      ['gap', 'engine'],
      ['back', 'engine'],
    ]);
  });

  it('is listed among all frames with its bytes, its packets beside it as such', () => {
    const vehicle = engine();
    const decoder = compileDecoder(vehicle);
    const seen = new SeenFrames((bus, id, flags) => decoder.findFrame(bus, id, flags), new Transport(vehicle));
    seen.take(broadcasts(3));
    const message = seen.list().find(({ frame }) => frame?.name === 'trouble_codes');
    expect(message?.count).toBe(3);
    expect([...(message?.bytes ?? [])]).toEqual(Array.from({ length: 80 }, (_, k) => k + 2));
    expect(message?.id).toBe(0x18feca05);
    expect(seen.list().filter(({ isPacket }) => isPacket)).toHaveLength(2);
    expect(seen.counts(0)).toEqual({ unknown: 0, short: 0 });
    const kept = seen.findBytes(vehicle.buses[0]?.frames[0] as never, 1_600_000);
    expect(kept?.bytes[79]).toBe(80);
  });
});
