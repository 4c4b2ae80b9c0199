// The bus check against the outside: a recording of a real boat beside an independent script and tshark, and a controller that really went off the bus.
import { spawnSync } from 'node:child_process';
import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { checkBus } from '../../server/checks/bus-check.ts';
import { TrafficLog } from '../../server/checks/bus-traffic.ts';
import { judgeRecording } from '../../server/checks/judge-recording.ts';
import type { Verdict } from '../../server/checks/verdict.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { openRecordedFile } from '../../server/exchange/recorded-file.ts';
import { errorFrame, toBatch } from '../doubles/scripted-bus.ts';
import { boatAbsent } from '../skips-reporter.ts';

const boat = fileURLToPath(new URL('../../../shared/data/boat/can0-3.pcap', import.meta.url));
const script = fileURLToPath(new URL('../reference/bus-counts.py', import.meta.url));

/** Knows one of the boat's frames: address 0x14 sends it in pairs and threes, of which the first comes every 450 ms or so. */
function boatVehicle(): Vehicle {
  const { vehicle, problems } = parseVehicle([
    { path: 'vehicle.yaml', text: 'vehicle: Boat\nbuses: { main: { bit_rate: 250 kbit/s, interface: can0, devices: [gps] } }\n' },
    {
      path: 'devices/gps.yaml',
      text: `device: gps
title: Position
frames:
  - { name: position_rapid, pgn: 0x1F805, length: 8, signals: [{ name: position_first, bytes: 0..3 }] }
`,
    },
  ]);
  if (!vehicle) throw new Error(JSON.stringify(problems));
  return vehicle;
}

interface Counted {
  frames: number;
  seconds: number;
  loadPercent: number;
  ids: Record<string, { frames: number; meanMs: number | null; longestMs: number }>;
}

function output(program: string, args: string[]): string | undefined {
  const { status, stdout } = spawnSync(program, args, { encoding: 'utf8', maxBuffer: 1 << 28 });
  return status === 0 ? stdout : undefined;
}

describe('bus check of a recorded boat', () => {
  const result =
    existsSync(boat) && judgeRecording('bus', openRecordedFile(boat, { buses: [{ name: 'main', index: 0 }] }), boatVehicle(), {});
  const unknown = async () => ((await result) || { verdicts: [] as Verdict[] }).verdicts.filter(({ code }) => code === 'id-unknown');

  it('has the frames, the length and the load of an independent script, and its counts of every id', async (test) => {
    if (!result) test.skip(boatAbsent);
    const printed = output('python3', [script, boat, '250000']);
    if (printed === undefined) test.skip('python3 is not here');
    const counted = JSON.parse(printed as string) as Counted;
    const judged = await (result as Promise<Awaited<ReturnType<typeof judgeRecording>>>);
    expect(judged.frames).toBe(counted.frames);
    expect(judged.seconds).toBeCloseTo(counted.seconds, 6);
    expect(judged.loadPercent).toBeCloseTo(counted.loadPercent, 9);
    const theirs = new Map(Object.entries(counted.ids).map(([id, { frames }]) => [id, frames]));
    const known = [...theirs.keys()].filter((id) => ((Number(id) >> 8) & 0x3ffff) === 0x1f805);
    for (const id of known) theirs.delete(id);
    expect(new Map((await unknown()).map(({ id, measured }) => [id, measured]))).toEqual(theirs);
  });

  it('has the counts of tshark', async (test) => {
    if (!result) test.skip(boatAbsent);
    const printed = output('tshark', ['-r', boat, '-T', 'fields', '-e', 'can.id']);
    if (printed === undefined) test.skip('tshark is not here');
    const theirs = new Map<string, number>();
    for (const line of (printed as string).trim().split('\n')) {
      const id = `0x${Number(line).toString(16).toUpperCase().padStart(8, '0')}`;
      theirs.set(id, (theirs.get(id) ?? 0) + 1);
    }
    for (const { id, measured } of await unknown()) expect([id, measured]).toEqual([id, theirs.get(String(id))]);
    expect([...theirs.values()].reduce((sum, count) => sum + count, 0)).toBe(47_783);
  });

  it('has the mean period and the longest gap of the script', async (test) => {
    if (!result) test.skip(boatAbsent);
    const printed = output('python3', [script, boat, '250000']);
    if (printed === undefined) test.skip('python3 is not here');
    const counted = JSON.parse(printed as string) as Counted;
    // The one id is enough: three of address 0x17 come at the same pace.
    const text = 'vehicle: Boat\nbuses: { main: { bit_rate: 250 kbit/s, interface: can0, devices: [heading] } }\n';
    const device =
      'device: heading\ntitle: Heading\nframes:\n  - { name: heading, pgn: 0x1F112, source_address: 0x17, length: 8, period: 50 ms, signals: [{ name: h, bytes: 1..2 }] }\n';
    const { vehicle } = parseVehicle([
      { path: 'vehicle.yaml', text },
      { path: 'devices/heading.yaml', text: device },
    ]);
    const judged = await judgeRecording('bus', openRecordedFile(boat, { buses: [{ name: 'main', index: 0 }] }), vehicle as Vehicle, {});
    const { evidence } = judged.verdicts.find(({ code, frame }) => code === 'frame-late' && frame === 'heading') as Verdict;
    const theirs = counted.ids['0x09F11217'];
    expect((evidence as { meanMs: number }).meanMs).toBeCloseTo(theirs?.meanMs as number, 6);
    expect((evidence as { longestMs: number }).longestMs).toBeCloseTo(theirs?.longestMs as number, 6);
  });
});

describe('a controller that went off the bus', () => {
  // Recorded on a real node that sent into a broken line: CANopenNode issue 319; classes and bytes as the Linux driver gave them.
  const recorded: [classes: number, bytes: number[]][] = [
    [0x004, [0, 0x08, 0, 0, 0, 0, 0x60, 0]],
    [0x004, [0, 0x20, 0, 0, 0, 0, 0x88, 0]],
    [0x040, [0, 0, 0, 0, 0, 0, 0, 0]],
  ];

  it('is told in the order in which it gave up, with its counter', () => {
    const traffic = new TrafficLog(boatVehicle());
    traffic.take(toBatch(recorded.map(([classes, bytes], i) => errorFrame(i * 1e6, 0, classes, bytes))));
    const errors = checkBus(traffic).verdicts.find(({ code }) => code === 'bus-errors');
    expect(errors).toMatchObject({ ok: false, measured: 3 });
    expect(errors?.say).toContain('error warning (sent 96, received 0), then error-passive (sent 136, received 0), then bus-off');
    expect(errors?.next).toMatch(/^Bus-off/);
  });
});
