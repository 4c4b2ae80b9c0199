// A small engine made by hand for tests of the pipeline, channels and alarms: four frames on one bus, and what a test adds.
import { FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';
import type { Channel } from '../../server/channels/channel-list.ts';
import { type QualityName, qualityNames } from '../../server/channels/quality.ts';
import type { SampleBatch } from '../../server/channels/sample-batch.ts';
import type { AlarmRule, DerivedChannel, Engine, Frame, InjectorSet, Vehicle } from '../../server/definitions/vehicle.ts';
import { madeFrame, madeSignal, madeVehicle } from '../codec/made-vehicle.ts';

const at = { file: 'made', line: 1, column: 1 };

/** Ids of the frames. */
export const ids = { engine: 0x100, exhaustLow: 0x200, exhaustHigh: 0x201, pressures: 0x300 } as const;

const word = (name: string, byte: number, more: object = {}) => madeSignal({ name, startBit: byte * 8, bitLength: 16, ...more });

/** Every word is little endian, in whole units; raw 0xFFFF is a fault, 0xFFFE not available. */
function frames(): Frame[] {
  const probe = {
    unit: 'degC',
    fault: [{ from: 0xffffn, to: 0xffffn }],
    notAvailable: [{ from: 0xfffen, to: 0xfffen }],
    min: 0,
    max: 1250,
  };
  return [
    madeFrame({
      name: 'engine',
      id: ids.engine,
      periodUs: 20_000,
      signals: [
        word('engine_speed', 0, { unit: 'rpm', fault: probe.fault }),
        word('throttle', 2, { unit: '%' }),
        word('port_pulse', 4, { unit: 'us' }),
        word('fuel_cut', 6),
      ],
    }),
    madeFrame({
      name: 'exhaust_1_to_4',
      id: ids.exhaustLow,
      periodUs: 50_000,
      signals: [1, 2, 3, 4].map((n) => word(`exhaust_temp_${n}`, (n - 1) * 2, probe)),
    }),
    madeFrame({
      name: 'exhaust_5_to_6',
      id: ids.exhaustHigh,
      lengthBytes: 4,
      periodUs: 50_000,
      signals: [5, 6].map((n) => word(`exhaust_temp_${n}`, (n - 5) * 2, probe)),
    }),
    madeFrame({
      name: 'pressures',
      id: ids.pressures,
      signals: [
        word('rail_pressure', 0, { unit: 'kPa', reference: 'gauge' }),
        word('manifold_pressure', 2, { unit: 'kPa', reference: 'absolute' }),
        word('station_pressure', 4, { unit: 'mbar', reference: 'absolute' }),
        word('oil_pressure', 6, { unit: 'kPa', reference: 'gauge', fault: probe.fault }),
      ],
    }),
  ];
}

export const madeEngine: Engine = {
  cycle: 'four-stroke',
  cylinders: 6,
  banks: [
    { name: 'front', cylinders: [1, 2, 3] },
    { name: 'rear', cylinders: [4, 5, 6] },
  ],
  firingOrder: [1, 5, 3, 6, 2, 4],
  roles: {
    speed: 'engine_speed',
    throttle: 'throttle',
    manifoldPressure: 'manifold_pressure',
    cut: 'fuel_cut',
    oilPressure: 'oil_pressure',
  },
  barometer: { channel: 'station_pressure' },
  lambda: new Map(),
  runningAboveRpm: 400,
  crankingAboveRpm: 50,
  breakIn: undefined,
  exhaustTemps: [1, 2, 3, 4, 5, 6].map((cylinder) => ({
    cylinder,
    channel: `exhaust_temp_${cylinder}`,
    lagS: { low: 0.6, high: 1.2 },
    place: 'port',
  })),
};

export const madePortSet: InjectorSet = {
  name: 'port',
  pulse: 'port_pulse',
  pulseIs: { per: 'event', deadTime: 'included' },
  injectionsPerCycle: 1,
  cylinders: [1, 2, 3, 4, 5, 6],
  flow: { ccPerMin: 1000, atKpa: 300 },
  deadTime: [[12, 1]],
  injectors: new Map(),
  rail: 'rail_pressure',
  discharge: 'manifold_pressure',
  plans: [],
};

export function madeEngineVehicle(more: Partial<Vehicle> = {}): Vehicle {
  return { ...madeVehicle(frames()), engine: madeEngine, injectorSets: [madePortSet], ...more };
}

export function derived(name: string, formula: string, unit = '', more: Partial<DerivedChannel> = {}): DerivedChannel {
  return { name, formula, unit, at, ...more };
}

export function alarm(name: string, when: string, more: Partial<AlarmRule> = {}): AlarmRule {
  return { name, when, armAfterUs: 0, forUs: 0, severity: 'warning', latch: false, advice: '', at, ...more };
}

/** A frame of 16-bit words. */
export interface Words {
  timeUs: number;
  id: number;
  words: number[];
  bus?: number;
}

export function batchOf(frames: readonly Words[]): FrameBatch {
  const batch = new FrameBatch(Math.max(1, frames.length));
  for (const { timeUs, id, words, bus = 0 } of frames) {
    const bytes = new Uint8Array(words.length * 2);
    const view = new DataView(bytes.buffer);
    for (const [i, value] of words.entries()) view.setUint16(i * 2, value, true);
    batch.push(timeUs, bus, id, id > 0x7ff ? frameFlag.extended : 0, bytes, 0, bytes.length);
  }
  return batch;
}

/** One sample, as a test reads it. */
export interface PlainSample {
  timeUs: number;
  channel: string;
  value: number | null;
  quality: QualityName;
}

export function toPlainSamples(batch: SampleBatch, channels: readonly Channel[]): PlainSample[] {
  return Array.from({ length: batch.count }, (_, i) => {
    const code = batch.quality[i] as number;
    return {
      timeUs: batch.timeUs[i] as number,
      channel: channels[batch.channel[i] as number]?.name ?? '?',
      value: code <= 1 ? (batch.value[i] as number) : null,
      quality: qualityNames[code] as QualityName,
    };
  });
}
