import { describe, expect, it } from 'vitest';
import type { CountLook } from '../../server/bus/batch-wire.ts';
import { CountLooks } from '../../server/bus/count-looks.ts';

/** A reader whose turns come every 5 ms, on an interface whose count is set by hand. */
function made() {
  const told: CountLook[] = [];
  const looks = new CountLooks((look) => told.push(look));
  const state = { nowUs: 0, received: 0, isThere: true, readUs: 0 };
  const turns = (count: number, isBehind = false) => {
    for (let k = 0; k < count; k++) {
      state.nowUs += 5_000;
      looks.turn(
        isBehind,
        () => {
          state.nowUs += state.readUs;
          return state.isThere ? { received: state.received, sent: 0 } : undefined;
        },
        () => state.nowUs,
      );
    }
  };
  return { looks, told, state, turns };
}

const data = ({ most, sure }: CountLook) => [most.dataTaken, sure.dataTaken];

describe('a look at the counters from within a reader', () => {
  it('is told when the last frames of its time have come, not before', () => {
    const { looks, told, state, turns } = made();
    state.received = 3;
    turns(5);
    // Stamped before the look, at 25 ms, and taken long after it.
    for (const timeUs of [10_000, 15_000, 20_000]) looks.take(timeUs, false);
    turns(39);
    expect(told).toEqual([]);
    turns(2);
    expect(told[0]).toMatchObject({ received: 3 });
    expect(data(told[0] as CountLook)).toEqual([3, 3]);
  });

  it('waits for frames that a full socket still holds, however long reading them takes', () => {
    const { looks, told, state, turns } = made();
    state.received = 300;
    turns(5);
    // Two seconds in which each turn leaves frames waiting that were stamped before the look.
    for (let k = 0; k < 300; k++) {
      looks.take(20_000, false);
      turns(1, true);
    }
    expect(told).toEqual([]);
    turns(11);
    expect(data(told[0] as CountLook)).toEqual([300, 300]);
  });

  it('needs no quiet turn once a frame is taken that came clearly later: loss in a flood that never ends is told', () => {
    const { looks, told, state, turns } = made();
    state.received = 3;
    turns(5);
    looks.take(20_000, false);
    turns(40, true);
    looks.take(224_000, false);
    turns(1, true);
    expect(told).toEqual([]);
    looks.take(226_000, false);
    turns(1, true);
    expect(data(told[0] as CountLook)).toEqual([1, 1]);
  });

  it('does not take younger frames for those that were counted', () => {
    const { looks, told, state, turns } = made();
    state.received = 3;
    turns(5);
    for (const timeUs of [20_000, 30_000, 40_000]) looks.take(timeUs, false);
    turns(41);
    expect(data(told[0] as CountLook)).toEqual([1, 1]);
  });

  it('says between which bounds, where a stamp is too close to the look to tell', () => {
    const { looks, told, turns } = made();
    turns(5);
    for (const timeUs of [24_000, 24_900, 25_100, 26_000]) looks.take(timeUs, false);
    turns(41);
    expect(data(told[0] as CountLook)).toEqual([3, 1]);
  });

  it('knows not which frames were counted that came while the counters were read', () => {
    const { looks, told, state, turns } = made();
    state.readUs = 4_000;
    turns(5);
    for (const timeUs of [24_000, 26_000, 28_000, 30_000]) looks.take(timeUs, false);
    turns(41);
    expect(data(told[0] as CountLook)).toEqual([3, 1]);
  });

  it('counts error frames apart', () => {
    const { looks, told, turns } = made();
    turns(5);
    looks.take(20_000, true);
    looks.take(20_000, false);
    turns(41);
    expect(told[0]?.sure).toEqual({ dataTaken: 1, errorsTaken: 1 });
  });

  it('is never told once it has nothing to do with what comes', () => {
    const { looks, told, turns } = made();
    turns(5);
    looks.forget();
    turns(41);
    expect(told).toEqual([]);
  });

  it('is taken at once when the reader is to end, settles like any other, and is the last', () => {
    const { looks, told, state, turns } = made();
    turns(3);
    state.received = 300;
    looks.close(
      () => ({ received: state.received, sent: 0 }),
      () => state.nowUs,
    );
    for (let k = 0; k < 3; k++) {
      for (let frame = 0; frame < 100; frame++) looks.take(12_000, false);
      turns(1, true);
      expect(looks.isSettled).toBe(false);
    }
    looks.take(30_000, false);
    turns(41);
    expect(told.map((look) => [look.received, ...data(look)])).toEqual([[300, 300, 300]]);
    expect(looks.isSettled).toBe(true);
    turns(100);
    expect(told).toHaveLength(1);
  });

  it('tells what is missing when the reader can wait no longer', () => {
    const { looks, told, state, turns } = made();
    turns(3);
    state.received = 300;
    looks.close(
      () => ({ received: state.received, sent: 0 }),
      () => state.nowUs,
    );
    for (let frame = 0; frame < 100; frame++) looks.take(12_000, false);
    turns(1, true);
    looks.giveUp();
    expect(told.map((look) => [look.received, ...data(look)])).toEqual([[300, 100, 100]]);
    expect(looks.isSettled).toBe(true);
  });

  it('is not taken while the interface is gone', () => {
    const { told, state, turns } = made();
    state.isThere = false;
    turns(100);
    expect(told).toEqual([]);
  });
});
