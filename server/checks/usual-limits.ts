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
    listenForS: limit(30, 'step: listened to at rest for'),
    disturbForS: limit(30, 'step: disturbed for'),
  },
  'key-on': {
    zeroSpanShare: limit(0.02, 'a gauge sensor at rest, of its span', `${commonPractice} (1 to 2 % of span)`),
    zeroLeastKpa: limit(1.5, 'that, never less than'),
    zeroWithoutSpanKpa: limit(10, 'that, where the file gives no span'),
    atmosphereKpa: limit(2, 'a manifold sensor against the barometer', `${commonPractice} (1 to 2 kPa)`),
    atmosphereOtherKpa: limit(5, 'another absolute sensor against it, at most, however wide its span'),
    probesApartK: limit(
      6,
      'cold-soaked probes apart',
      `class 2 of type K allows 2.5 K at room temperature (IEC 60584-1); as much for the amplifier: ${commonPractice}`,
    ),
    coldSoakedK: limit(8, 'coolant, oil, air and probes this near to each other are cold-soaked'),
    coldSoakedMostC: limit(45, 'a warmer engine did not stand overnight, however near to each other all is'),
    throttleClosedPercent: limit(3, 'throttle closed, at most'),
    throttleOpenPercent: limit(97, 'throttle open, at least'),
    throttleJumpPercent: limit(12, 'a jump of the throttle between two samples'),
    throttleStandsOutTimes: limit(4, 'and by more than so many times the pace around it, where a foot could be as fast'),
    throttleSamplesMs: limit(500, 'samples of the throttle so far apart do not show whether it goes smoothly'),
    batteryLeadVolts: limit(12.2, 'a lead battery at rest, at least', 'half full; common practice, several public pages'),
    batteryLithiumVolts: limit(
      12.9,
      'a lithium iron phosphate battery of four cells at rest, at least; others in proportion to their cells',
    ),
    primeOvershootShare: limit(0.18, 'overshoot of the prime, of its target'),
    primeBandShare: limit(0.1, 'fuel pressure off its target after the prime, of the target'),
    primeBandLeastKpa: limit(25, 'that, never less than'),
    primeWithinS: limit(4, 'fuel pressure is there after'),
    primeSteadyShare: limit(0.02, 'fuel pressure has settled when it goes on by less than this share of its target'),
    primeBeganShare: limit(0.25, 'a rail that rose by this share of its target was primed'),
    railHoldsShare: limit(0.4, 'a rail over this share of its target still holds pressure: its zero is not judged'),
    probeOpenC: limit(700, 'a probe that reads more than this on an engine at rest is open'),
    probeFloatsK: limit(25, 'a probe that wanders by more than this at rest is open, and floats'),
    probeReversedK: limit(15, 'warm engine: a probe so much below the others, and colder than everything around, is reversed'),
    probeShortedK: limit(20, 'warm engine: a probe so much below the others, at the temperature of its cable, is shorted'),
    probeAmbientK: limit(6, 'warm engine: this near to the coldest reading around is the temperature of the cable'),
    throttleFastestMs: limit(110, 'no foot sweeps the throttle from end to end in less: it jumped'),
    shiftShare: limit(0.006, 'readings that step together by more than this share of their span shifted'),
    shiftAloneShare: limit(0.015, 'a reading that steps alone, by more than'),
    shiftNoiseTimes: limit(7, 'and by more than so many times its noise'),
    pumpRanVolts: limit(0.08, 'behind the sweep: the battery pulled down by so much says that a pump ran'),
    pumpRanForS: limit(7, 'that, for longer than a switched load'),
    zerosForS: limit(5, 'step: zeros looked at for'),
    probesForS: limit(5, 'step: probes beside each other, for'),
    sweepForS: limit(8, 'step: throttle swept, for'),
    batteryForS: limit(4, 'step: battery at rest, for'),
    switchForS: limit(15, 'step: things switched, for'),
    primeForS: limit(8, 'step: prime, for'),
    leakHoldForS: limit(120, 'step: leak hold with the pump running, for', `${commonPractice} (2 to 5 minutes)`),
    leakDownForS: limit(60, 'step: fall with the pump off, for'),
    primeAgainForS: limit(10, 'step: prime at reference pressure, for'),
    aliveForS: limit(2, 'step: last look at every channel, for'),
  },
  supplies: {
    movedShare: limit(0.006, 'a reading moved with a load by more than this share of its span'),
    movedNoiseTimes: limit(5, 'and by more than so many times its noise'),
    movedForMs: limit(1200, 'that, for longer than'),
    restForS: limit(4, 'step: everything off, for'),
    switchForS: limit(6, 'step: one thing on and off again, for'),
  },
  probes: {
    movingKPerS: limit(0.45, 'slower than this is weather, heat that fades, an engine that cools'),
    movedLeastK: limit(6, 'a probe that was warmed moves by at least'),
    movedNoiseTimes: limit(8, 'and by at least so many times its noise'),
    pauseS: limit(3, 'a rise that rests for less goes on'),
    secondRiseShare: limit(
      0.3,
      'a probe that crept up with its neighbour is warmed itself from where it rises with this share of its steepest',
    ),
    strayShare: limit(0.35, 'stray heat: a smaller move that shares more of its time than this with a greater one'),
    strayAheadS: limit(1.5, 'stray heat begins no sooner than this before the probe that is warmed'),
    creepShare: limit(
      0.35,
      'a channel crept beside a warm neighbour, where it moved by less than this share of it, and of its own move at another time',
    ),
    longRestTimes: limit(1.6, 'a rest of so many usual ones between two warmings: a dead probe was warmed in it'),
    connectorRestTimes: limit(3, 'a channel that moves for the first time after a rest of so many usual ones moved with its connector'),
    connectorRestLeastS: limit(45, 'that rest, at least'),
    coldForS: limit(5, 'step: all probes at rest, for'),
    warmForS: limit(10, 'step: one probe warmed, for'),
    connectorsForS: limit(20, 'step: connectors warmed, for'),
  },
  injectors: {
    bledKpa: limit(20, 'a rail is bled below'),
    bledForS: limit(3, 'that, for'),
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
    coolantMostC: limit(110, 'coolant without load, at most'),
    oilMostC: limit(135, 'oil temperature without load, at most'),
    hotForS: limit(1, 'either hotter, for longer than'),
    chargingFromVolts: limit(13.2, 'charging, at least'),
    chargingToVolts: limit(15.2, 'charging, at most'),
    chargingAfterS: limit(5, 'that, judged from so long after the engine runs'),
    crankedForS: limit(1.5, 'a shorter turn of the starter is no failed start'),
    crankedMostS: limit(10, 'a starter is held no longer than'),
    restedS: limit(60, 'and rests for'),
    oilSteadyShare: limit(0.25, 'oil pressure before fire is steady within this share of its highest'),
    oilSteadyForS: limit(1.5, 'that, for'),
    crankedSyncShare: limit(0.3, 'a failed start had no sync when it was there for a smaller share of the cranking'),
    crankedFuelShare: limit(0.7, 'a failed start had no fuel pressure when its delta was below this share of the target'),
    crankedFiredK: limit(25, 'a cylinder fired in a failed start when its exhaust rose by'),
    coldShare: limit(0.35, 'a cylinder is cold when its exhaust rose by less than this share of what the others did'),
    coldBehindK: limit(55, 'and is behind them by at least'),
    coldForMs: limit(900, 'that, for longer than'),
    coldAfterS: limit(1.2, 'that, judged from so long after the engine runs'),
    coldOthersK: limit(45, 'that, once the others rose by'),
    coldStopAfterS: limit(0, 'a cold cylinder stops the engine when it stays so for longer than'),
    coldStopBreakInS: limit(30, 'that, in the break-in of a flat-tappet cam: stopping and starting again wear it'),
    levelAfterS: limit(7, 'levels are compared from so long after the engine runs'),
    levelColdShare: limit(0.5, "cold when its level is below this share of the others'"),
    levelLazyShare: limit(0.72, "lazy when its level is below this share of the others'"),
    levelBehindK: limit(60, 'and is behind them by at least'),
    caughtUpShare: limit(0.85, "a cold one whose level came up to this share of the others' burns, late: lazy"),
    lazyRiseShare: limit(0.74, 'lazy when its exhaust rose by less than this share of what the others did in 2 to 6 s'),
    lazyBehindK: limit(20, 'and was behind them by at least'),
    afterCutS: limit(5, 'after a fuel cut no cylinder is judged for'),
    aloneRiseK: limit(80, 'a single probe on a cold engine rises by this within 8 s where its cylinder is lit'),
    aloneColdC: limit(120, 'a single probe that began hotter says nothing'),
    reversedBelowK: limit(15, 'a probe below freezing and so much colder than any before the fire is reversed'),
    litForS: limit(20, 'step: cylinders watched once it runs, for'),
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
