// A device made of what was seen: its file loads, and what the page shows beside a name is what the decoder will read.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { SeenFrame } from '../../server/contract/frames.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import { faultOfName, type NewSignal, periodOf, previewOf, toDeviceText, toVehicleText } from '../../web/vehicle/new-device.ts';
import { slowPattern } from '../reference/slow-decoder.ts';

const seen = (over: Partial<SeenFrame>) =>
  ({
    id: 0x310,
    idHex: '0x310',
    extended: false,
    fd: false,
    length: 8,
    periodMs: 20.04,
    periodMinMs: 19,
    periodMaxMs: 21,
    ...over,
  }) as SeenFrame;
const signal = (over: Partial<NewSignal>): NewSignal => ({
  name: 'a',
  firstByte: 0,
  lastByte: 0,
  byteOrder: 'little',
  sign: 'unsigned',
  factor: 1,
  offset: 0,
  unit: '',
  ...over,
});

function load(text: string) {
  const vehicle = toVehicleText(
    'Teal: "2"',
    [{ name: 'main', bitRate: 500_000 }],
    new Map([['main', 'can0']]),
    new Map([['main', ['box']]]),
  );
  return parseVehicle([
    { path: 'vehicle.yaml', text: vehicle },
    { path: 'devices/box.yaml', text },
  ]);
}

describe('a device of what was seen', () => {
  it('loads without a fault, with ids of both lengths, FD, every way to lay out a signal, and none', () => {
    const { vehicle, problems } = load(
      toDeviceText({
        device: 'box',
        bus: 'main',
        frames: [
          {
            seen: seen({}),
            signals: [
              signal({ name: 'b', firstByte: 2, lastByte: 3, byteOrder: 'big', sign: 'signed', factor: 0.1, offset: -50, unit: 'degC' }),
            ],
          },
          { seen: seen({ id: 0x18fee900, idHex: '0x18FEE900', extended: true }), signals: [] },
          {
            seen: seen({ id: 0x7, idHex: '0x007', fd: true, length: 64, periodMs: null }),
            signals: [signal({ name: 'c', firstByte: 60, lastByte: 63, unit: '%' })],
          },
          { seen: seen({ id: 0x8, idHex: '0x008', fd: true, length: 8 }), signals: [] },
        ],
      }),
    );
    expect(problems.filter(({ severity }) => severity === 'error')).toEqual([]);
    expect(vehicle?.name).toBe('Teal: "2"');
    expect(vehicle?.buses[0]?.interface).toBe('can0');
    expect(
      vehicle?.buses[0]?.frames.map(({ id, extended, fd, lengthBytes, periodUs }) => [id, extended, fd, lengthBytes, periodUs]),
    ).toEqual([
      [0x310, false, false, 8, 20_000],
      [0x18fee900, true, false, 8, 20_000],
      [7, false, true, 64, undefined],
      [8, false, true, 8, 20_000],
    ]);
  });

  it.each([
    [{ periodMs: 49.97, periodMinMs: 45, periodMaxMs: 55 }, 50],
    [{ periodMs: 1003, periodMinMs: 990, periodMaxMs: 1010 }, 1000],
    [{ periodMs: 50, periodMinMs: 10, periodMaxMs: 120 }, undefined],
    [{ periodMs: null, periodMinMs: null, periodMaxMs: null }, undefined],
  ])('takes %j as a period of %s ms', (gaps, period) => {
    expect(periodOf(seen(gaps))).toBe(period);
  });

  it('shows beside a name what the decoder reads, for any bytes and layout', () => {
    const seed = Number(process.env.EVENBURN_SEED ?? 1);
    const byte = fc.uint8Array({ minLength: 8, maxLength: 8 });
    const layout = fc.record({
      firstByte: fc.nat(7),
      length: fc.integer({ min: 1, max: 8 }),
      byteOrder: fc.constantFrom('little' as const, 'big' as const),
      sign: fc.constantFrom('unsigned' as const, 'signed' as const),
    });
    fc.assert(
      fc.property(byte, layout, (bytes, { firstByte, length, byteOrder, sign }) => {
        const lastByte = Math.min(7, firstByte + length - 1);
        const hex = Buffer.from(bytes).toString('hex');
        const startBit = byteOrder === 'little' ? 8 * firstByte : 8 * firstByte + 7;
        const bitLength = 8 * (lastByte - firstByte + 1);
        const pattern = slowPattern(bytes, { startBit, bitLength, byteOrder });
        const raw = sign === 'signed' && pattern >> BigInt(bitLength - 1) ? pattern - (1n << BigInt(bitLength)) : pattern;
        expect(previewOf(hex, { firstByte, lastByte, byteOrder, sign, factor: 1, offset: 0 })).toBe(Number(raw));
      }),
      { seed },
    );
  });

  it('reads nothing where the frame ends before the signal does', () => {
    expect(previewOf('01020304', signal({ firstByte: 3, lastByte: 4 }))).toBeUndefined();
    expect(previewOf('0102', signal({ firstByte: 1, lastByte: 0 }))).toBeUndefined();
  });

  it.each([
    ['oil_pressure', ''],
    ['', 'Give it a name.'],
    ['Oil', 'Small letters'],
    ['__proto__', 'Small letters'],
    ['taken', 'There is a channel'],
  ])('says of the name %j: %j', (name, fault) => {
    expect(faultOfName(name, (one) => one === 'taken')).toMatch(fault === '' ? /^$/ : new RegExp(`^${fault}`));
  });
});
