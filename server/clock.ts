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
