// The binary live packet: what goes in comes out, to the last bit, and damaged packets are refused.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  binHeld,
  binNone,
  decodePacket,
  encodePacket,
  encodePlot,
  encodeValues,
  type PacketValues,
  type PlotBins,
  packetVersion,
} from '../../server/contract/packet.ts';

const number = fc.double({ noNaN: true, noDefaultInfinity: true });

const values = fc
  .array(fc.record({ quality: fc.integer({ min: 0, max: 4 }), value: number, below: number, above: number }), { maxLength: 40 })
  .map((rows): PacketValues => {
    const has = rows.map((row) => row.quality <= 1);
    return {
      channel: Uint16Array.from(rows, (_, i) => i),
      quality: Uint8Array.from(rows, (row) => row.quality),
      value: Float64Array.from(rows, (row, i) => (has[i] ? row.value : 0)),
      low: Float64Array.from(rows, (row, i) => (has[i] ? Math.min(row.value, row.below) : 0)),
      high: Float64Array.from(rows, (row, i) => (has[i] ? Math.max(row.value, row.above) : 0)),
    };
  });

const bin = fc.oneof(
  fc.record({ quality: fc.integer({ min: 0, max: 4 }), a: number, b: number }).map(({ quality, a, b }) => ({
    quality,
    low: Math.min(a, b),
    high: Math.max(a, b),
  })),
  fc.constantFrom(2, 3, 4, binHeld, binNone).map((quality) => ({
    quality,
    low: Number.POSITIVE_INFINITY,
    high: Number.NEGATIVE_INFINITY,
  })),
);

const plot = fc.integer({ min: 0, max: 30 }).chain((count) =>
  fc.record({
    plot: fc.integer({ min: 0, max: 65535 }),
    widthUs: fc.constantFrom(10_000, 40_000, 2_560_000),
    first: fc.integer({ min: 0, max: 2 ** 40 }),
    count: fc.constant(count),
    traces: fc.array(
      fc
        .record({ channel: fc.integer({ min: 0, max: 65535 }), bins: fc.array(bin, { minLength: count, maxLength: count }) })
        .map(({ channel, bins }) => ({
          channel,
          low: Float64Array.from(bins, ({ low }) => low),
          high: Float64Array.from(bins, ({ high }) => high),
          quality: Uint8Array.from(bins, ({ quality }) => quality),
        })),
      { maxLength: 4 },
    ),
  }),
) satisfies fc.Arbitrary<PlotBins>;

const head = { sequence: 7, epoch: 2, timeUs: 1_700_000_000_000_454, wallMs: 1_700_000_000_000.5, alarmSequence: 3 };
const nothing = encodeValues(
  {
    channel: new Uint16Array(0),
    value: new Float64Array(0),
    quality: new Uint8Array(0),
    low: new Float64Array(0),
    high: new Float64Array(0),
  },
  true,
);

describe('the live packet', () => {
  it('carries any values, of all channels or of some, bit for bit', () => {
    fc.assert(
      fc.property(values, fc.boolean(), (given, all) => {
        const told = all ? given : { ...given, channel: given.channel.map((channel) => channel * 3 + 1) };
        const packet = decodePacket(encodePacket({ ...head, values: encodeValues(told, all), plots: [] }));
        expect(packet.values).toEqual(told);
        expect(packet).toMatchObject(head);
      }),
    );
  });

  it('carries any plot bins, bit for bit', () => {
    fc.assert(
      fc.property(fc.array(plot, { maxLength: 4 }), (plots) => {
        expect(
          decodePacket(encodePacket({ ...head, values: nothing, plots: plots.map((one) => ({ plot: one.plot, bins: encodePlot(one) })) }))
            .plots,
        ).toEqual(plots);
      }),
    );
  });

  it('is read from the middle of a larger buffer, as a socket hands it over', () => {
    const bytes = encodePacket({ ...head, values: nothing, plots: [] });
    const larger = new Uint8Array(bytes.length + 3);
    larger.set(bytes, 3);
    expect(decodePacket(larger.subarray(3))).toMatchObject(head);
    expect(decodePacket(bytes.slice().buffer)).toMatchObject(head);
  });

  it('carries alarms and status as they were, and leaves out what was not given', () => {
    const text = (value: unknown) => new TextEncoder().encode(JSON.stringify(value));
    const alarms = { sequence: 3, active: [{ name: 'oil pressure low', advice: 'Shut down now, 30 °C' }] };
    const packet = decodePacket(encodePacket({ ...head, values: nothing, plots: [], alarms: text(alarms) }));
    expect(packet.alarms).toEqual(alarms);
    expect(packet).not.toHaveProperty('status');
  });

  it('refuses a packet cut anywhere, and one of another layout version', () => {
    const values = encodeValues(
      {
        channel: Uint16Array.of(0, 1),
        value: Float64Array.of(1, 0),
        quality: Uint8Array.of(1, 4),
        low: Float64Array.of(0.5, 0),
        high: Float64Array.of(2, 0),
      },
      true,
    );
    const whole = encodePacket({ ...head, values, plots: [], status: new TextEncoder().encode('{}') });
    for (let length = 0; length < whole.length; length++) expect(() => decodePacket(whole.slice(0, length)), `${length}`).toThrow();
    const other = whole.slice();
    other[0] = packetVersion + 1;
    expect(() => decodePacket(other)).toThrow(/layout 2/);
  });
});
