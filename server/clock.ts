// The only file that asks the machine for the time: monotonic for intervals, wall for labels.

/** A clock that tests can replace. */
export interface Clock {
  /** Monotonic microseconds, integer, from an arbitrary zero. The same zero in all processes of one machine since its boot. */
  monotonicUs(): number;
  /** Wall time, milliseconds since 1970. */
  wallMs(): number;
}

export const machineClock: Clock = {
  monotonicUs: () => Number(process.hrtime.bigint() / 1000n),
  wallMs: () => Date.now(),
};

/** Time of a live session: integer microseconds since it began, the same in every process that is told `startUs`. */
export class SessionClock {
  /** Monotonic microseconds at which the session began. */
  readonly startUs: number;
  private readonly clock: Clock;

  constructor(clock: Clock = machineClock, startUs: number = clock.monotonicUs()) {
    this.clock = clock;
    this.startUs = startUs;
  }

  nowUs(): number {
    return this.clock.monotonicUs() - this.startUs;
  }
}
