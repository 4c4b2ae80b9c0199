// Copper wire: resistance by cross-section, American gauge numbers, and what current a wire carries. Pure.

/** Copper at 20 °C, Ω·mm²/m: ASTM B258's tables of resistance rest on it (100 % IACS, 1.7241 µΩ·cm). */
const copperOhmMm2PerM = 0.017241;
/** Copper gains so much of its resistance a kelvin (from memory; IEC 60028 gives the same). */
const copperPerK = 0.00393;

/** Thermocouple wire of type K, Ω·mm²/m, by its leg; from memory, good to a tenth. */
const typeKOhmMm2PerM = { positive: 0.71, negative: 0.29 } as const;

/**
 * Diameter of an American gauge number, mm: 0.127 × 92^((36 − n) / 39) (ASTM B258). Worked: 20 → 0.8118.
 */
export function gaugeDiameterMm(gauge: number): number {
  return 0.127 * 92 ** ((36 - gauge) / 39);
}

/** Cross-section of an American gauge number, mm². Worked: 20 → 0.5176. */
export function gaugeAreaMm2(gauge: number): number {
  return (Math.PI / 4) * gaugeDiameterMm(gauge) ** 2;
}

/**
 * Resistance of a copper wire, ohm.
 * @param atC Temperature of the wire, °C. Worked: AWG 20, 1 m, 20 °C → 33.308 mΩ.
 */
export function copperOhm(areaMm2: number, lengthM: number, atC = 20): number {
  return ((copperOhmMm2PerM * lengthM) / areaMm2) * (1 + copperPerK * (atC - 20));
}

/** Resistance of a leg of type K thermocouple wire at room temperature, ohm. */
export function typeKOhm(areaMm2: number, lengthM: number, leg: keyof typeof typeKOhmMm2PerM): number {
  return (typeKOhmMm2PerM[leg] * lengthM) / areaMm2;
}

/**
 * Voltage lost over a run there and back: 2 × R × I, the way back taken to be as long and as thick. Worked: AWG 20, 3 m, 5 A → 0.999 V.
 */
export function dropThereAndBackV(ohmOneWay: number, amps: number): number {
  return 2 * ohmOneWay * amps;
}

/** [mm², A]: a single copper wire in free air, chassis wiring. Common practice, from memory. */
const carries: readonly (readonly [number, number])[] = [26, 24, 22, 20, 18, 16, 14, 12, 10].map((gauge, i) => [
  gaugeAreaMm2(gauge),
  [2.2, 3.5, 7, 11, 16, 22, 32, 41, 55][i] as number,
]);

/** Current that a copper wire carries for long, A; between the table's sizes on a line of powers, beyond them along its ends. */
export function carriesA(areaMm2: number): number {
  const next = carries.findIndex(([area]) => area >= areaMm2);
  const high = Math.max(1, next < 0 ? carries.length - 1 : next);
  const [lowArea, lowA] = carries[high - 1] as readonly [number, number];
  const [highArea, highA] = carries[high] as readonly [number, number];
  const power = Math.log(highA / lowA) / Math.log(highArea / lowArea);
  return lowA * (areaMm2 / lowArea) ** power;
}
