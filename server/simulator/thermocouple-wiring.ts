// What a thermocouple box reads through right and wrong wiring, from the voltages that each piece of wire makes.
// The simulator has its own copy of the published curve on purpose: it shares nothing with the code that judges its output.

const belowZero = [
  0, 0.39450128025e-1, 0.23622373598e-4, -0.32858906784e-6, -0.49904828777e-8, -0.67509059173e-10, -0.57410327428e-12, -0.31088872894e-14,
  -0.10451609365e-16, -0.19889266878e-19, -0.16322697486e-22,
];
const aboveZero = [
  -0.17600413686e-1, 0.38921204975e-1, 0.18558770032e-4, -0.99457592874e-7, 0.31840945719e-9, -0.56072844889e-12, 0.56075059059e-15,
  -0.32020720003e-18, 0.97151147152e-22, -0.12104721275e-25,
];
const lowestC = -270;
const highestC = 1372;

/** Type K voltage against 0 °C, millivolt: 33.275 at 800 °C. Source: NIST Monograph 175, direct polynomial of ITS-90. */
export function toTypeKMillivolt(tempC: number): number {
  const t = Math.min(highestC, Math.max(lowestC, tempC));
  const terms = t < 0 ? belowZero : aboveZero;
  let sum = 0;
  for (let i = terms.length - 1; i >= 0; i--) sum = sum * t + (terms[i] as number);
  return t < 0 ? sum : sum + 0.1185976 * Math.exp(-0.1183432e-3 * (t - 126.9686) ** 2);
}

/** The temperature at which the direct polynomial gives this voltage, by halving: within 0.001 °C. */
export function toTypeKTemperature(millivolt: number): number {
  let low = lowestC;
  let high = highestC;
  while (high - low > 0.001) {
    const middle = (low + high) / 2;
    if (toTypeKMillivolt(middle) < millivolt) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

export type ThermocoupleWiring = 'right' | 'reversed' | 'extension crossed' | 'copper extension' | 'shorted';

/**
 * The temperature that a box with cold-junction compensation shows.
 * Worked (probe 800 °C, connector 80 °C, box 30 °C): extension crossed 700, copper extension 750, shorted 80 (where the short is).
 * @param tipC Junction of the probe. @param connectorC Where probe and extension meet. @param boxC Terminals of the box.
 */
export function readThermocouple(wiring: ThermocoupleWiring, tipC: number, connectorC: number, boxC: number): number {
  if (wiring === 'right') return tipC;
  if (wiring === 'shorted') return connectorC;
  const tip = toTypeKMillivolt(tipC);
  const connector = toTypeKMillivolt(connectorC);
  const box = toTypeKMillivolt(boxC);
  const compensated = {
    reversed: connector - tip + (connector - box) + box,
    'extension crossed': tip - connector - (connector - box) + box,
    'copper extension': tip - connector + box,
  };
  return toTypeKTemperature(compensated[wiring]);
}
