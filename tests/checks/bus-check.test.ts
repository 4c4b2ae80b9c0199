// The bus check on scripted traffic: every fault found and rightly named, and nothing said of a healthy bus.
import { describe, expect, it } from 'vitest';
import { checkBus } from '../../server/checks/bus-check.ts';
import { TrafficLog } from '../../server/checks/bus-traffic.ts';
import type { Verdict } from '../../server/checks/verdict.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { errorFrame, healthyFrames, randomFrom, type ScriptedFrame, toBatch } from '../doubles/scripted-bus.ts';

function device(name: string, id: number, periodMs: number, counter: boolean): { path: string; text: string } {
  const counterSignal = counter ? `\n      - { name: ${name}_count, start_bit: 48, bit_length: 8 }` : '';
  return {
    path: `devices/${name.replaceAll('_', '-')}.yaml`,
    text: `device: ${name.replaceAll('_', '-')}
title: ${name}
frames:
  - name: ${name}_fast
    id: ${id}
    length: 8
    period: ${periodMs} ms${counter ? `\n    counter: ${name}_count` : ''}
    signals:
      - { name: ${name}_one, bytes: 0..1 }${counterSignal}
  - name: ${name}_slow
    id: ${id + 1}
    length: 8
    period: ${periodMs * 5} ms
    signals:
      - { name: ${name}_two, bytes: 0..1 }
`,
  };
}

function vehicle(trunk: string, counters = true): Vehicle {
  const names = ['alpha', 'bravo', 'charlie', 'delta', 'echo'];
  const files = names.map((name, i) => device(name, 0x100 + 0x20 * i, [10, 20, 50, 20, 100][i] as number, counters));
  const text = `vehicle: Test bench
buses:
  main: { bit_rate: 500 kbit/s, devices: [${names.join(', ')}] }
trunk:
  main: ${trunk}
`;
  const parsed = parseVehicle([{ path: 'vehicle.yaml', text }, ...files]);
  if (!parsed.vehicle) throw new Error(JSON.stringify(parsed.problems));
  return parsed.vehicle;
}

const line = vehicle(
  '[terminator, alpha, { listener: plug }, bravo, charlie, { device: delta, stub: 0.2 m }, { device: echo, terminator: inside }]',
);

function failed(frames: readonly ScriptedFrame[], of: Vehicle = line): Verdict[] {
  const traffic = new TrafficLog(of);
  traffic.take(toBatch(frames));
  return checkBus(traffic).verdicts.filter((verdict) => !verdict.ok);
}

const codes = (verdicts: readonly Verdict[]) => verdicts.map((verdict) => verdict.code).sort();
const between = (frame: ScriptedFrame, fromS: number, toS: number) => frame.timeUs > fromS * 1e6 && frame.timeUs < toS * 1e6;

describe('bus check', () => {
  it.each(Array.from({ length: 20 }, (_, seed) => seed + 1))('says nothing of a healthy bus (seed %i)', (seed) => {
    expect(failed(healthyFrames(line, { seconds: 12, seed }))).toEqual([]);
  });

  it.each([31, 32, 33, 34])('says nothing of devices whose slow frames begin before their fast ones (seed %i)', (seed) => {
    // A fast frame's id ends in 0x00, 0x20, 0x40, ...; a device's slow frame comes a few times alone.
    const frames = healthyFrames(line, { seconds: 12, seed }).filter((frame) => frame.id % 0x20 !== 0 || frame.timeUs > 1.4e6);
    expect(failed(frames)).toEqual([]);
  });

  it('says where a second contact may be loose, on one lost frame that is too little to be certain', () => {
    const outages = [3, 5, 7, 9];
    const frames = healthyFrames(line, { seconds: 12, seed: 5 }).filter((frame) => {
      const cut = ['bravo', 'charlie', 'delta', 'echo'].includes(frame.device) && outages.some((s) => between(frame, s, s + 0.3));
      return !cut && !(frame.device === 'alpha' && between(frame, 6.02, 6.03));
    });
    // As a contact does when it opens and closes: form errors at both edges.
    const edges = [...outages.flatMap((s) => [s, s + 0.3]), 6.022, 6.024, 6.026, 6.028];
    const errors = edges.map((s) => errorFrame(s * 1e6, 0, 0x008, [0, 0, 2, 0x1a, 0, 0, 0, 0]));
    const [found, ...others] = failed([...frames, ...errors].sort((a, b) => a.timeUs - b.timeUs)).filter(
      ({ code }) => code === 'trunk-break',
    );
    expect(others).toEqual([]);
    expect([found?.stretch, found?.alsoPerhaps]).toEqual(['plug - bravo', ['alpha - plug']]);
  });

  it('calls every device of an empty recording missing, at 0', () => {
    const verdicts = failed([]);
    expect(codes(verdicts)).toEqual(Array.from({ length: 5 }, () => 'device-missing'));
    expect(verdicts.every(({ at, measured }) => at === 0 && measured === 0)).toBe(true);
  });

  it('names a device that was never there, once', () => {
    const frames = healthyFrames(line, { seconds: 10, seed: 3 }).filter((frame) => frame.device !== 'charlie');
    expect(failed(frames).map(({ code, device: name }) => [code, name])).toEqual([['device-missing', 'charlie']]);
  });

  it('names a device that falls silent and stays so', () => {
    const frames = healthyFrames(line, { seconds: 20, seed: 4, powerOff: [{ device: 'bravo', fromS: 8, toS: 99 }] });
    const verdicts = failed(frames);
    expect(codes(verdicts)).toEqual(['device-missing']);
    expect(verdicts[0]?.device).toBe('bravo');
    expect(verdicts[0]?.at).toBeGreaterThan(7.4);
    expect(verdicts[0]?.at).toBeLessThan(8.1);
  });

  it('says where a break would hide a lost end device alone', () => {
    const [verdict] = failed(healthyFrames(line, { seconds: 20, seed: 4, powerOff: [{ device: 'echo', fromS: 8, toS: 99 }] }));
    expect(verdict).toMatchObject({ code: 'device-missing', device: 'echo', alternatives: ['trunk-break delta - echo'] });
  });

  it('calls every frame of a slow device late', () => {
    const verdicts = failed(healthyFrames(line, { seconds: 12, seed: 5, slow: { delta: 1.6 } }));
    expect(verdicts.map(({ code, frame }) => [code, frame]).sort()).toEqual([
      ['frame-late', 'delta_fast'],
      ['frame-late', 'delta_slow'],
    ]);
  });

  it('tells a restart from a break by the counter', () => {
    const verdicts = failed(healthyFrames(line, { seconds: 20, seed: 6, powerOff: [{ device: 'echo', fromS: 8, toS: 9.3 }] }));
    expect(verdicts.map(({ code, device: name }) => [code, name])).toEqual([['device-restarts', 'echo']]);
  });

  it.each([
    ['bravo - charlie', ['charlie', 'delta', 'echo']],
    ['charlie - delta', ['delta', 'echo']],
    ['delta - echo', ['echo']],
    ['plug - bravo', ['bravo', 'charlie', 'delta', 'echo']],
    ['alpha - plug', ['alpha']],
  ])('finds the break %s from who vanishes together', (stretch, beyond) => {
    const gaps = [
      [5, 5.5],
      [7, 7.25],
      [11, 13.1],
    ] as const;
    const frames = healthyFrames(line, { seconds: 20, seed: 7 }).filter(
      (frame) => !(beyond.includes(frame.device) && gaps.some(([from, to]) => between(frame, from, to))),
    );
    const verdicts = failed(frames);
    expect(verdicts.map((verdict) => [verdict.code, verdict.stretch])).toEqual([['trunk-break', stretch]]);
  });

  it('finds two breaks at different times', () => {
    const frames = healthyFrames(line, { seconds: 20, seed: 8 }).filter(
      (frame) =>
        !(['delta', 'echo'].includes(frame.device) && between(frame, 5, 6)) && !(frame.device === 'alpha' && between(frame, 12, 13)),
    );
    expect(failed(frames).map((verdict) => [verdict.code, verdict.stretch])).toEqual([
      ['trunk-break', 'charlie - delta'],
      ['trunk-break', 'alpha - plug'],
    ]);
  });

  it('takes a break for good as one break, and its devices as missing', () => {
    const frames = healthyFrames(line, { seconds: 20, seed: 9 }).filter(
      (frame) => !(['delta', 'echo'].includes(frame.device) && frame.timeUs > 9e6),
    );
    expect(failed(frames).map((verdict) => verdict.code + (verdict.stretch ?? verdict.device))).toEqual([
      'trunk-breakcharlie - delta',
      'device-missingdelta',
      'device-missingecho',
    ]);
  });

  it('tells a break from a restart by the time grid where there is no counter', () => {
    const plain = vehicle('[terminator, alpha, { listener: plug }, bravo, charlie, delta, { device: echo, terminator: inside }]', false);
    const healthy = healthyFrames(plain, { seconds: 20, seed: 10 });
    const broken = healthy.filter((frame) => !(frame.device === 'echo' && between(frame, 6, 7.2)));
    expect(failed(broken, plain).map((verdict) => [verdict.code, verdict.stretch])).toEqual([['trunk-break', 'delta - echo']]);
  });

  it('says the id of a frame that nobody defined, in hex', () => {
    const frames = healthyFrames(line, { seconds: 5, seed: 11 });
    const stray = frames
      .filter((frame) => frame.frame === 'alpha_fast')
      .map((frame) => ({ ...frame, id: 0x3a7, timeUs: frame.timeUs + 3000 }));
    const verdicts = failed([...frames, ...stray]);
    expect(codes(verdicts)).toEqual(['id-unknown']);
    expect(verdicts[0]?.say).toContain('0x3A7');
  });

  it('finds a second talker on an id', () => {
    const frames = healthyFrames(line, { seconds: 10, seed: 12 });
    const second = frames
      .filter((frame) => frame.frame === 'bravo_fast' && frame.timeUs > 4e6)
      .map((frame) => ({ ...frame, timeUs: frame.timeUs + 6700, data: frame.data.map((byte) => 255 - byte) }));
    const verdicts = failed([...frames, ...second]);
    expect(verdicts.map(({ code, frame }) => [code, frame])).toEqual([['two-talkers', 'bravo_fast']]);
  });

  it('finds a stuck counter and a skipping one, and takes a jump over lost frames for a consequence', () => {
    const healthy = healthyFrames(line, { seconds: 10, seed: 13 });
    const stuck = healthy.map((frame) =>
      frame.frame === 'bravo_fast' && frame.timeUs > 5e6
        ? { ...frame, data: Uint8Array.from(frame.data, (byte, i) => (i === 6 ? 77 : byte)) }
        : frame,
    );
    expect(failed(stuck).map(({ code, frame }) => [code, frame])).toEqual([['counter-skips', 'bravo_fast']]);
    let seen = 0;
    const lossy = healthy.filter((frame) => frame.frame !== 'bravo_fast' || ++seen % 40 !== 0);
    expect(failed(lossy)).toEqual([]);
    const skipping = healthy.map((frame) =>
      frame.frame === 'bravo_fast' && frame.timeUs > 5e6
        ? { ...frame, data: Uint8Array.from(frame.data, (byte, i) => (i === 6 ? (byte + 9) & 255 : byte)) }
        : frame,
    );
    expect(failed(skipping).map(({ code, frame, measured }) => [code, frame, measured])).toEqual([['counter-skips', 'bravo_fast', 1]]);
  });

  it.each([
    ['0 to 199 of 8 bits', 0, 200],
    ['1 to 255 of 8 bits', 1, 255],
  ])('holds no wrap against a counter that uses %s, and still finds its jump', (_, lowest, modulus) => {
    // echo_fast comes every 100 ms: some 250 frames, one wrap in this recording.
    const count = (jump: number) => {
      let sent = 150;
      return healthyFrames(line, { seconds: 25, seed: 13 }).map((frame) => {
        if (frame.frame !== 'echo_fast') return frame;
        const value = lowest + ((sent++ + (frame.timeUs > 15e6 ? jump : 0)) % modulus);
        return { ...frame, data: Uint8Array.from(frame.data, (byte, i) => (i === 6 ? value : byte)) };
      });
    };
    expect(failed(count(0))).toEqual([]);
    expect(failed(count(9)).map(({ code, frame }) => [code, frame])).toEqual([['counter-skips', 'echo_fast']]);
  });

  it('finds a payload that froze, and leaves a constant one alone', () => {
    const frames = healthyFrames(line, { seconds: 20, seed: 14 }).map((frame) => {
      if (frame.frame === 'charlie_slow') return { ...frame, data: new Uint8Array(8) };
      return frame.frame === 'delta_slow' && frame.timeUs > 8e6 ? { ...frame, data: new Uint8Array(8).fill(5) } : frame;
    });
    expect(failed(frames).map(({ code, frame }) => [code, frame])).toEqual([['payload-frozen', 'delta_slow']]);
  });

  it.each([
    ['where it lay before', 5, []],
    ['elsewhere', 6, ['delta_slow']],
  ])('a lever that lay still and comes to rest %s', (_, end, frozen) => {
    const frames = healthyFrames(line, { seconds: 30, seed: 14 }).map((frame) => {
      const value = frame.timeUs < 4e6 ? 5 : frame.timeUs < 8e6 ? frame.data[0] : end;
      return frame.frame === 'delta_slow' ? { ...frame, data: new Uint8Array(8).fill(value as number) } : frame;
    });
    expect(failed(frames).map(({ code, frame }) => [code, frame])).toEqual(frozen.map((frame) => ['payload-frozen', frame]));
  });

  it('finds frames that are too short', () => {
    const frames = healthyFrames(line, { seconds: 6, seed: 15 }).map((frame) =>
      frame.frame === 'alpha_slow' && frame.timeUs > 3e6 ? { ...frame, data: frame.data.subarray(0, 4) } : frame,
    );
    const verdicts = failed(frames);
    expect(verdicts.map(({ code, frame, measured, limit }) => [code, frame, measured, limit])).toEqual([
      ['frame-short', 'alpha_slow', 4, 8],
    ]);
  });

  it('finds a frame that never comes although its device is there', () => {
    const frames = healthyFrames(line, { seconds: 6, seed: 16 }).filter((frame) => frame.frame !== 'delta_slow');
    expect(failed(frames).map(({ code, frame }) => [code, frame])).toEqual([['frame-missing', 'delta_slow']]);
  });

  it('knows a lone device that nobody acknowledges by one frame back to back', () => {
    const data = Uint8Array.of(1, 2, 3, 4, 5, 6, 7, 8);
    const frames: ScriptedFrame[] = [];
    for (let i = 0; i < 18_000; i++)
      frames.push({ timeUs: 200_000 + i * 277, bus: 0, id: 0x100, flags: 0, data, device: 'alpha', frame: 'alpha_fast' });
    for (let i = 0; i < 16; i++) frames.push(errorFrame(100_000 + i * 300, 0, 0x008, [0, 0, 0x80, 0x1b, 0, 0, 8 * i, 0]));
    const verdicts = failed(frames);
    expect(codes(verdicts)).toEqual([
      'bus-errors',
      'device-missing',
      'device-missing',
      'device-missing',
      'device-missing',
      'unacknowledged',
    ]);
    const verdict = verdicts.find(({ code }) => code === 'unacknowledged');
    expect(verdict?.device).toBe('alpha');
    expect(verdict?.measured).toBeGreaterThan(3500);
  });

  it('names the node that speaks at another bit rate', () => {
    const frames = healthyFrames(line, { seconds: 10, seed: 17 }).filter((frame) => frame.device !== 'charlie');
    for (let i = 0; i < 400; i++) frames.push(errorFrame(500_000 + i * 23_000, 0, 0x088, [0, 0, i % 3 === 0 ? 2 : 4, 0x0a, 0, 0, 0, 40]));
    const verdicts = failed(frames);
    expect(verdicts.find(({ code }) => code === 'wrong-bit-rate')?.device).toBe('charlie');
    expect(codes(verdicts)).toEqual(['bus-errors', 'device-missing', 'wrong-bit-rate']);
  });

  it('says of a bus that is never understood that the rate is wrong, and looks for no break in its trunk', () => {
    const frames: ReturnType<typeof errorFrame>[] = [];
    for (let i = 0; i < 2000; i++)
      frames.push(errorFrame(i * 5_000, 0, 0x088, [0, 0, i % 3 === 0 ? 2 : 4, [2, 3, 6, 0x0a][i % 4] as number, 0, 0, 0, 0]));
    const verdicts = failed(frames);
    expect(verdicts.filter(({ code }) => code === 'wrong-bit-rate').map(({ device }) => device)).toEqual([undefined]);
    expect(verdicts.map(({ code }) => code)).not.toContain('trunk-break');
  });

  it('tells warning, passive and bus-off as a story', () => {
    const frames = healthyFrames(line, { seconds: 5, seed: 18 });
    frames.push(
      errorFrame(2_000_000, 0, 4, [0, 8, 0, 0, 0, 0, 0x60, 0]),
      errorFrame(2_010_000, 0, 4, [0, 0x20, 0, 0, 0, 0, 0x88, 0]),
      errorFrame(2_020_000, 0, 0x40, [0, 0, 0, 0, 0, 0, 0, 0]),
    );
    const [verdict] = failed(frames).filter(({ code }) => code === 'bus-errors');
    expect(verdict?.say).toMatch(/error warning \(sent 96, received 0\), then error-passive \(sent 136, received 0\), then bus-off/);
  });

  it('fails a bus that is loaded over seventy per cent and gives the load of a known pattern exactly', () => {
    // Without data, 0x000 takes 53 bits and 0x7FF takes 50 (published vectors): by turns every 140 us at 500 kbit/s, 73.6 %.
    const frames: ScriptedFrame[] = [];
    for (let i = 0; i <= 20_000; i++) {
      frames.push({ timeUs: i * 140, bus: 0, id: i % 2 === 0 ? 0 : 0x7ff, flags: 0, data: new Uint8Array(0), device: '', frame: '' });
    }
    const load = failed(frames).find(({ code }) => code === 'bus-load');
    expect(load?.measured).toBeCloseTo((100 * (53 * 10_001 + 50 * 10_000)) / (500_000 * 2.8), 3);
  });

  it('tells a break on each side of the listener apart although both interrupt at once', () => {
    const frames = healthyFrames(line, { seconds: 20, seed: 21 }).filter((frame) => {
      const left = frame.device === 'alpha' && [4, 8, 12].some((at) => between(frame, at, at + 0.6));
      const right = ['delta', 'echo'].includes(frame.device) && [4.05, 8.02, 14].some((at) => between(frame, at, at + 0.6));
      return !left && !right;
    });
    expect(
      failed(frames)
        .map((verdict) => [verdict.code, verdict.stretch])
        .sort(),
    ).toEqual([
      ['trunk-break', 'alpha - plug'],
      ['trunk-break', 'charlie - delta'],
    ]);
  });

  it('says one restart verdict of a device that restarts again and again, counters or not', () => {
    const plain = vehicle('[terminator, alpha, { listener: plug }, bravo, charlie, delta, { device: echo, terminator: inside }]', false);
    const powerOff = [4, 8, 12, 16].map((fromS, i) => ({ device: 'echo', fromS, toS: fromS + 0.63 + 0.21 * i }));
    for (const seed of [22, 23, 24, 25, 26]) {
      const verdicts = failed(healthyFrames(plain, { seconds: 20, seed, powerOff }), plain);
      expect(verdicts.map(({ code, device: name }) => [code, name])).toEqual([['device-restarts', 'echo']]);
    }
  });

  it.each([0.002, 0.01])('takes frames that the adapter loses anywhere (share %f) for no break, no restart and no skip', (share) => {
    for (const seed of [27, 28, 29]) {
      const random = randomFrom(seed);
      expect(failed(healthyFrames(line, { seconds: 20, seed }).filter(() => random() > share))).toEqual([]);
    }
  });

  it('measures silence by the frames that are there, once a quick one has stopped', () => {
    const frames = healthyFrames(line, { seconds: 20, seed: 30 }).filter((frame) => frame.frame !== 'echo_fast' || frame.timeUs < 8e6);
    expect(failed(frames).map(({ code, frame }) => [code, frame])).toEqual([['frame-missing', 'echo_fast']]);
  });

  it('names what steady errors may be, and which reading decides, while everybody is heard', () => {
    const frames = healthyFrames(line, { seconds: 10, seed: 31 });
    for (let i = 0; i < 100; i++) frames.push(errorFrame(300_000 + i * 95_000, 0, 0x088, [0, 0, 4, i % 2 === 0 ? 0x0a : 0x08, 0, 0, 0, 9]));
    const [errors, ...others] = failed(frames);
    expect(others).toEqual([]);
    expect(errors?.suspects).toEqual(['terminator missing', 'one terminator too many', 'noise']);
    expect(errors?.next).toMatch(/120 ohm .*\(the trunk names the one at the end and inside echo\).* 40 ohm .* 60 ohm/);
  });

  it('gives bursts of errors no such name', () => {
    const frames = healthyFrames(line, { seconds: 10, seed: 32 });
    for (let i = 0; i < 40; i++) frames.push(errorFrame(4_000_000 + i * 900, 0, 0x088, [0, 0, 4, 0x0a, 0, 0, 0, 9]));
    expect(failed(frames).map(({ code, suspects }) => [code, suspects])).toEqual([['bus-errors', undefined]]);
  });
});

describe('frames on events', () => {
  const text = `device: panel
title: Panel
frames:
  - { name: status, id: 0x200, length: 4, period: 100 ms, signals: [{ name: status_one, bytes: 0..1 }] }
  - name: key_press
    id: 0x201
    length: 4
    counter: key_count
    signals: [{ name: key_code, bytes: 0 }, { name: key_count, bytes: 3 }]
`;
  const panel = parseVehicle([
    { path: 'vehicle.yaml', text: 'vehicle: Panel\nbuses: { main: { bit_rate: 500 kbit/s, devices: [panel] } }\n' },
    { path: 'devices/panel.yaml', text },
  ]).vehicle as Vehicle;
  const status = Array.from({ length: 120 }, (_, i): ScriptedFrame => {
    const data = Uint8Array.of(i & 255, 1, 2, 3);
    return { timeUs: i * 100_000, bus: 0, id: 0x200, flags: 0, data, device: 'panel', frame: 'status' };
  });
  const press = (timeUs: number, count: number): ScriptedFrame => {
    return { timeUs, bus: 0, id: 0x201, flags: 0, data: Uint8Array.of(7, 0, 0, count), device: 'panel', frame: 'key_press' };
  };

  it('may stay away, come late and leave numbers out: nobody knows what was due', () => {
    expect(failed(status, panel)).toEqual([]);
    const counts = [1, 2, 3, 5, 6, 9, 10];
    expect(failed([...status, ...counts.map((count, i) => press(1_000_000 + i * i * 173_000, count))], panel)).toEqual([]);
  });
});
