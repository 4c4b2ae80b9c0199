// Voltage drop and fusing of each circuit, and whether a typed continuity reading is right, from gauge, length and load. Pure.
import { endsOf, type Harness, type Wire, wiresOfCircuit } from './harness.ts';
import { carriesA, copperOhm, dropThereAndBackV, typeKOhm } from './wire-table.ts';

/** Limits. Common practice, no source. */
export const circuitLimits = {
  /** Of the nominal voltage, there and back, hot. */
  dropShare: 0.04,
  /** Engine bay. */
  hotC: 80,
  /** Steady load beyond this share of a fuse's rating ages it. */
  fuseLoadShare: 0.8,
  /** Leads of the meter and two contacts, added to what the wire itself may read, ohm. */
  contactsOhm: 0.5,
  /** Beside that, of the wire's own resistance: lengths are measured along the branch. */
  readingShare: 0.25,
} as const;

export interface CircuitLoad {
  circuit: string;
  /** Pins at both ends (more at a splice). */
  ends: string[];
  /** Along its longest way, 20 °C; undefined when a wire's gauge or length isn't said. */
  ohm?: number;
  lengthM?: number;
  /** There and back at the hot temperature, of its load. */
  dropV?: number;
  dropLimitV?: number;
  /** Thinnest wire: what it carries. */
  carriesA?: number;
  warnings: string[];
  /** What would let more be judged, as lines of the file. */
  missing: string[];
}

/** @param nominalV Of the vehicle; 12 V where it says nothing. */
export function judgeCircuit(harness: Harness, circuit: string, nominalV = 12): CircuitLoad {
  const wires = wiresOfCircuit(harness, circuit);
  const loadA = harness.circuits.find(({ name }) => name === circuit)?.loadA;
  const result: CircuitLoad = { circuit, ends: endsOf(wires), warnings: [], missing: [] };
  if (wires.length === 0) {
    result.missing.push(`wires: a wire with circuit: ${circuit}`);
    return result;
  }
  const way = longestWay(wires);
  if (way) {
    result.ohm = way.ohm;
    result.lengthM = way.lengthM;
  } else result.missing.push(`wires: gauge: and length: of every wire of ${circuit}`);
  if (wires.some(({ alloy }) => alloy !== undefined)) return result;
  judgeDrop(result, way, loadA, nominalV);
  judgeFuse(result, harness, wires, loadA);
  return result;
}

function judgeDrop(result: CircuitLoad, way: Way | undefined, loadA: number | undefined, nominalV: number): void {
  if (loadA === undefined) {
    result.missing.push(`circuits: ${result.circuit}: { load: ... A }`);
    return;
  }
  if (!way) return;
  result.dropV = dropThereAndBackV(way.hotOhm, loadA);
  result.dropLimitV = circuitLimits.dropShare * nominalV;
  if (result.dropV > result.dropLimitV) {
    const share = ((100 * result.dropV) / nominalV).toFixed(1);
    result.warnings.push(
      `loses ${result.dropV.toFixed(2)} V (${share} %) there and back at ${loadA} A and ${circuitLimits.hotC} °C: a thicker or shorter wire`,
    );
  }
}

function judgeFuse(result: CircuitLoad, harness: Harness, wires: readonly Wire[], loadA: number | undefined): void {
  const areas = wires.flatMap(({ areaMm2 }) => areaMm2 ?? []);
  if (areas.length === 0) return;
  const carried = carriesA(Math.min(...areas));
  result.carriesA = carried;
  if (loadA !== undefined && loadA > carried)
    result.warnings.push(`its thinnest wire carries ${carried.toFixed(0)} A, its load is ${loadA} A`);
  for (const name of new Set(wires.flatMap(({ fuse }) => fuse ?? []))) {
    const fuse = harness.fuses.find((one) => one.name === name);
    if (fuse && fuse.ratingA > carried) {
      result.warnings.push(`fuse ${name} of ${fuse.ratingA} A does not protect its thinnest wire, which carries ${carried.toFixed(0)} A`);
    }
  }
}

/** Loads of all circuits behind each fuse, against its rating. */
export function judgeFuses(
  harness: Harness,
): { fuse: string; title: string; ratingA: number; loadA: number; unknown: string[]; warning?: string }[] {
  return harness.fuses.map(({ name, title, ratingA }) => {
    const behind = harness.circuits.filter((circuit) => wiresOfCircuit(harness, circuit.name).some(({ fuse }) => fuse === name));
    const loadA = behind.reduce((sum, circuit) => sum + (circuit.loadA ?? 0), 0);
    const unknown = behind.filter((circuit) => circuit.loadA === undefined).map((circuit) => circuit.name);
    const share = loadA / ratingA;
    const over =
      share > 1
        ? `its circuits draw ${loadA.toFixed(1)} A, more than its rating`
        : `its circuits draw ${Math.round(100 * share)} % of its rating: it ages`;
    return { fuse: name, title, ratingA, loadA, unknown, ...(share > circuitLimits.fuseLoadShare ? { warning: over } : {}) };
  });
}

export interface ContinuityVerdict {
  ok: boolean;
  say: string;
  /** What the wire itself should read; undefined when the file doesn't say enough, and then only broken and whole are told apart. */
  expectedOhm?: number;
  limitOhm: number;
}

/**
 * @param wires Of one run (`runsOf`).
 * @param ohm Reading from end to end of the run, both ends unplugged; Infinity for open.
 */
export function judgeContinuity(wires: readonly Wire[], ohm: number): ContinuityVerdict {
  const expected = longestWay(wires)?.ohm;
  const limitOhm = (expected ?? 0) * (1 + circuitLimits.readingShare) + circuitLimits.contactsOhm;
  const about = expected === undefined ? { limitOhm } : { expectedOhm: expected, limitOhm };
  if (!(ohm >= 0))
    return { ok: false, say: 'a resistance is never negative: there is power on the wire, or the meter is not zeroed', ...about };
  if (ohm > 1e5) return { ok: false, say: 'open: broken, or not this pin', ...about };
  if (ohm > limitOhm) {
    const most =
      expected === undefined ? `${limitOhm.toFixed(2)} ohm` : `${limitOhm.toFixed(2)} ohm (the wire itself ${expected.toFixed(2)})`;
    return { ok: false, say: `${ohm} ohm is more than ${most}: a bad crimp, or broken strands`, ...about };
  }
  const floor = expected === undefined ? 0 : expected * (1 - circuitLimits.readingShare) - circuitLimits.contactsOhm;
  if (ohm < floor)
    return {
      ok: false,
      say: `${ohm} ohm is less than a wire of ${expected?.toFixed(2)} ohm can read: shorted to another on the way`,
      ...about,
    };
  return { ok: true, say: 'whole', ...about };
}

interface Way {
  ohm: number;
  hotOhm: number;
  lengthM: number;
}

interface Edge {
  ends: [string, string];
  way: Way;
}

/** The way between two pins of the circuit with the most resistance; wires that lie side by side count as one thicker one. */
function longestWay(wires: readonly Wire[]): Way | undefined {
  const edges = toEdges(wires);
  if (!edges || edges.length === 0) return undefined;
  let longest: Way = { ohm: 0, hotOhm: 0, lengthM: 0 };
  const walk = (at: string, way: Way, used: ReadonlySet<Edge>, seen: ReadonlySet<string>) => {
    if (way.ohm > longest.ohm) longest = way;
    for (const edge of edges) {
      const to = edge.ends[0] === at ? edge.ends[1] : edge.ends[1] === at ? edge.ends[0] : undefined;
      if (to === undefined || used.has(edge) || seen.has(to)) continue;
      walk(to, plus(way, edge.way), new Set([...used, edge]), new Set([...seen, to]));
    }
  };
  for (const start of endsOf(wires)) walk(start, { ohm: 0, hotOhm: 0, lengthM: 0 }, new Set(), new Set([start]));
  return longest;
}

function plus(a: Way, b: Way): Way {
  return { ohm: a.ohm + b.ohm, hotOhm: a.hotOhm + b.hotOhm, lengthM: a.lengthM + b.lengthM };
}

function toEdges(wires: readonly Wire[]): Edge[] | undefined {
  const edges: Edge[] = [];
  for (const wire of wires) {
    const way = toWay(wire);
    if (!way) return undefined;
    const beside = edges.find(({ ends }) => ends.includes(wire.from) && ends.includes(wire.to));
    if (beside) beside.way = sideBySide(beside.way, way);
    else edges.push({ ends: [wire.from, wire.to], way });
  }
  return edges;
}

function sideBySide(a: Way, b: Way): Way {
  const joined = (x: number, y: number) => (x + y > 0 ? (x * y) / (x + y) : 0);
  return { ohm: joined(a.ohm, b.ohm), hotOhm: joined(a.hotOhm, b.hotOhm), lengthM: Math.max(a.lengthM, b.lengthM) };
}

/** Undefined when gauge or length isn't said, or the alloy isn't known. */
function toWay({ areaMm2, lengthM, alloy, polarity }: Wire): Way | undefined {
  if (areaMm2 === undefined || lengthM === undefined) return undefined;
  if (alloy === undefined) {
    return { ohm: copperOhm(areaMm2, lengthM), hotOhm: copperOhm(areaMm2, lengthM, circuitLimits.hotC), lengthM };
  }
  if (!/^K/.test(alloy) || polarity === undefined) return undefined;
  const ohm = typeKOhm(areaMm2, lengthM, polarity);
  return { ohm, hotOhm: ohm, lengthM };
}
