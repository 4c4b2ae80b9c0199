// Vehicles made by hand for tests of the codec: buses and frames only, everything else empty.
import type { Frame, RawRange, Signal, Vehicle } from '../../server/definitions/vehicle.ts';

const at = { file: 'made', line: 1, column: 1 };

export function range(from: bigint | number, to: bigint | number = from): RawRange {
  return { from: BigInt(from), to: BigInt(to) };
}

export function madeSignal(given: Partial<Signal> & { name: string }): Signal {
  return {
    channel: 0,
    startBit: 0,
    bitLength: 8,
    byteOrder: 'little',
    sign: 'unsigned',
    factor: 1,
    offset: 0,
    unit: '',
    fault: [],
    notAvailable: [],
    states: new Map(),
    when: [],
    at,
    ...given,
  };
}

export function madeFrame(given: Partial<Frame> & { signals: Signal[] }): Frame {
  const { pgn } = given;
  return {
    name: 'frame',
    bus: 0,
    device: 'device',
    ...(pgn === undefined ? { id: 0x100 } : {}),
    extended: pgn !== undefined,
    fd: (given.lengthBytes ?? 8) > 8,
    lengthBytes: 8,
    at,
    ...given,
  };
}

/** Channels are numbered in the order of the frames given, each with its `bus`. */
export function madeVehicle(frames: Frame[], busNames: string[] = ['engine']): Vehicle {
  const buses = busNames.map((name, index) => ({
    name,
    index,
    bitRate: 500_000,
    devices: [],
    frames: frames.filter((frame) => frame.bus === index),
    at,
  }));
  let channel = 0;
  for (const bus of buses) for (const frame of bus.frames) for (const signal of frame.signals) signal.channel = channel++;
  return {
    name: 'Made',
    hash: 'made',
    files: [],
    fuel: { name: 'petrol', densityKgPerL: 0.745, stoichiometricAfr: 14.7, parts: new Map() },
    electrical: {},
    buses,
    injectorSets: [],
    derived: [],
    tables: new Map(),
    alarms: [],
    limits: { at },
    supplies: new Map(),
    grounds: new Map(),
    checks: undefined,
    procedures: [],
    warnings: [],
  };
}
