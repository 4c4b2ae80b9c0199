// The bus check on recordings whose cause is easily mistaken: late devices, silences of everybody, frames that had waited, coarse time stamps.
// Every recording is written by hand: times and counts follow from the story told in the test.
import { describe, expect, it } from 'vitest';
import { checkBus } from '../../server/checks/bus-check.ts';
import { TrafficLog } from '../../server/checks/bus-traffic.ts';
import type { CheckResult, Verdict } from '../../server/checks/verdict.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { errorFrame, type ScriptedFrame, toBatch } from '../doubles/scripted-bus.ts';

interface Sender {
  device: string;
  id: number;
  periodMs: number;
  counterBits?: number;
}

/** Four devices; one frame each, called after it. */
const senders: Sender[] = [
  { device: 'alpha', id: 0x100, periodMs: 10, counterBits: 8 },
  { device: 'bravo', id: 0x120, periodMs: 20 },
  { device: 'charlie', id: 0x140, periodMs: 50, counterBits: 8 },
  { device: 'delta', id: 0x160, periodMs: 100 },
];

function toVehicle(trunk: string | undefined, of: readonly Sender[] = senders): Vehicle {
  const text = `vehicle: Bench
buses: { main: { bit_rate: 500 kbit/s, devices: [${of.map(({ device }) => device).join(', ')}] } }
${trunk ? `trunk: { main: ${trunk} }\n` : ''}`;
  const files = of.map(({ device, id, periodMs, counterBits }) => ({
    path: `devices/${device}.yaml`,
    text: `device: ${device}
title: ${device}
frames:
  - name: ${device}_frame
    id: ${id}
    length: 8
    period: ${periodMs} ms
${counterBits ? `    counter: ${device}_count\n` : ''}    signals:
      - { name: ${device}_value, bytes: 0..1 }
${counterBits ? `      - { name: ${device}_count, start_bit: 48, bit_length: ${counterBits} }\n` : ''}`,
  }));
  const parsed = parseVehicle([{ path: 'vehicle.yaml', text }, ...files]);
  if (!parsed.vehicle) throw new Error(JSON.stringify(parsed.problems));
  return parsed.vehicle;
}

const between = toVehicle('[terminator, alpha, bravo, { listener: plug }, charlie, delta, terminator]');
const atEnd = toVehicle('[terminator, { listener: plug }, alpha, bravo, charlie, delta, terminator]');

interface Life {
  fromS: number;
  toS: number;
}

/** Frames of one sender on an exact grid, byte 0 moving; the counter begins at 0 with each life. */
function framesOf({ device, id, periodMs, counterBits }: Sender, lives: readonly Life[], phaseMs = id % 7): ScriptedFrame[] {
  const frames: ScriptedFrame[] = [];
  for (const { fromS, toS } of lives) {
    for (let count = 0; ; count++) {
      const timeUs = Math.round(fromS * 1e6 + phaseMs * 1000 + count * periodMs * 1000 + ((count * 37) % 11) * 10);
      if (timeUs >= toS * 1e6) break;
      const data = Uint8Array.of((count * 29) % 251, 0, 0, 0, 0, 0, counterBits ? count % 2 ** counterBits : 0, 0);
      frames.push({ timeUs, bus: 0, id, flags: 0, data, device, frame: `${device}_frame` });
    }
  }
  return frames;
}

const always = (seconds: number) => senders.flatMap((sender) => framesOf(sender, [{ fromS: 0, toS: seconds }]));
const isWithin = ({ timeUs }: ScriptedFrame, fromS: number, toS: number) => timeUs > fromS * 1e6 && timeUs < toS * 1e6;

function judge(frames: readonly ScriptedFrame[], of: Vehicle): CheckResult {
  const traffic = new TrafficLog(of);
  traffic.take(toBatch(frames));
  return checkBus(traffic);
}

const failed = (frames: readonly ScriptedFrame[], of: Vehicle): Verdict[] => judge(frames, of).verdicts.filter(({ ok }) => !ok);
const told = (verdicts: readonly Verdict[]) =>
  verdicts.map(({ code, stretch, frame, device, bus }) => [code, stretch ?? frame ?? device ?? bus]);

describe('a device that comes late', () => {
  const from = (device: string, fromS: number) =>
    senders.flatMap((sender) => framesOf(sender, [{ fromS: sender.device === device ? fromS : 0, toS: 15 }]));

  it('is late, a verdict for each of its frames, and did not restart', () => {
    const [verdict, ...others] = failed(from('bravo', 4), between);
    expect(others).toEqual([]);
    // bravo's first frame: 4 s and its phase of 0x120 mod 7 = 1 ms, counted from alpha's at 4 ms.
    expect(verdict).toMatchObject({ code: 'frame-late', device: 'bravo', frame: 'bravo_frame', limit: 1500 });
    expect(verdict?.measured).toBeCloseTo(3999, 0);
  });

  it('is on time up to a second after the first', () => {
    expect(failed(from('bravo', 1), between)).toEqual([]);
  });

  it('had run all along behind a wire that closes late, when counts are under way: one break, nobody late', () => {
    const counted = senders.map((sender) => ({ ...sender, counterBits: 8 }));
    const vehicle = toVehicle('[terminator, alpha, { listener: plug }, bravo, charlie, delta, terminator]', counted);
    const frames = counted
      .flatMap((sender) => framesOf(sender, [{ fromS: 0, toS: 15 }]))
      .filter((frame) => !['charlie', 'delta'].includes(frame.device) || frame.timeUs > 3.9e6);
    expect(told(failed(frames, vehicle))).toEqual([['trunk-break', 'bravo - charlie']]);
  });
});

describe('a silence of everybody', () => {
  it('on both sides of the listener is no break: short and once, it is not judged', () => {
    const result = judge(
      always(15).filter((frame) => !isWithin(frame, 6, 6.3)),
      between,
    );
    expect(result.verdicts.filter(({ ok }) => !ok)).toEqual([]);
    expect(result.notJudged?.map(({ what }) => what)).toEqual([
      expect.stringMatching(
        /nobody at all was heard on it, once, first at 6\.00 s|nobody at all was heard on it, once, first at 5\.99\d s/,
      ),
    ]);
  });

  it('again and again points to the listener itself', () => {
    const frames = always(15).filter((frame) => ![4, 6, 8, 10].some((at) => isWithin(frame, at, at + 0.4)));
    const verdicts = failed(frames, between);
    expect(told(verdicts)).toEqual([['nobody-heard', 'main']]);
    // Four times 0.4 s, each to the frame before and behind it.
    expect(verdicts[0]?.measured).toBeGreaterThan(1.6);
    expect(verdicts[0]?.measured).toBeLessThan(1.7);
  });

  it('where the listener sits at the end, once and long, is a break of the wire beside it', () => {
    const frames = always(15).filter((frame) => !isWithin(frame, 6, 8));
    expect(told(failed(frames, atEnd))).toEqual([['trunk-break', 'plug - alpha']]);
  });

  it('with counters that begin anew is a supply that all share', () => {
    const frames = senders.flatMap((sender, i) =>
      framesOf(sender, [
        { fromS: 0, toS: 6 },
        { fromS: 6.8 + 0.033 * i, toS: 15 },
      ]),
    );
    expect(told(failed(frames, between))).toEqual(senders.map(({ device }) => ['device-restarts', device]));
  });
});

describe('a frame that waited for the wire to close', () => {
  it('comes at once and off its grid, and the frame behind it tells that the device ran on', () => {
    const vehicle = toVehicle('[terminator, alpha, { listener: plug }, bravo, charlie, delta, terminator]');
    const gaps = [4, 7, 9].map((fromS) => ({ fromS, toS: fromS + 0.53 }));
    const frames = always(15).flatMap((frame) => {
      const gap = gaps.find(({ fromS, toS }) => isWithin(frame, fromS, toS));
      if (!gap || !['charlie', 'delta'].includes(frame.device)) return [frame];
      // The oldest of the hidden ones is what the controller still holds.
      const isOldest = !isWithin({ ...frame, timeUs: frame.timeUs - (frame.device === 'charlie' ? 50_000 : 100_000) }, gap.fromS, gap.toS);
      return isOldest ? [{ ...frame, timeUs: Math.round(gap.toS * 1e6) + 200 + (frame.id % 5) * 300 }] : [];
    });
    expect(told(failed(frames, vehicle))).toEqual([['trunk-break', 'bravo - charlie']]);
  });
});

describe('time stamps of whole milliseconds', () => {
  it('do not hide a lone sender that nobody acknowledges', () => {
    const data = Uint8Array.of(1, 2, 3, 4, 5, 6, 7, 8);
    const frames = Array.from({ length: 18_000 }, (_, i): ScriptedFrame => {
      return { timeUs: Math.floor((i * 277) / 1000) * 1000, bus: 0, id: 0x100, flags: 0, data, device: 'alpha', frame: 'alpha_frame' };
    });
    const codes = failed(frames, between).map(({ code }) => code);
    expect(new Set(codes)).toEqual(new Set(['unacknowledged', 'device-missing']));
    expect(codes.filter((code) => code === 'device-missing').length).toBe(3);
  });

  it('make no restarts of single frames lost', () => {
    const frames = always(30)
      .filter((frame, i) => !(frame.device === 'bravo' && i % 97 === 0))
      .map((frame) => ({ ...frame, timeUs: Math.floor(frame.timeUs / 1000) * 1000 }));
    expect(failed(frames, between)).toEqual([]);
  });
});

describe('a second talker', () => {
  it.each([2, 3, 5, 10])('%i times slower than the owner is found by its frames between the grid', (slower) => {
    const second = framesOf({ device: 'x', id: 0x120, periodMs: 20 * slower }, [{ fromS: 0.007, toS: 20 }]).map((frame) => ({
      ...frame,
      data: Uint8Array.of(9, 9, 9, 9, 9, 9, 9, 9),
    }));
    expect(told(failed([...always(20), ...second], between))).toEqual([['two-talkers', 'bravo_frame']]);
  });

  it('is none where one sender also sends on a change, and says the same again in turn', () => {
    const own = framesOf(senders[1] as Sender, [{ fromS: 0, toS: 20 }]);
    let value = 0;
    const frames = own.flatMap((frame, i) => {
      const extra = i % 10 === 5;
      if (extra) value++;
      const data = Uint8Array.of(extra ? value - 1 : value, 0, 0, 0, 0, 0, 0, 0);
      const changed = { ...frame, timeUs: frame.timeUs + 8000, data: Uint8Array.of(value, 0, 0, 0, 0, 0, 0, 0) };
      return extra ? [{ ...frame, data }, changed] : [{ ...frame, data }];
    });
    expect(failed([...always(20).filter(({ device }) => device !== 'bravo'), ...frames], between)).toEqual([]);
  });
});

describe('a payload that comes to rest', () => {
  /** Whole degrees, without noise. */
  const withTemperature = (temperature: (s: number) => number) =>
    always(40).map((frame) => (frame.device === 'bravo' ? { ...frame, data: Uint8Array.of(temperature(frame.timeUs / 1e6), 0) } : frame));
  const padded = (frames: ScriptedFrame[]) =>
    frames.map((frame) => ({ ...frame, data: Uint8Array.from({ length: 8 }, (_, i) => frame.data[i] ?? 0) }));

  it('as a temperature that settles is not frozen', () => {
    expect(failed(padded(withTemperature((s) => 88 - 40 * Math.exp(-s / 3))), between)).toEqual([]);
    expect(failed(padded(withTemperature((s) => 60 - 9 * Math.exp(-s / 2))), between)).toEqual([]);
  });

  it('is frozen when it stops in the middle of its way', () => {
    expect(told(failed(padded(withTemperature((s) => 20 + 4 * Math.min(s, 9))), between))).toEqual([['payload-frozen', 'bravo_frame']]);
  });
});

describe('a short recording', () => {
  it('does not judge a device that speaks every two seconds and may still boot', () => {
    const slow = [...senders, { device: 'echo', id: 0x180, periodMs: 2000 }];
    const result = judge(always(3), toVehicle(undefined, slow));
    expect(result.verdicts.filter(({ ok }) => !ok)).toEqual([]);
    expect(result.notJudged?.map(({ what }) => what)).toContain('whether echo is there: it speaks every 2 s');
    expect(told(judge(always(8), toVehicle(undefined, slow)).verdicts.filter(({ ok }) => !ok))).toEqual([['device-missing', 'echo']]);
  });
});

describe('two loose connectors on one side', () => {
  // delta speaks every 100 ms, charlie every 50: an opening of 30 ms at delta's due time passes charlie by.
  const nearOpen = [3, 5, 7, 9, 11].map((fromS) => ({ fromS, toS: fromS + 0.4 }));
  const quick = senders.map((sender) => (sender.device === 'charlie' ? { ...sender, periodMs: 10 } : sender));
  const vehicle = toVehicle('[terminator, alpha, { listener: plug }, bravo, charlie, delta, terminator]', quick);
  const healthy = quick.flatMap((sender) => framesOf(sender, [{ fromS: 0, toS: 15 }]));
  const nearOnly = healthy.filter(
    (frame) => !nearOpen.some(({ fromS, toS }) => ['charlie', 'delta'].includes(frame.device) && isWithin(frame, fromS, toS)),
  );

  it('are both named when the farther device is missed while the nearer is heard', () => {
    let farther = 0;
    const isFarther = (frame: ScriptedFrame) => frame.device === 'delta' && frame.timeUs > 11.5e6 && farther++ % 6 === 3;
    const errors = nearOnly
      .filter((frame) => frame.device === 'delta' && frame.timeUs > 11.5e6)
      .flatMap(({ timeUs }) => [
        errorFrame(timeUs - 90, 0, 0x008, [0, 0, 2, 0x1a, 0, 0, 0, 0]),
        errorFrame(timeUs - 40, 0, 0x008, [0, 0, 2, 0x1a, 0, 0, 0, 0]),
      ]);
    const frames = [...nearOnly.filter((frame) => !isFarther(frame)), ...errors].sort((a, b) => a.timeUs - b.timeUs);
    expect(told(failed(frames, vehicle).filter(({ code }) => code === 'trunk-break'))).toEqual([
      ['trunk-break', 'bravo - charlie'],
      ['trunk-break', 'charlie - delta'],
    ]);
  });

  it('are one where whatever is missed falls into the openings of the nearer', () => {
    expect(told(failed(nearOnly, vehicle))).toEqual([['trunk-break', 'bravo - charlie']]);
  });
});

describe('a supply that is down', () => {
  it('makes a lone silence without a counter a restart', () => {
    // The battery's frame says 12.6 V, and 9.2 V from 6.0 to 8.0 s; bravo is silent from 6.1 to 7.9 s on its old grid.
    const text = `vehicle: Bench
engine: { cycle: four-stroke, cylinders: 4, battery: alpha_value }
buses: { main: { bit_rate: 500 kbit/s, devices: [alpha, bravo] } }
`;
    const device = (name: string, id: number, periodMs: number, unit: string) => ({
      path: `devices/${name}.yaml`,
      text: `device: ${name}\ntitle: ${name}\nframes:\n  - { name: ${name}_frame, id: ${id}, length: 8, period: ${periodMs} ms, signals: [{ name: ${name}_value, bytes: 0..1${unit} }] }\n`,
    });
    const parsed = parseVehicle([
      { path: 'vehicle.yaml', text },
      device('alpha', 0x100, 10, ', factor: 0.001, unit: V'),
      device('bravo', 0x120, 100, ''),
    ]);
    const [alpha, bravo] = [senders[0] as Sender, { ...(senders[1] as Sender), periodMs: 100 }];
    const volts = (s: number) => (s > 6 && s < 8 ? 9200 : 12_600);
    const battery = framesOf(alpha, [{ fromS: 0, toS: 15 }]).map((frame) => {
      const v = volts(frame.timeUs / 1e6);
      return { ...frame, data: Uint8Array.of(v & 255, v >> 8, 0, 0, 0, 0, 0, 0) };
    });
    const restarted = framesOf(bravo, [
      { fromS: 0, toS: 6.1 },
      { fromS: 7.918, toS: 15 },
    ]);
    const verdicts = failed([...battery, ...restarted], parsed.vehicle as Vehicle);
    expect(verdicts).toMatchObject([{ code: 'device-restarts', device: 'bravo', supplyLowestV: 9.2, supplyUsualV: 12.6 }]);
  });
});

describe('a frame that is shorter than it should be', () => {
  it('is short, and not frozen too', () => {
    const frames = always(15).map((frame) =>
      frame.device === 'charlie' && frame.timeUs > 5e6 ? { ...frame, data: new Uint8Array(0) } : frame,
    );
    expect(told(failed(frames, between))).toEqual([['frame-short', 'charlie_frame']]);
  });
});

describe('what error frames add', () => {
  it('a controller that left the bus hears nobody: no break of the wire beside the listener', () => {
    const off = [4, 7].map((fromS) => ({ fromS, toS: fromS + 0.6 }));
    const errors = off.flatMap(({ fromS, toS }) => [
      errorFrame(fromS * 1e6 + 100, 0, 0x040, [0, 0, 0, 0, 0, 0, 0, 0]),
      errorFrame(toS * 1e6 - 100, 0, 0x100, [0, 0, 0, 0, 0, 0, 0, 0]),
    ]);
    const frames = [...always(15).filter((frame) => !off.some(({ fromS, toS }) => isWithin(frame, fromS, toS))), ...errors];
    const verdicts = failed(
      frames.sort((a, b) => a.timeUs - b.timeUs),
      atEnd,
    );
    // Two silences of 0.6 s are more than a second in all.
    expect(told(verdicts)).toEqual([
      ['nobody-heard', 'main'],
      ['bus-errors', 'main'],
    ]);
  });

  it('one where a lone end device falls silent and one where it comes back are a contact that opened and closed', () => {
    const quiet = always(15).filter((frame) => !(frame.device === 'delta' && isWithin(frame, 5, 8)));
    const errors = [5.02, 7.99].map((s) => errorFrame(s * 1e6, 0, 0x088, [0, 0, 4, 0x0a, 0, 0, 0, 0]));
    const shifted = quiet.map((frame) =>
      frame.device === 'delta' && frame.timeUs > 8e6 ? { ...frame, timeUs: frame.timeUs + 43_000 } : frame,
    );
    const codes = (frames: ScriptedFrame[]) =>
      told(
        failed(
          frames.sort((a, b) => a.timeUs - b.timeUs),
          between,
        ),
      ).map(String);
    expect(codes([...quiet, ...errors])).toContain('trunk-break,charlie - delta');
    expect(codes([...shifted])).toEqual(['device-restarts,delta']);
  });
});

describe('a device in the middle', () => {
  it('that falls silent while those behind it are heard does so by itself, also when once none of them was due', () => {
    // delta, behind charlie, speaks every second: of the openings only the first holds no frame of it.
    const slow = senders.map((sender) => (sender.device === 'delta' ? { ...sender, periodMs: 1000 } : sender));
    const vehicle = toVehicle('[terminator, alpha, { listener: plug }, bravo, charlie, delta, terminator]', slow);
    const openings = [
      { fromS: 3.2, toS: 3.7 },
      { fromS: 5.6, toS: 6.5 },
      { fromS: 8.5, toS: 9.4 },
    ];
    const frames = slow
      .flatMap((sender) => framesOf(sender, [{ fromS: 0, toS: 15 }]))
      .filter((frame) => !(frame.device === 'charlie' && openings.some(({ fromS, toS }) => isWithin(frame, fromS, toS))));
    expect(told(failed(frames, vehicle))).toEqual([['device-drops', 'charlie']]);
  });
});

describe('a node at another bit rate', () => {
  it('takes frames from everybody, together too, and breaks no trunk', () => {
    // delta is never heard; a flood of errors takes every twentieth time slot of 10 ms from all others, some twice as long.
    const vehicle = toVehicle('[{ listener: plug }, delta, alpha, bravo, charlie, terminator]');
    const isTaken = (timeUs: number) => {
      const slot = Math.floor(timeUs / 10_000);
      return slot % 20 === 7 || slot % 60 === 8 || slot % 60 === 9 || slot % 60 === 10;
    };
    const frames = always(20).filter((frame) => frame.device !== 'delta' && !isTaken(frame.timeUs));
    const errors = Array.from({ length: 800 }, (_, i) =>
      errorFrame(i * 25_000, 0, 0x088, [0, 0, i % 3 === 0 ? 2 : 4, [2, 3, 6, 0x0a][i % 4] as number, 0, 0, 0, 0]),
    );
    const codes = told(
      failed(
        [...frames, ...errors].sort((a, b) => a.timeUs - b.timeUs),
        vehicle,
      ),
    ).map(([code]) => code);
    expect(new Set(codes)).toEqual(new Set(['device-missing', 'wrong-bit-rate', 'bus-errors']));
  });
});
