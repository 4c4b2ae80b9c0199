// Reads what the person wrote as a bus's source (`socketcan:can0`, `serial:PORT`, `file:PATH`, `simulator`) and makes the source.
import { statSync } from 'node:fs';
import type { SessionClock } from '../clock.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { checkInterface } from './can-interface.ts';
import { ReaderSource } from './reader.ts';
import { RecordedFileSource } from './recorded-file-source.ts';
import { findRateDigit, serialBitRates } from './serial-protocol.ts';
import type { Source, Speed } from './source.ts';

/** A source as written, understood but not looked at. */
export type SourceDescription =
  | { kind: 'socketcan'; interface: string }
  | { kind: 'serial'; port: string; baud: number; acknowledges: boolean; bitRate?: number }
  | { kind: 'file'; path: string; speed: Speed }
  | { kind: 'simulator'; scenario?: string; speed: Speed };

const defaultBaud = 115_200;
const speedMax = 1000;

/** Understands a SOURCE. Errors: USAGE_WRONG, naming what was found and what is possible. */
export function parseSource(text: string): SourceDescription {
  if (text.startsWith('simulator?')) return parseSimulator(text.slice('simulator'.length), text);
  const colon = text.indexOf(':');
  const kind = colon < 0 ? text : text.slice(0, colon);
  const rest = colon < 0 ? '' : text.slice(colon + 1);
  if (kind === 'simulator') return parseSimulator(rest, text);
  if (kind === 'socketcan') return { kind, interface: needed(rest, text, 'socketcan:INTERFACE, as in socketcan:can0') };
  if (kind === 'serial') return parseSerial(rest, text);
  if (kind === 'file') return parseFile(rest, text);
  throw wrong(`source '${text}' is none of socketcan:INTERFACE, serial:PORT, file:PATH, simulator[:SCENARIO]`);
}

function parseSerial(rest: string, text: string): SourceDescription {
  const { head, options } = splitOptions(rest, ['baud', 'acknowledge', 'rate'], text);
  const port = needed(head, text, 'serial:PORT, as in serial:/dev/ttyACM0 or serial:COM3');
  const acknowledge = options.get('acknowledge') ?? 'no';
  if (acknowledge !== 'yes' && acknowledge !== 'no') throw wrong(`source '${text}': acknowledge is yes or no, not '${acknowledge}'`);
  const baud = numberOption(options, 'baud', text) ?? defaultBaud;
  const bitRate = numberOption(options, 'rate', text);
  return { kind: 'serial', port, baud, acknowledges: acknowledge === 'yes', ...(bitRate === undefined ? {} : { bitRate }) };
}

function parseFile(rest: string, text: string): SourceDescription {
  const { head, options } = splitOptions(rest, ['speed'], text);
  const path = needed(head, text, 'file:PATH, as in file:pull.log?speed=2');
  return { kind: 'file', path, speed: speedOption(options, text) };
}

function parseSimulator(rest: string, text: string): SourceDescription {
  const { head, options } = splitOptions(rest, ['speed'], text);
  const speed = speedOption(options, text);
  return head === '' ? { kind: 'simulator', speed } : { kind: 'simulator', scenario: head, speed };
}

function speedOption(options: Map<string, string>, text: string): Speed {
  const speed = options.get('speed') ?? '1';
  if (speed === 'max') return speed;
  const number = Number(speed);
  if (number > 0 && number <= speedMax) return number;
  throw wrong(`source '${text}': speed is max or a number above 0 and up to ${speedMax}, not '${speed}'`);
}

/** Options stand behind the last `?`; a `?` that no known option follows belongs to the path. */
function splitOptions(rest: string, known: string[], text: string): { head: string; options: Map<string, string> } {
  const mark = rest.lastIndexOf('?');
  const options = new Map<string, string>();
  if (mark < 0 || !/^\w+=/.test(rest.slice(mark + 1))) return { head: rest, options };
  for (const part of rest.slice(mark + 1).split('&')) {
    const [key = '', value = ''] = part.split('=', 2);
    if (!known.includes(key)) throw wrong(`source '${text}': unknown option '${key}' (known: ${known.join(', ')})`);
    options.set(key, value);
  }
  return { head: rest.slice(0, mark), options };
}

function numberOption(options: Map<string, string>, key: string, text: string): number | undefined {
  const value = options.get(key);
  if (value === undefined) return undefined;
  const number = Number(value);
  if (!Number.isInteger(number) || number <= 0) throw wrong(`source '${text}': ${key} is a whole number above 0, not '${value}'`);
  return number;
}

function needed(value: string, text: string, form: string): string {
  if (value === '') throw wrong(`source '${text}' is incomplete: write ${form}`);
  return value;
}

function wrong(what: string): EvenburnError {
  return new EvenburnError('USAGE_WRONG', { what });
}

/**
 * Makes the source of a bus, after a look at whether it can be opened at all.
 *
 * Errors: USAGE_WRONG; INTERFACE_MISSING, INTERFACE_NOT_CAN, INTERFACE_DOWN with the command to type; INPUT_FILE_MISSING;
 * SCENARIO_MISSING, SCENARIO_INVALID.
 * What can only be seen on opening (a serial port, a missing add-on) comes to the listener's `failed` or as its state.
 */
export async function openSource(text: string, bus: number, vehicle: Vehicle, clock: SessionClock): Promise<Source> {
  const description = parseSource(text);
  const { bitRate, dataBitRate } = vehicle.buses[bus] ?? {};
  if (description.kind === 'socketcan') {
    checkInterface(description.interface, bitRate);
    return new ReaderSource(bus, text, description, clock);
  }
  if (description.kind === 'serial') {
    const { port, baud, acknowledges } = description;
    const rate = serialBitRate(description.bitRate ?? bitRate, text);
    const fd = dataBitRate === undefined ? {} : { dataBitRate };
    return new ReaderSource(bus, text, { kind: 'serial', port, baud, bitRate: rate, ...fd, acknowledges }, clock);
  }
  if (description.kind === 'file') {
    const { path, speed } = description;
    if (!statSync(path, { throwIfNoEntry: false })) throw new EvenburnError('INPUT_FILE_MISSING', { path });
    return new RecordedFileSource(bus, text, { path, speed, buses: vehicle.buses }, clock);
  }
  const { demoScenario, getScenario } = await import('../simulator/scenario-library.ts');
  const { makeSimulatorSource } = await import('../simulator/simulator-source.ts');
  const scenario = await getScenario(description.scenario ?? demoScenario, vehicle);
  return makeSimulatorSource(bus, text, vehicle, scenario, clock, description.speed);
}

function serialBitRate(bitRate: number | undefined, text: string): number {
  if (bitRate === undefined) throw wrong(`source '${text}': the vehicle file says no bit_rate for this bus, so add ?rate=500000`);
  if (findRateDigit(bitRate) !== undefined) return bitRate;
  const known = serialBitRates.map((rate) => rate / 1000).join(', ');
  throw wrong(`source '${text}': serial-line adapters know ${known} kbit/s, and not ${bitRate / 1000}`);
}
