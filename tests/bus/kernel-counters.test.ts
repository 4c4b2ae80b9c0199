import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { LossAccount } from '../../server/bus/kernel-counters.ts';

const plain = { receivedHoldsSent: false, countsErrors: false };
const virtual = { receivedHoldsSent: true, countsErrors: true };
const counters = (received: number, more: { sent?: number; dropped?: number; overruns?: number } = {}) => ({
  received,
  sent: 0,
  dropped: 0,
  overruns: 0,
  ...more,
});
const taken = (dataTaken: number, errorsTaken = 0) => ({ dataTaken, errorsTaken });

function opened(rule = plain, received = 1000): LossAccount {
  const account = new LossAccount(rule);
  account.opened(3, counters(received), taken(0));
  return account;
}

/** One poll with these looks before it; what it finds lost before the reader. */
function pollAfter(account: LossAccount, looks: [received: number, taken: number][]): number {
  for (const [received, dataTaken] of looks) account.look({ received, sent: 0 }, taken(dataTaken));
  return account.poll(counters(looks.at(-1)?.[0] ?? 0)).beforeReader;
}

describe('the account of what an interface counted and nobody got', () => {
  it('begins with the counters of the first opening', () => {
    const account = opened();
    expect([pollAfter(account, [[1010, 10]]), pollAfter(account, [[1020, 20]])]).toEqual([0, 0]);
  });

  it('counts a deficit once it lasts two polls, and only once', () => {
    const account = opened();
    const lost = [1, 2, 3, 4].map((k) => pollAfter(account, [[1000 + 10 * k, 10 * k - 5]]));
    expect(lost).toEqual([0, 5, 0, 0]);
  });

  it('counts no frame that may still have been taken, however full the bus is', () => {
    const account = opened();
    const poll = (received: number, most: number, sure: number) => {
      account.look({ received, sent: 0 }, taken(most), taken(sure));
      return account.poll(counters(received)).beforeReader;
    };
    // Counted 10 more each time; 2 to 3 frames each time are too close to the look to tell.
    expect([poll(1010, 12, 9), poll(1020, 22, 19), poll(1030, 32, 29)]).toEqual([0, 0, 0]);
    // Then 5 are lost, of which 3 are beyond doubt at once and the rest when the traffic has a gap.
    expect([poll(1045, 42, 39), poll(1055, 52, 49), poll(1060, 55, 55), poll(1065, 60, 60)]).toEqual([0, 3, 0, 2]);
  });

  it('counts exactly what came between two openings of one interface', () => {
    const account = opened();
    pollAfter(account, [[1100, 100]]);
    account.readerEnded(taken(100));
    expect(account.opened(3, counters(1142), taken(0))).toEqual({ adapter: 0, beforeReader: 42 });
    expect([pollAfter(account, [[1150, 8]]), pollAfter(account, [[1160, 18]]), pollAfter(account, [[1170, 28]])]).toEqual([0, 0, 0]);
  });

  it('goes on counting while no reader comes back, after four polls', () => {
    const account = opened();
    account.readerEnded(taken(0));
    const lost = [1010, 1020, 1030, 1040, 1050].map((received) => pollAfter(account, [[received, 0]]));
    expect(lost).toEqual([0, 0, 0, 10, 10]);
    expect(account.opened(3, counters(1060), taken(0)).beforeReader).toBe(40);
  });

  it('counts from zero when an interface of the same name is a new one, and keeps what was missing of the old', () => {
    const account = opened();
    pollAfter(account, [[1010, 7]]);
    // The old one was 3 short; the new one had counted 5 before the reader was there.
    expect(account.opened(4, counters(5), taken(7)).beforeReader).toBe(8);
    expect([pollAfter(account, [[15, 17]]), pollAfter(account, [[25, 27]])]).toEqual([0, 0]);
  });

  it('expects error frames only where the interface counts them', () => {
    for (const [rule, expected] of [
      [plain, 3],
      [virtual, 0],
    ] as const) {
      const account = opened(rule);
      const look = () => account.look({ received: 1010, sent: 0 }, taken(7, 3));
      look();
      account.poll(counters(1010));
      look();
      expect(account.poll(counters(1010)).beforeReader).toBe(expected);
    }
  });

  it("lets this computer's own frames, which no counter holds, hide no later loss", () => {
    const account = opened();
    expect([pollAfter(account, [[1000, 4]]), pollAfter(account, [[1000, 4]])]).toEqual([0, 0]);
    expect([pollAfter(account, [[1010, 12]]), pollAfter(account, [[1010, 12]])]).toEqual([0, 2]);
  });

  it('counts at once what the last look before a stop misses, and only what is beyond doubt', () => {
    const account = opened();
    expect(pollAfter(account, [[1100, 100]])).toBe(0);
    account.look({ received: 5129, sent: 0 }, taken(102), taken(100));
    expect(account.close(counters(5200))).toEqual({ adapter: 0, beforeReader: 4027 });
    expect(account.close(counters(5200))).toEqual({ adapter: 0, beforeReader: 0 });
  });

  it('counts at a stop what came since a reader died, and what the driver dropped', () => {
    const account = opened();
    pollAfter(account, [[1100, 100]]);
    account.readerEnded(taken(100));
    account.look({ received: 1142, sent: 0 }, taken(0));
    expect(account.close(counters(1142, { dropped: 7, overruns: 2 }))).toEqual({ adapter: 2, beforeReader: 42 });
  });

  it('counts at a stop what was known to be missing of an interface that is gone', () => {
    const account = opened();
    pollAfter(account, [[1110, 100]]);
    expect(account.close(undefined)).toEqual({ adapter: 0, beforeReader: 10 });
  });

  it("counts a controller's overruns as the adapter's", () => {
    const account = opened();
    account.look({ received: 1000, sent: 0 }, taken(0));
    expect(account.poll(counters(1000, { overruns: 6 })).adapter).toBe(6);
    expect(account.poll(counters(1000, { overruns: 6 })).adapter).toBe(0);
  });

  it('counts a frame that the network stack dropped once, and not as the driver’s too', () => {
    const account = opened();
    let adapter = 0;
    let beforeReader = 0;
    for (let poll = 0; poll < 6; poll++) {
      account.look({ received: 1100, sent: 0 }, taken(60));
      const loss = account.poll(counters(1100, { dropped: 40 }));
      adapter += loss.adapter;
      beforeReader += loss.beforeReader;
    }
    expect({ adapter, beforeReader }).toEqual({ adapter: 0, beforeReader: 40 });
  });

  it('counts frames that a driver dropped before counting them', () => {
    const account = opened();
    let adapter = 0;
    for (let poll = 0; poll < 6; poll++) {
      account.look({ received: 1100, sent: 0 }, taken(100));
      adapter += account.poll(counters(1100, { dropped: 9 })).adapter;
    }
    expect(adapter).toBe(9);
  });

  it('ends with sent − delivered = lost, whatever was lost when, once the traffic has a gap', () => {
    const step = fc.record({ sent: fc.nat(50), lost: fc.nat(20), unclear: fc.nat(10), notYet: fc.nat(10) });
    fc.assert(
      fc.property(fc.array(fc.array(step, { minLength: 1, maxLength: 6 }), { maxLength: 20 }), (polls) => {
        const account = opened(plain, 77);
        let [received, got, lost, counted] = [77, 0, 0, 0];
        for (const steps of [...polls, [], []]) {
          for (const each of steps) {
            received += each.sent;
            got += each.sent - Math.min(each.sent, each.lost);
            lost += Math.min(each.sent, each.lost);
            account.look({ received, sent: 0 }, taken(got + each.unclear), taken(Math.max(0, got - each.notYet)));
          }
          account.look({ received, sent: 0 }, taken(got));
          counted += account.poll(counters(received)).beforeReader;
          expect(counted).toBeLessThanOrEqual(lost);
        }
        expect(counted).toBe(lost);
      }),
    );
  });
});
