// The usual limits of the checks, in words and with their sources; each is the user's to change in `checks:` of vehicle.yaml.

export interface UsualLimit {
  usual: number;
  what: string;
  source: string;
}

const commonPractice = 'common practice, no source';

function limit(usual: number, what: string, source = commonPractice): UsualLimit {
  return { usual, what, source };
}

/** Endings of the names say the unit (`toLimitKey`). Voltages are for a nominal 12 V and scale with it. */
export const usualLimits = {
  bus: {
    loadPercent: limit(70, 'load of a bus, at most'),
  },
  'key-on': {
    zeroSpanShare: limit(0.02, 'a gauge sensor at rest, of its span', `${commonPractice} (1 to 2 % of span)`),
    zeroLeastKpa: limit(1.5, 'that, never less than'),
    zeroWithoutSpanKpa: limit(10, 'that, where the file gives no span'),
    atmosphereKpa: limit(2, 'a manifold sensor against the barometer', `${commonPractice} (1 to 2 kPa)`),
    probesApartK: limit(
      6,
      'cold-soaked probes apart',
      `class 2 of type K allows 2.5 K at room temperature (IEC 60584-1); as much for the amplifier: ${commonPractice}`,
    ),
    coldSoakedK: limit(8, 'coolant, oil, air and probes this near to each other are cold-soaked'),
    throttleClosedPercent: limit(3, 'throttle closed, at most'),
    throttleOpenPercent: limit(97, 'throttle open, at least'),
    throttleJumpPercent: limit(12, 'a jump of the throttle between two samples'),
    batteryLeadVolts: limit(12.2, 'a lead battery at rest, at least', 'half full; common practice, several public pages'),
    batteryLithiumVolts: limit(12.9, 'a lithium iron phosphate battery at rest, at least'),
    primeOvershootShare: limit(0.18, 'overshoot of the prime, of its target'),
    primeBandShare: limit(0.1, 'fuel pressure off its target after the prime, of the target'),
    primeBandLeastKpa: limit(25, 'that, never less than'),
    primeWithinS: limit(4, 'fuel pressure is there after'),
  },
  'first-start': {
    oilRunningKpa: limit(70, 'oil pressure once the engine runs, at least'),
    oilRunningWithinS: limit(3, 'that, within'),
    oilCrankingKpa: limit(30, 'oil pressure while cranking without fuel and spark, at least'),
    oilCrankedForS: limit(4, 'that, if cranked for'),
    oilLostForMs: limit(300, 'oil pressure lost for longer than this stops the engine'),
    fuelDeltaShare: limit(0.1, 'fuel pressure delta off its target, of the target'),
    fuelDeltaLeastKpa: limit(25, 'that, never less than'),
    fuelDeltaForMs: limit(500, 'that, for longer than'),
    fuelDeltaAfterS: limit(1, 'that, judged from so long after the engine runs by itself'),
    crankingVolts: limit(9.6, 'supply while cranking, at least'),
    crankingForMs: limit(150, 'that, for longer than'),
    chargingFromVolts: limit(13.2, 'charging, at least'),
    chargingToVolts: limit(15.2, 'charging, at most'),
    chargingAfterS: limit(5, 'that, judged from so long after the engine runs'),
    crankedForS: limit(1.5, 'a shorter turn of the starter is no failed start'),
    crankedMostS: limit(10, 'a starter is held no longer than'),
    restedS: limit(60, 'and rests for'),
  },
  'heat-cycles': {
    warmC: limit(70, 'coolant (oil where there is none) has to reach this for a cycle to count'),
    coldC: limit(40, 'colder than this before it fires again: the cycle before is over'),
    coldAfterS: limit(21_600, 'where no temperature says it, it is cold after'),
  },
} as const satisfies Record<string, Record<string, UsualLimit>>;

export type LimitGroup = keyof typeof usualLimits;

/** Limits in force, by name. */
export type LimitsOf<Group extends LimitGroup> = { [name in keyof (typeof usualLimits)[Group]]: number };
