// Limits of the key-on check: the usual ones, each the user's to change (docs/checks.md).

/** Common practice, no source, where nothing else is said. Voltages are for a nominal 12 V and scale with it. */
export const keyOnLimits = {
  /** Of a gauge sensor's span (practice: 1 to 2 %), never less than the next; the third where the file gives no span. */
  zeroSpanShare: 0.02,
  zeroLeastKpa: 1.5,
  zeroWithoutSpanKpa: 10,
  /** A manifold sensor against the barometer (practice: 1 to 2 kPa); other absolute sensors by their span. */
  atmosphereKpa: 2,
  /** Class 2 type K allows 2.5 K at room temperature, an amplifier about as much. */
  probesApartK: 6,
  /** Coolant, oil, air and probes this near to each other are cold-soaked. */
  coldSoakedK: 8,
  throttleClosedPercent: 3,
  throttleOpenPercent: 97,
  throttleJumpPercent: 12,
  /** At rest: half full (common practice, several public pages). */
  batteryLeadVolts: 12.2,
  batteryLithiumVolts: 12.9,
  primeOvershootShare: 0.18,
  /** Of the target, and never less than the next. */
  primeBandShare: 0.1,
  primeBandLeastKpa: 25,
  primeWithinS: 4,
} as const;

export type KeyOnLimits = { [name in keyof typeof keyOnLimits]: number };
