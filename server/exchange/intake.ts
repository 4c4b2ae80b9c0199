// What every reader of recorded files shares: which bus a frame belongs to, and the account of what was read and what was not.
import type { Bus } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { malformedNamedMax, unmatchedInterfacesMax } from '../limits.ts';

/** A part of a file that is no frame. */
export interface MalformedPart {
  /** Line, counted from 1, or byte offset, from 0 (of the unpacked bytes where the file is gzip). */
  at: number;
  unit: 'line' | 'byte';
  why: string;
}

/** The account of a recorded file so far. */
export interface RecordedFileCounts {
  /** Name of the form found, '' before the first bytes. */
  format: string;
  /** Frames handed over. */
  frames: number;
  /** Parts that are no frame, and the first of them by place. */
  malformed: number;
  malformedNamed: MalformedPart[];
  /** Times finer than a microsecond, rounded to the nearest one. */
  roundedTimes: number;
  /** Frames older than the one before them; order is kept. */
  backwards: number;
  /** Frames that the file marks as received and as sent by the computer that recorded it. */
  received: number;
  transmitted: number;
  /** Interface name → frames left out, because no bus of the vehicle has that interface. */
  unmatched: Map<string, number>;
}

/** What a session made of the file does not hold as the file has it, in sentences. */
export function toRemarks({ malformed, malformedNamed, roundedTimes, backwards, unmatched }: RecordedFileCounts): string[] {
  const remarks: string[] = [];
  const first = malformedNamed[0];
  if (first) remarks.push(`${malformed} parts are no frame and were left out, the first at ${first.unit} ${first.at}: ${first.why}`);
  if (roundedTimes > 0) remarks.push(`${roundedTimes} times were finer than a microsecond and were rounded`);
  if (backwards > 0) remarks.push(`${backwards} frames are older than the one before; the order of the file was kept`);
  for (const [name, frames] of unmatched) {
    remarks.push(`${frames} frames of interface ${name} were left out, no bus of the vehicle has it as \`interface\``);
  }
  return remarks;
}

/** The buses that a recorded file's frames may belong to. */
export type BusChoice = readonly Pick<Bus, 'name' | 'index' | 'interface'>[];

export const noBus = -1;
const restOfInterfaces = '(others)';
const noInterface = '(no interface name)';

interface KnownInterface {
  name: Uint8Array;
  text: string;
  bus: number;
}

/** Collects the account and picks the bus of each frame. */
export class Intake {
  readonly counts: RecordedFileCounts = {
    format: '',
    frames: 0,
    malformed: 0,
    malformedNamed: [],
    roundedTimes: 0,
    backwards: 0,
    received: 0,
    transmitted: 0,
    unmatched: new Map(),
  };
  /** The bytes broke off before the file's own end: what is left over is half a record, however whole it looks. */
  brokenOff = false;
  private readonly buses: BusChoice;
  private readonly onlyBus: number;
  private readonly known: KnownInterface[] = [];

  /** @param busName Every frame belongs to this bus, whatever the file says; USAGE_WRONG when the vehicle has none of the name. */
  constructor(buses: BusChoice, busName?: string) {
    this.buses = buses;
    const chosen = busName === undefined ? undefined : buses.find((bus) => bus.name === busName);
    if (busName !== undefined && !chosen) throw new EvenburnError('USAGE_WRONG', { what: `the vehicle has no bus '${busName}'` });
    this.onlyBus = chosen ? chosen.index : buses.length === 1 ? (buses[0] as BusChoice[number]).index : noBus;
  }

  /** Bus of an interface whose name is `bytes[from .. to)`; `noBus`, counted, when no bus has it. */
  busOf(bytes: Uint8Array, from: number, to: number): number {
    if (this.onlyBus !== noBus) return this.onlyBus;
    for (const known of this.known) {
      if (!sameBytes(known.name, bytes, from, to)) continue;
      if (known.bus === noBus) this.countUnmatched(known.text);
      return known.bus;
    }
    const text = Buffer.from(bytes.subarray(from, to)).toString('utf8');
    const bus = this.busNamed(text);
    if (this.known.length < unmatchedInterfacesMax) this.known.push({ name: bytes.slice(from, to), text, bus });
    if (bus === noBus) this.countUnmatched(text);
    return bus;
  }

  /** The same for a name that was read once, for a whole interface of a file; not counted. */
  busNamed(name: string): number {
    if (this.onlyBus !== noBus) return this.onlyBus;
    const found = this.buses.find((bus) => bus.interface === name) ?? this.buses.find((bus) => bus.name === name);
    return found?.index ?? noBus;
  }

  /** Counts a frame of an interface that no bus has. */
  countUnmatched(name: string): void {
    const { unmatched } = this.counts;
    const shown = name === '' ? noInterface : name;
    const key = unmatched.has(shown) || unmatched.size < unmatchedInterfacesMax ? shown : restOfInterfaces;
    unmatched.set(key, (unmatched.get(key) ?? 0) + 1);
  }

  malformed(unit: 'line' | 'byte', at: number, why: string): void {
    this.counts.malformed++;
    if (this.counts.malformedNamed.length < malformedNamedMax) this.counts.malformedNamed.push({ at, unit, why });
  }
}

function sameBytes(name: Uint8Array, bytes: Uint8Array, from: number, to: number): boolean {
  if (name.length !== to - from) return false;
  for (let i = 0; i < name.length; i++) if (name[i] !== bytes[from + i]) return false;
  return true;
}
