import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { StampClock } from '../../server/bus/stamp-clock.ts';
import { type Clock, SessionClock } from '../../server/clock.ts';

/** A machine whose time is set by hand; each look costs a microsecond, as looking does. */
class Machine implements Clock {
  monoUs = 5_000_000;
  /** Wall less monotonic, microseconds. */
  offsetUs = 1_700_000_000_000_000;

  monotonicUs(): number {
    this.monoUs += 1;
    return this.monoUs;
  }

  wallMs(): number {
    this.monoUs += 1;
    return Math.floor((this.monoUs + this.offsetUs) / 1000);
  }

  stamp(): number {
    return this.monoUs + this.offsetUs;
  }
}

function started() {
  const machine = new Machine();
  const session = new SessionClock(machine);
  return { machine, session, stamps: new StampClock(machine, session) };
}

const nearUs = 60;

describe("session time from the kernel's wall-clock stamps", () => {
  it('is monotonic now less the age that the stamp shows', () => {
    const { machine, session, stamps } = started();
    const stamp = machine.stamp();
    const takenUs = machine.monoUs - session.startUs;
    machine.monoUs += 7_000;
    const time = stamps.toSessionUs(stamp, 0);
    expect(Math.abs(time - takenUs)).toBeLessThanOrEqual(nearUs);
    expect(Number.isInteger(time)).toBe(true);
  });

  it('knows the age to some tens of microseconds, though wall time comes in whole milliseconds', () => {
    fc.assert(
      fc.property(
        fc.array(fc.integer({ min: 100, max: 9_000 }), { minLength: 1, maxLength: 100 }),
        fc.integer({ min: -400, max: 400 }),
        (waits, ppm) => {
          const { machine, session, stamps } = started();
          for (const wait of waits) {
            machine.monoUs += wait;
            machine.offsetUs += (wait * ppm) / 1e6;
            stamps.look();
          }
          const takenUs = machine.monoUs - session.startUs;
          const stamp = Math.floor(machine.stamp());
          machine.monoUs += 500;
          expect(Math.abs(stamps.toSessionUs(stamp, 0) - takenUs)).toBeLessThanOrEqual(nearUs);
        },
      ),
    );
  });

  it('never goes back, and never beyond now', () => {
    const { machine, session, stamps } = started();
    const first = stamps.toSessionUs(machine.stamp(), 0);
    expect(stamps.toSessionUs(machine.stamp() - 10_000, 0)).toBe(first);
    expect(stamps.toSessionUs(machine.stamp() + 3_600_000_000, 0)).toBeLessThanOrEqual(machine.monoUs - session.startUs);
  });

  it('keeps above what a watermark has promised', () => {
    const { machine, session, stamps } = started();
    const old = machine.stamp();
    machine.monoUs += 30_000;
    const floor = machine.monoUs - session.startUs - 1000;
    expect(stamps.toSessionUs(old, floor)).toBe(floor);
  });

  it.each([
    ['forward an hour', 3_600_000_000],
    ['back an hour', -3_600_000_000],
    ['forward 20 ms', 20_000],
    ['back 20 ms', -20_000],
  ])('reads frames on both sides of a step of the wall clock (%s)', (_what, stepUs) => {
    const { machine, session, stamps } = started();
    for (let k = 0; k < 50; k++) {
      machine.monoUs += 5_000;
      stamps.look();
    }
    // The last watermark: a frame can be no older than the flush before.
    const floor = machine.monoUs - session.startUs;
    const wanted: number[] = [];
    const kernelStamps: number[] = [];
    for (let k = 0; k < 6; k++) {
      machine.monoUs += 700;
      if (k === 3) machine.offsetUs += stepUs;
      wanted.push(machine.monoUs - session.startUs);
      kernelStamps.push(machine.stamp());
    }
    machine.monoUs += 400;
    stamps.look();
    const times = kernelStamps.map((stamp) => stamps.toSessionUs(stamp, floor));
    for (const [k, time] of times.entries()) expect(Math.abs(time - (wanted[k] as number))).toBeLessThanOrEqual(nearUs);
  });
});
