import { describe, expect, it } from 'vitest';
import { FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';
import { hasValue, qualityNames } from '../../server/channels/quality.ts';
import { SampleBatch } from '../../server/channels/sample-batch.ts';
import { compileDecoder, pgnOf } from '../../server/codec/decoder.ts';
import type { Frame, Signal } from '../../server/definitions/vehicle.ts';
import { unknownIdsMax } from '../../server/limits.ts';
import { madeFrame, madeSignal, madeVehicle, range } from './made-vehicle.ts';

type Sample = [value: number | null, quality: string];

function bytesOf(hex: string): Uint8Array {
  return Uint8Array.from(Buffer.from(hex.replace(/ /g, ''), 'hex'));
}

/** Decodes one frame of bus 0 whose definition is `frame`, and gives [value, quality] a sample. */
function decodeFrame(frame: Frame, hex: string, id = frame.id ?? 0): Sample[] {
  const batch = new FrameBatch();
  const bytes = bytesOf(hex);
  const flags = (frame.extended ? frameFlag.extended : 0) | (frame.fd ? frameFlag.fd : 0);
  batch.push(1000, 0, id, flags, bytes, 0, bytes.length);
  const out = new SampleBatch();
  compileDecoder(madeVehicle([frame])).decode(batch, 0, 1, out);
  return samplesOf(out);
}

function samplesOf(out: SampleBatch): Sample[] {
  return Array.from({ length: out.count }, (_, i) => {
    const code = out.quality[i] as number;
    return [hasValue(code) ? (out.value[i] as number) : null, qualityNames[code] as string];
  });
}

function decodeSignal(signal: Partial<Signal>, hex: string, lengthBytes = 8): Sample {
  return decodeFrame(madeFrame({ lengthBytes, signals: [madeSignal({ name: 'one', ...signal })] }), hex)[0] as Sample;
}

describe('a signal', () => {
  // Expected values by hand from the bit numbering of the device file.
  it.each<[string, Partial<Signal>, string, number]>([
    ['of one bit, bit 0', { startBit: 0, bitLength: 1 }, '01 00 00 00 00 00 00 00', 1],
    ['of one bit, bit 63', { startBit: 63, bitLength: 1 }, '00 00 00 00 00 00 00 80', 1],
    ['of 12 bits little-endian across a byte', { startBit: 4, bitLength: 12 }, '6C 96 00 00 00 00 00 00', 0x966],
    ['of 12 bits big-endian across a byte', { startBit: 3, bitLength: 12, byteOrder: 'big' }, '6C 96 00 00 00 00 00 00', 0xc96],
    ['of 16 bits big-endian at start bit 23', { startBit: 23, bitLength: 16, byteOrder: 'big' }, '00 00 12 34 00 00 00 00', 0x1234],
    ['of 16 bits little-endian across a word', { startBit: 24, bitLength: 16 }, '00 00 00 34 12 00 00 00', 0x1234],
    ['of 16 bits big-endian across a word', { startBit: 31, bitLength: 16, byteOrder: 'big' }, '00 00 00 12 34 00 00 00', 0x1234],
    ['of 32 bits, all ones', { startBit: 0, bitLength: 32 }, 'FF FF FF FF 00 00 00 00', 4294967295],
    ['signed of 32 bits, lowest', { startBit: 0, bitLength: 32, sign: 'signed' }, '00 00 00 80 00 00 00 00', -2147483648],
    ['signed of 8 bits, all ones', { startBit: 16, bitLength: 8, sign: 'signed' }, '00 00 FF 00 00 00 00 00', -1],
    ['of 33 bits', { startBit: 0, bitLength: 33 }, '01 00 00 00 01 00 00 00', 4294967297],
    ['signed of 33 bits', { startBit: 0, bitLength: 33, sign: 'signed' }, '00 00 00 00 01 00 00 00', -4294967296],
    ['signed of 64 bits, all ones', { startBit: 0, bitLength: 64, sign: 'signed' }, 'FF FF FF FF FF FF FF FF', -1],
    ['of 64 bits, rounded to a double', { startBit: 0, bitLength: 64 }, 'FF FF FF FF FF FF FF FF', 2 ** 64],
    ['of 64 bits big-endian', { startBit: 7, bitLength: 64, byteOrder: 'big' }, '00 00 00 01 00 00 00 02', 4294967298],
    ['float of 32 bits', { startBit: 0, bitLength: 32, sign: 'float' }, '00 00 C0 3F 00 00 00 00', 1.5],
    ['float of 32 bits big-endian', { startBit: 7, bitLength: 32, sign: 'float', byteOrder: 'big' }, 'C0 20 00 00 00 00 00 00', -2.5],
    ['float of 64 bits', { startBit: 0, bitLength: 64, sign: 'float' }, '00 00 00 00 00 00 F8 3F', 1.5],
    // 1.5 is 0x3FC00000; three bits further left.
    ['float of 32 bits across bytes', { startBit: 3, bitLength: 32, sign: 'float' }, '00 00 00 FE 01 00 00 00', 1.5],
    ['with factor and offset', { bitLength: 16, factor: 0.1, offset: -50 }, 'DE 02 00 00 00 00 00 00', 734 * 0.1 - 50],
  ])('%s', (_title, signal, hex, value) => {
    expect(decodeSignal(signal, hex)).toEqual([value, 'ok']);
  });

  it('is raw × factor + offset in that order, to the last bit', () => {
    // (3 + 0.1 / 0.1 ...) re-associated would give another double for many raws: 65,536 of them are compared.
    const frame = madeFrame({ lengthBytes: 2, signals: [madeSignal({ name: 'one', bitLength: 16, factor: 0.1, offset: -50 })] });
    const batch = new FrameBatch();
    for (let raw = 0; raw < 65536; raw++) batch.push(raw, 0, 0x100, 0, Uint8Array.of(raw & 255, raw >> 8), 0, 2);
    const out = new SampleBatch();
    compileDecoder(madeVehicle([frame])).decode(batch, 0, batch.count, out);
    for (let raw = 0; raw < 65536; raw++) expect(Object.is(out.value[raw], raw * 0.1 + -50)).toBe(true);
  });

  it.each<[string, Partial<Signal>, string, Sample]>([
    ['a fault', { fault: [range(0xff)] }, 'FF', [null, 'fault']],
    ['a fault range', { fault: [range(0xf0, 0xfe)] }, 'F7', [null, 'fault']],
    ['not available', { notAvailable: [range(0xff)], fault: [range(0xfe)] }, 'FF', [null, 'missing']],
    ['a signed fault by its bit pattern', { sign: 'signed', fault: [range(0x80)] }, '80', [null, 'fault']],
    ['a signed range across zero as patterns', { sign: 'signed', fault: [range(0x7f, 0x81)] }, '81', [null, 'fault']],
    ['just outside that range', { sign: 'signed', fault: [range(0x7f, 0x81)] }, '82', [-126, 'ok']],
    ['below min', { min: 10 }, '09', [9, 'out-of-range']],
    ['at min', { min: 10 }, '0A', [10, 'ok']],
    ['above max', { max: 10 }, '0B', [11, 'out-of-range']],
    ['a max of exactly 0', { sign: 'signed', max: 0 }, '01', [1, 'out-of-range']],
    ['a min of exactly 0', { sign: 'signed', min: 0 }, 'FF', [-1, 'out-of-range']],
  ])('has a quality: %s', (_title, signal, hex, sample) => {
    expect(decodeSignal(signal, hex, 1)).toEqual(sample);
  });

  it('compares 64-bit masks in all their bits', () => {
    const signal = { bitLength: 64, fault: [range(0xfffffffffffffffen)], notAvailable: [range(0xffffffffffffffffn)] };
    expect(decodeSignal(signal, 'FE FF FF FF FF FF FF FF')).toEqual([null, 'fault']);
    expect(decodeSignal(signal, 'FF FF FF FF FF FF FF FF')).toEqual([null, 'missing']);
    expect(decodeSignal(signal, 'FD FF FF FF FF FF FF FF')[1]).toBe('ok');
    expect(decodeSignal({ bitLength: 64, fault: [range(0x1_00000000n, 0x1_ffffffffn)] }, '00 00 00 00 02 00 00 00')[1]).toBe('ok');
    expect(decodeSignal({ bitLength: 64, fault: [range(0x1_00000000n, 0x1_ffffffffn)] }, 'FF FF FF FF 01 00 00 00')[1]).toBe('fault');
  });

  it('that is a float and no finite number is a fault, never a NaN', () => {
    const float = { bitLength: 32, sign: 'float' as const };
    expect(decodeSignal(float, '00 00 C0 7F 00 00 00 00')).toEqual([null, 'fault']);
    expect(decodeSignal(float, '00 00 80 7F 00 00 00 00')).toEqual([null, 'fault']);
    expect(decodeSignal(float, '00 00 80 FF 00 00 00 00')).toEqual([null, 'fault']);
    // Finite itself, but not after its factor.
    expect(decodeSignal({ bitLength: 64, sign: 'float', factor: 1e10 }, 'FF FF FF FF FF FF EF 7F')).toEqual([null, 'fault']);
  });

  it('of raw 0 with a negative factor is 0 and not −0', () => {
    const [value] = decodeSignal({ factor: -1 }, '00 00 00 00 00 00 00 00');
    expect(Object.is(value, 0)).toBe(true);
  });
});

describe('a multiplexed frame', () => {
  const page = madeSignal({ name: 'page', startBit: 56, bitLength: 4 });
  const sub = { ...madeSignal({ name: 'sub', startBit: 60, bitLength: 4 }), when: [{ signal: 'page', ranges: [range(1, 3)] }] };
  const temp = { ...madeSignal({ name: 'temp', startBit: 48, sign: 'signed' }), when: [{ signal: 'page', ranges: [range(0)] }] };
  const nested = {
    ...madeSignal({ name: 'nested', startBit: 48 }),
    when: [...sub.when, { signal: 'sub', ranges: [range(5), range(7)] }],
  };
  const frame = madeFrame({ signals: [page, temp, sub, nested] });

  it.each<[string, string, (number | null)[]]>([
    ['one page', '00 00 00 00 00 00 F6 00', [0, -10]],
    ['another, whose inner selector has no match', '00 00 00 00 00 00 F6 61', [1, 6]],
    ['the inner page', '00 00 00 00 00 00 F6 73', [3, 7, 246]],
    ['a page that nothing is on', '00 00 00 00 00 00 F6 54', [4]],
  ])('gives the signals of %s', (_title, hex, values) => {
    expect(decodeFrame(frame, hex).map(([value]) => value)).toEqual(values);
  });
});

describe('frames that give no samples', () => {
  const frame = madeFrame({ lengthBytes: 4, signals: [madeSignal({ name: 'one' })] });
  const bytes = new Uint8Array(8).fill(7);

  function decodeAll(frames: [id: number, flags: number, length: number][]) {
    const batch = new FrameBatch(1, 8);
    for (const [id, flags, length] of frames) batch.push(5, 0, id, flags, bytes, 0, length);
    const out = new SampleBatch();
    const decoder = compileDecoder(madeVehicle([frame]));
    decoder.decode(batch, 0, batch.count, out);
    return { decoder, samples: samplesOf(out) };
  }

  it('are counted apart: short, remote, error and unknown ones; a longer frame is decoded and counted', () => {
    const { decoder, samples } = decodeAll([
      [0x100, 0, 4],
      [0x100, 0, 3],
      [0x100, 0, 0],
      [0x100, 0, 8],
      [0x100, frameFlag.remote, 4],
      [0x100, frameFlag.error, 8],
      [0x101, 0, 8],
      [0x101, frameFlag.remote, 8],
      [0x100, frameFlag.extended, 8],
      [0x100, frameFlag.fd, 8],
    ]);
    expect(samples).toEqual([
      [7, 'ok'],
      [7, 'ok'],
    ]);
    const { total, decoded, tooShort, longer, remote } = decoder.counts;
    expect(total).toEqual({ frames: 10, decoded: 2, tooShort: 2, longer: 1, remote: 2, error: 1, unknown: 3 });
    expect([decoded[0], tooShort[0], longer[0], remote[0]]).toEqual([2, 2, 1, 1]);
    expect(decoder.counts.unknownIds()).toEqual([
      { bus: 0, id: 0x101, extended: false, fd: false, frames: 1 },
      { bus: 0, id: 0x100, extended: true, fd: false, frames: 1 },
      { bus: 0, id: 0x100, extended: false, fd: true, frames: 1 },
    ]);
  });

  it('are kept by id up to a bound, and counted beyond it', () => {
    const many = Array.from({ length: unknownIdsMax + 50 }, (_, i): [number, number, number] => [0x1000 + i, frameFlag.extended, 8]);
    const { decoder } = decodeAll([...many, ...many]);
    expect(decoder.counts.unknownIds().length).toBe(unknownIdsMax);
    expect(decoder.counts.unknownIds().every(({ frames }) => frames === 2)).toBe(true);
    expect(decoder.counts.total.unknown).toBe(2 * (unknownIdsMax + 50));
  });

  it('leave what is in the batch of samples before them alone', () => {
    const batch = new FrameBatch();
    batch.push(1, 0, 0x100, 0, bytes, 0, 4);
    batch.push(2, 0, 0x100, 0, bytes, 0, 4);
    const out = new SampleBatch(1);
    out.push(9, 0, 1, 0);
    compileDecoder(madeVehicle([frame])).decode(batch, 1, 2, out);
    expect([...out.timeUs.subarray(0, out.count)]).toEqual([0, 2]);
  });
});

describe('which definition a frame belongs to', () => {
  it('depends on the bus', () => {
    const first = madeFrame({ name: 'first', signals: [madeSignal({ name: 'a' })] });
    const second = madeFrame({ name: 'second', bus: 1, signals: [madeSignal({ name: 'b' })] });
    const decoder = compileDecoder(madeVehicle([first, second], ['engine', 'hull']));
    expect(decoder.findFrame(0, 0x100, 0)?.name).toBe('first');
    expect(decoder.findFrame(1, 0x100, 0)?.name).toBe('second');
    expect(decoder.findFrame(2, 0x100, 0)).toBeUndefined();
    expect(decoder.findFrame(0, 0x100, frameFlag.error)).toBeUndefined();
  });

  it('holds for hundreds of ids, standard and extended', () => {
    const frames = Array.from({ length: 600 }, (_, i) =>
      madeFrame({ name: `f${i}`, id: i * 3, extended: i % 2 === 1, signals: [madeSignal({ name: `s${i}` })] }),
    );
    const decoder = compileDecoder(madeVehicle(frames));
    frames.forEach((frame, i) => {
      expect(decoder.findFrame(0, i * 3, frame.extended ? 1 : 0)?.name).toBe(`f${i}`);
      expect(decoder.findFrame(0, i * 3, frame.extended ? 0 : 1)).toBeUndefined();
    });
  });
});

describe('a J1939 group', () => {
  const any = madeFrame({ name: 'any', pgn: 0xf004, signals: [madeSignal({ name: 'speed', startBit: 24, bitLength: 16, factor: 0.125 })] });

  // Source: Linux Documentation/networking/j1939.rst and can.rst; the frame of a recorded truck.
  it.each([
    [0x0cf00400, 0xf004],
    [0x18eaff00, 0xea00],
    [0x18ea0021, 0xea00],
    [0x19f20502, 0x1f205],
    [0x1cefab01, 0xef00],
  ])('of id %i is %i', (id, pgn) => {
    expect(pgnOf(id)).toBe(pgn);
  });

  it('is matched at any priority and from any source, and remembers who spoke last', () => {
    const batch = new FrameBatch();
    const bytes = bytesOf('F07D84B0300000FF');
    for (const id of [0x0cf00400, 0x18f00400, 0x00f00427]) batch.push(1, 0, id, frameFlag.extended, bytes, 0, 8);
    const out = new SampleBatch();
    const decoder = compileDecoder(madeVehicle([any]));
    decoder.decode(batch, 0, 3, out);
    // Published: raw 0x30B0 is 1558.0 rpm.
    expect(samplesOf(out)).toEqual(Array(3).fill([1558, 'ok']));
    expect(decoder.counts.lastSource[0]).toBe(0x27);
  });

  it('below 0xF000 ignores the destination', () => {
    const decoder = compileDecoder(madeVehicle([madeFrame({ pgn: 0xea00, signals: [] })]));
    expect(decoder.findFrame(0, 0x18eaff00, 1)).toBeDefined();
    expect(decoder.findFrame(0, 0x18ea2100, 1)).toBeDefined();
    expect(decoder.findFrame(0, 0x18ebff00, 1)).toBeUndefined();
    expect(decoder.findFrame(0, 0xea, 0)).toBeUndefined();
  });

  it('goes to the definition whose source addresses name the sender, else to the open one, and an exact id goes before both', () => {
    const filtered = {
      ...any,
      name: 'filtered',
      sourceAddresses: [
        { from: 3, to: 5 },
        { from: 9, to: 9 },
      ],
    };
    const exact = madeFrame({ name: 'exact', id: 0x0cf00404, extended: true, signals: [] });
    const decoder = compileDecoder(madeVehicle([any, filtered, exact]));
    const found = [2, 3, 4, 5, 6, 9].map((source) => decoder.findFrame(0, 0x0cf00400 | source, 1)?.name);
    expect(found).toEqual(['any', 'filtered', 'exact', 'filtered', 'any', 'filtered']);
    const alone = compileDecoder(madeVehicle([filtered]));
    expect(alone.findFrame(0, 0x0cf00402, 1)).toBeUndefined();
  });

  it('gives the published port temperatures', () => {
    // Published: 18FEA300 2044E043A0446044 → 272, 270, 276, 274 degC.
    const signals = [0, 1, 2, 3].map((i) => madeSignal({ name: `t${i}`, startBit: 16 * i, bitLength: 16, factor: 0.03125, offset: -273 }));
    const frame = madeFrame({ pgn: 65187, signals });
    expect(decodeFrame(frame, '2044E043A0446044', 0x18fea300).map(([value]) => value)).toEqual([272, 270, 276, 274]);
  });
});

describe('an FD frame', () => {
  it('of 64 bytes has signals anywhere in it', () => {
    const signals = [
      madeSignal({ name: 'last', startBit: 63 * 8 + 7, bitLength: 1 }),
      madeSignal({ name: 'wide', startBit: 30 * 8 + 5, bitLength: 50 }),
    ];
    const bytes = new Uint8Array(64);
    bytes[63] = 0x80;
    bytes[31] = 1;
    expect(decodeFrame(madeFrame({ lengthBytes: 64, signals }), Buffer.from(bytes).toString('hex')).map(([value]) => value)).toEqual([
      1, 8,
    ]);
  });
});
