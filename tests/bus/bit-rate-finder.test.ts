import { describe, expect, it } from 'vitest';
import { decideBitRate, findBitRate, type Heard, triedBitRates } from '../../server/bus/bit-rate-finder.ts';
import { listenOnSerialLine } from '../../server/bus/bit-rate-listener.ts';
import { SerialAdapter } from '../doubles/serial-adapter.ts';

const heard = (bitRate: number, more: Partial<Heard> = {}): Heard => ({
  bitRate,
  seconds: 1.5,
  frames: 0,
  ids: 0,
  framingErrors: 0,
  acknowledgeErrors: 0,
  isOneFrameOverAndOver: false,
  isRefused: false,
  ...more,
});

describe('the bit rate of a bus', () => {
  it('is the one at which frames come whole, among errors at the others', () => {
    const answer = decideBitRate([
      heard(500_000, { framingErrors: 900 }),
      heard(250_000, { frames: 600, ids: 9 }),
      heard(125_000, { framingErrors: 800 }),
    ]);
    expect(answer).toMatchObject({ kind: 'found', bitRate: 250_000 });
  });

  it('is found on a noisy bus too', () => {
    expect(
      decideBitRate([heard(500_000, { frames: 400, ids: 5, framingErrors: 60 }), heard(250_000, { framingErrors: 900 })]),
    ).toMatchObject({ kind: 'found' });
  });

  it('is not guessed from a frame or two in a storm of errors', () => {
    const answer = decideBitRate([
      heard(500_000, { frames: 2, ids: 2, framingErrors: 900 }),
      heard(250_000, { frames: 20, ids: 20, framingErrors: 900 }),
    ]);
    expect(answer.kind).toBe('undecided');
  });

  it('is right, and the device alone, when all errors are of acknowledging', () => {
    const answer = decideBitRate([heard(500_000, { acknowledgeErrors: 5_000 }), heard(250_000, { framingErrors: 2_000 })]);
    expect(answer).toMatchObject({ kind: 'unacknowledged', bitRate: 500_000 });
    expect(answer.say).toContain('second node');
  });

  it('is right, and the device alone, when one frame comes back to back among such errors', () => {
    expect(decideBitRate([heard(500_000, { frames: 5_000, ids: 1, acknowledgeErrors: 5_000 })])).toMatchObject({ kind: 'unacknowledged' });
  });

  // Common practice, no source: about 3,600 a second at 500 kbit/s, whole ones, once the device is error-passive.
  it('is right, and the device alone, when one frame comes over and over without any error', () => {
    expect(decideBitRate([heard(500_000, { frames: 5_400, ids: 1, isOneFrameOverAndOver: true })])).toMatchObject({
      kind: 'unacknowledged',
      bitRate: 500_000,
    });
  });

  it('is simply found where one id comes and all is acknowledged', () => {
    expect(decideBitRate([heard(500_000, { frames: 75, ids: 1 })])).toMatchObject({ kind: 'found', bitRate: 500_000 });
  });

  it('stays unknown on a silent bus, and the answer says what to look at', () => {
    const answer = decideBitRate(triedBitRates.map((rate) => heard(rate)));
    expect(answer.kind).toBe('silent');
    expect(answer.say).toContain('switch a device on');
  });

  it('is not taken from a bit rate that the adapter refused', () => {
    expect(decideBitRate([heard(500_000, { frames: 100, ids: 4, isRefused: true }), heard(250_000)]).kind).toBe('silent');
    expect(decideBitRate([heard(500_000, { isRefused: true })])).toMatchObject({
      kind: 'undecided',
      say: expect.stringContaining('No bit rate could be set'),
    });
  });
});

describe('the search for a bit rate', () => {
  it('does not begin before the person has said that nothing is running', async () => {
    const tried: number[] = [];
    const listenAt = async (bitRate: number) => {
      tried.push(bitRate);
      return heard(bitRate);
    };
    expect((await findBitRate(listenAt, { confirmed: false })).kind).toBe('undecided');
    expect(tried).toEqual([]);
  });

  it('tries each standard rate once on a silent bus', async () => {
    const tried: number[] = [];
    const listenAt = async (bitRate: number) => {
      tried.push(bitRate);
      return heard(bitRate);
    };
    expect((await findBitRate(listenAt, { confirmed: true })).kind).toBe('silent');
    expect(tried).toEqual([...triedBitRates]);
  });

  it('ends at once when an answer is clear', async () => {
    const tried: number[] = [];
    const listenAt = async (bitRate: number) => {
      tried.push(bitRate);
      return bitRate === 250_000 ? heard(bitRate, { frames: 600, ids: 9 }) : heard(bitRate, { framingErrors: 500 });
    };
    expect(await findBitRate(listenAt, { confirmed: true })).toMatchObject({ kind: 'found', bitRate: 250_000 });
    expect(tried).toEqual([500_000, 250_000]);
  });
});

describe('a lone device, heard through a serial-line adapter', () => {
  const times = { answerMs: 20, flushMs: 1, retryMinMs: 5, retryMaxMs: 20, pollMs: 10_000, silenceMs: 10_000 };
  const seconds = 0.02;

  /** @param frames All that comes while the adapter listens; at 500 kbit/s 10,000 bits pass meanwhile. */
  function hear(frames: string) {
    const bench = new SerialAdapter((command) => (command === 'L' ? `\r${frames}` : command === 'V' ? 'V1013\r' : '\r'));
    const options = { port: bench.path, baud: 2_000_000, bitRate: 500_000, acknowledges: false };
    return listenOnSerialLine(options, seconds, bench.open, times);
  }

  // One frame of 8 bytes and what an error-passive device leaves between two: 133 bits and more, so 75 at most in the time.
  it.each([
    ['one frame, 70 times', 't12380011223344556677\r'.repeat(70), true],
    ['one frame without data, 140 times', 't1230\r'.repeat(140), true],
    ['one frame at a hundred a second', 't12380011223344556677\r'.repeat(2), false],
    [
      'one id, whose bytes change',
      Array.from({ length: 70 }, (_, i) => `t12380011223344${(i + 0x100).toString(16).slice(1)}0000\r`).join(''),
      false,
    ],
    ['two ids', 't12380011223344556677\rt12480011223344556677\r'.repeat(35), false],
  ])('is known by one frame that comes back to back: %s', async (_title, frames, isIt) => {
    expect((await hear(frames)).isOneFrameOverAndOver).toBe(isIt);
  });
});

describe('the search through a serial-line adapter', () => {
  const times = { answerMs: 20, flushMs: 1, retryMinMs: 5, retryMaxMs: 20, pollMs: 10, silenceMs: 10_000 };

  /** An adapter on a bus of 250 kbit/s that knows no S7: whole frames there, stuff errors elsewhere. */
  function onBus() {
    let rate = '';
    const bench = new SerialAdapter((command) => {
      if (command.startsWith('S')) rate = command;
      if (command === 'S7') return '\x07';
      if (command === 'L') return rate === 'S5' ? `\r${'t1231FF\rt1240\r'.repeat(40)}` : '\re3sfs\re2sc\r';
      return command === 'V' ? 'V1013\r' : '\r';
    });
    const listenAt = (bitRate: number, seconds: number) =>
      listenOnSerialLine({ port: bench.path, baud: 115_200, bitRate, acknowledges: false }, seconds, bench.open, times);
    return { bench, listenAt };
  }

  it('finds the rate by whole frames against errors, and writes no transmit command', async () => {
    const { bench, listenAt } = onBus();
    expect(await findBitRate(listenAt, { confirmed: true, seconds: 0.03 })).toMatchObject({ kind: 'found', bitRate: 250_000 });
    const commands = bench.written.flatMap((text) => text.split('\r').filter(Boolean));
    expect(commands.filter((command) => !/^(C|V|F|L|Z1|S[0-9])$/.test(command))).toEqual([]);
  });

  it('counts the errors that the adapter reports, and a rate that it refuses', async () => {
    const { listenAt } = onBus();
    expect(await listenAt(500_000, 0.03)).toMatchObject({ frames: 0, framingErrors: 5, isRefused: false });
    expect(await listenAt(800_000, 0.03)).toMatchObject({ isRefused: true });
  });
});
