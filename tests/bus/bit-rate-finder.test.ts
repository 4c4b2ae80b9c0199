import { describe, expect, it } from 'vitest';
import { decideBitRate, findBitRate, type Heard, triedBitRates } from '../../server/bus/bit-rate-finder.ts';

const heard = (bitRate: number, more: Partial<Heard> = {}): Heard => ({
  bitRate,
  seconds: 1.5,
  frames: 0,
  ids: 0,
  framingErrors: 0,
  acknowledgeErrors: 0,
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

  it('is simply found where one id comes and all is acknowledged', () => {
    expect(decideBitRate([heard(500_000, { frames: 75, ids: 1 })])).toMatchObject({ kind: 'found', bitRate: 500_000 });
  });

  it('stays unknown on a silent bus, and the answer says what to look at', () => {
    const answer = decideBitRate(triedBitRates.map((rate) => heard(rate)));
    expect(answer.kind).toBe('silent');
    expect(answer.say).toContain('switch a device on');
  });

  it('is not taken from a bit rate that the adapter refused', () => {
    expect(decideBitRate([heard(500_000, { frames: 100, ids: 4, isRefused: true })]).kind).toBe('silent');
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
