import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { frameFlag } from '../../server/bus/frame-batch.ts';
import { AdapterStamps, findRateCaution, findRateDigit, SerialLineParser } from '../../server/bus/serial-protocol.ts';

type Heard = Record<string, unknown>;

/** Parses the chunks; everything heard, in order. */
function heard(...chunks: string[]): Heard[] {
  const all: Heard[] = [];
  const parser = new SerialLineParser({
    frame: (id, flags, data, length, stampMs) =>
      all.push({
        id,
        flags,
        length,
        data: (flags & frameFlag.remote) === 0 ? Buffer.from(data.subarray(0, length)).toString('hex') : '',
        stampMs,
      }),
    answer: (isOk) => all.push({ answer: isOk }),
    version: (version) => all.push({ version }),
    flags: (flags) => all.push({ flags }),
    state: (state, receiveErrors, sendErrors) => all.push({ state, receiveErrors, sendErrors }),
    errors: (errors) => all.push({ errors }),
    malformed: () => all.push({ malformed: true }),
  });
  for (const chunk of chunks) parser.push(Buffer.from(chunk, 'latin1'));
  return all;
}

const plain = (id: number, data: string, more: Heard = {}) => ({
  id,
  flags: 0,
  length: data.length / 2,
  data,
  stampMs: undefined,
  ...more,
});

describe('the serial-line protocol', () => {
  it.each([
    ['11-bit data', 't1234DEADBEEF\r', plain(0x123, 'deadbeef')],
    ['no data', 't0000\r', plain(0, '')],
    ['small letters', 't7ff1af\r', plain(0x7ff, 'af')],
    ['29-bit data', 'T12345678811223344AABBCCDD\r', plain(0x12345678, '11223344aabbccdd', { flags: frameFlag.extended })],
    ['29-bit by the other letter', 'x1FFFFFFF0\r', plain(0x1fffffff, '', { flags: frameFlag.extended })],
    ['a stamp', 't1232AABBEA5F\r', plain(0x123, 'aabb', { stampMs: 59_999 })],
    ['remote', 'r1238\r', plain(0x123, '', { flags: frameFlag.remote, length: 8 })],
    [
      '29-bit remote with a stamp',
      'R0000000140010\r',
      plain(1, '', { flags: frameFlag.remote | frameFlag.extended, length: 4, stampMs: 16 }),
    ],
    ['FD of 12 bytes', `d1239${'5A'.repeat(12)}\r`, plain(0x123, '5a'.repeat(12), { flags: frameFlag.fd })],
    [
      'FD of 64 bytes, faster data, 29 bits, stamped',
      `B12345678F${'01'.repeat(64)}0001\r`,
      plain(0x12345678, '01'.repeat(64), { flags: frameFlag.fd | frameFlag.bitRateSwitch | frameFlag.extended, stampMs: 1 }),
    ],
  ])('reads %s', (_what, line, frame) => {
    expect(heard(line)).toEqual([frame]);
  });

  it.each([
    ['an id above 0x7FF', 't80000\r'],
    ['an id above 29 bits', 'T200000000\r'],
    ['a length above 8', 't1239112233445566778899\r'],
    ['bytes missing', 't1234DEADBE\r'],
    ['bytes to spare', 't1231DEAD\r'],
    ['half a byte', 't1231D\r'],
    ['letters that are no digits', 't1231XY\r'],
    ['an answer to sending', 'z\r'],
    ['an unknown letter', 'Q12\r'],
    ['status flags of one digit', 'F1\r'],
    ['a state without its numbers', 'sb25\r'],
    ['an error count that does not fit', 'e2a\r'],
    ['noise', '\x00\xff\x80\r'],
    ['a line without end', `t1238${'0'.repeat(60)}\r`],
    ['an FD line without end', `D12345678F${'0'.repeat(200)}\r`],
  ])('counts %s as malformed, and reads the next line', (_what, line) => {
    expect(heard(line, 't1231FF\r')).toEqual([{ malformed: true }, plain(0x123, 'ff')]);
  });

  it('reads answers, version, flags, pushed states and errors', () => {
    expect(heard('\r', '\x07', 'V1013\r', 'N1234\r', 'F88\r', 'sp135002\r', 'e2ao\r')).toEqual([
      { answer: true },
      { answer: false },
      { version: '1013' },
      { version: '1234' },
      { flags: { receiveFull: false, errorWarning: false, overrun: true, errorPassive: false, busError: true } },
      { state: 'error-passive', receiveErrors: 135, sendErrors: 2 },
      { errors: 'ao' },
    ]);
  });

  it('keeps a half line until the rest comes, and passes over line feeds that some adapters add', () => {
    expect(heard('t12', '31F', 'F\r\n', '\nt1230\r\n')).toEqual([plain(0x123, 'ff'), plain(0x123, '')]);
  });

  it('takes a bell in the middle of a line for a refusal, and the line for torn', () => {
    expect(heard('t123\x07t1230\r')).toEqual([{ malformed: true }, { answer: false }, plain(0x123, '')]);
  });

  it('hears the same, wherever the bytes are cut', () => {
    const text = 't1234DEADBEEF\rT12345678811223344AABBCCDD0001\r\x07V1013\rrubbish\rR000000014\r\r';
    fc.assert(
      fc.property(fc.array(fc.integer({ min: 1, max: 9 }), { minLength: 1, maxLength: 40 }), (cuts) => {
        const chunks: string[] = [];
        for (let at = 0, k = 0; at < text.length; k++) {
          const length = cuts[k % cuts.length] as number;
          chunks.push(text.slice(at, at + length));
          at += length;
        }
        expect(heard(...chunks)).toEqual(heard(text));
      }),
    );
  });

  it('survives any bytes, and is in step again after a return', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 400 }), (noise) => {
        const all = heard(Buffer.from(noise).toString('latin1'), '\r', 't1231FF\r');
        expect(all.at(-1)).toEqual(plain(0x123, 'ff'));
      }),
    );
  });
});

describe('bit rates of the serial-line protocol', () => {
  it.each([
    [10_000, 0],
    [20_000, 1],
    [50_000, 2],
    [100_000, 3],
    [125_000, 4],
    [250_000, 5],
    [500_000, 6],
    [800_000, 7],
    [1_000_000, 8],
  ])('%i bit/s is S%i', (rate, digit) => {
    expect(findRateDigit(rate)).toBe(digit);
  });

  it('knows no other, and warns where adapters differ', () => {
    expect(findRateDigit(615_000)).toBeUndefined();
    expect(findRateCaution(800_000)).toContain('750');
    expect(findRateCaution(500_000)).toBeUndefined();
  });
});

describe("an adapter's time stamps", () => {
  it('run on over their wrap at 60,000 ms', () => {
    const stamps = new AdapterStamps();
    expect(stamps.toSessionUs(59_990, 1_000_000)).toBe(1_000_000);
    expect(stamps.toSessionUs(5, 1_015_000)).toBe(1_015_000);
  });

  it('run on over silence of more than one wrap', () => {
    const stamps = new AdapterStamps();
    stamps.toSessionUs(100, 0);
    const time = stamps.toSessionUs(1_100, 181_000_000) as number;
    expect(Math.abs(time - 181_000_000)).toBeLessThan(40_000);
  });

  it('give back the spacing that a burst over the serial link has lost', () => {
    const stamps = new AdapterStamps();
    stamps.toSessionUs(0, 10_000);
    const times = [10, 20, 30].map((stamp) => stamps.toSessionUs(stamp, 46_000) as number);
    expect(times.map((time) => Math.round(time / 1000))).toEqual([20, 30, 40]);
  });

  it.each([-150, 0, 150])(
    'follow the host over an hour though the adapter drifts by %i parts in a million, and never go back',
    (partsPerMillion) => {
      const stamps = new AdapterStamps();
      let last = Number.NEGATIVE_INFINITY;
      let worst = 0;
      for (let i = 0; i < 36_000; i++) {
        const trueUs = 1_000_000 + i * 100_000;
        const adapterMs = Math.floor((trueUs / 1000) * (1 + partsPerMillion / 1e6));
        // The link holds a frame back for 1 to 16 ms.
        const time = stamps.toSessionUs(adapterMs % 60_000, trueUs + 1_000 + ((i * 7919) % 16) * 1_000) as number;
        expect(time).toBeGreaterThan(last);
        last = time;
        worst = Math.max(worst, Math.abs(time - trueUs));
      }
      expect(worst).toBeLessThan(20_000);
    },
  );

  it('are refused above 59,999, where the adapter counts otherwise', () => {
    expect(new AdapterStamps().toSessionUs(60_000, 0)).toBeUndefined();
  });
});
