// Names in a harness file that lead nowhere: connectors, circuits, fuses and groups of pins that are named and not described.
import type { Read } from './check-shape.ts';
import type { harnessSchema } from './harness-schema.ts';
import type { ProblemList } from './problem.ts';
import type { Path, YamlText } from './yaml-text.ts';

/** What a harness describes, and what it names. */
export interface HarnessNames {
  connectors: ReadonlySet<string>;
  circuits: ReadonlyMap<string, { anyPinOf?: string | undefined }>;
  fuses: ReadonlySet<string>;
  pinGroups: ReadonlySet<string>;
  /** Ends are `connector.pin`. */
  wires: readonly (
    | { from?: string | undefined; to?: string | undefined; circuit?: string | undefined; fuse?: string | undefined }
    | undefined
  )[];
}

/** A name that there is not, with its place in the file. */
export interface UnknownName {
  path: Path;
  say: string;
  fix: string;
}

export function findUnknownNames({ connectors, circuits, fuses, pinGroups, wires }: HarnessNames): UnknownName[] {
  const ofWires = wires.flatMap((wire, i): UnknownName[] => {
    if (!wire) return [];
    const { from, to, circuit, fuse } = wire;
    const named = `the wire ${from ?? '?'} to ${to ?? '?'} names`;
    const found: UnknownName[] = [];
    for (const [key, end] of Object.entries({ from, to })) {
      const connector = end?.split('.')[0] ?? '';
      if (end === undefined || connectors.has(connector)) continue;
      const say = `a wire ends at ${end}, and there is no connector ${connector}`;
      found.push({ path: ['wires', i, key], say, fix: 'Add it under connectors:, or correct the name.' });
    }
    if (circuit !== undefined && !circuits.has(circuit)) {
      found.push({ path: ['wires', i, 'circuit'], say: `${named} a circuit ${circuit} that there is not`, fix: 'Add it under circuits:.' });
    }
    if (fuse !== undefined && !fuses.has(fuse)) {
      found.push({ path: ['wires', i, 'fuse'], say: `${named} a fuse ${fuse} that there is not`, fix: 'Add it under fuses:.' });
    }
    return found;
  });
  const ofCircuits = [...circuits].flatMap(([name, { anyPinOf }]): UnknownName[] => {
    if (anyPinOf === undefined || pinGroups.has(anyPinOf)) return [];
    const say = `circuit ${name} may sit on any pin of ${anyPinOf}, and there is no such group`;
    return [{ path: ['circuits', name, 'any_pin_of'], say, fix: 'Add it under pin_groups:.' }];
  });
  return [...ofWires, ...ofCircuits];
}

/** Warnings: a harness that is half drawn keeps no alarm from its work. */
export function checkHarnessNames(read: Read<typeof harnessSchema>, file: YamlText, problems: ProblemList): void {
  const names: HarnessNames = {
    connectors: new Set(read.connectors?.keys()),
    circuits: new Map([...(read.circuits ?? [])].map(([name, circuit]) => [name, { anyPinOf: circuit?.any_pin_of }])),
    fuses: new Set(read.fuses?.keys()),
    pinGroups: new Set(read.pin_groups?.keys()),
    wires: read.wires ?? [],
  };
  for (const { path, say, fix } of findUnknownNames(names)) problems.addAtValue(file, path, { code: 'HARNESS_NAME_UNKNOWN', say, fix });
}
