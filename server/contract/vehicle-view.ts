// The vehicle as pages see it: what draws the engine, names the channels, and lays bits out in frames.
import { z } from 'zod';
import { severityView } from './alarms.ts';

/** Channel names that belong to one cylinder; a key is absent when the vehicle has no such channel. */
export const cylinderView = z
  .object({
    cylinder: z.number(),
    bank: z.string(),
    /** 0 is the front of the bank. */
    position: z.number(),
    exhaustTemp: z.string().optional(),
    deviation: z.string().optional(),
    rate: z.string().optional(),
    timeToLimit: z.string().optional(),
    gasEstimate: z.string().optional(),
    probe: z.string().optional(),
    place: z.string().optional(),
    lagS: z.object({ low: z.number(), high: z.number() }).optional(),
    /** Injector set → group of the plan in force. */
    groups: z.record(z.string(), z.string()),
    /** Injector set → the injector itself. */
    injectors: z.record(z.string(), z.string()),
  })
  .meta({ id: 'Cylinder' });

export type CylinderView = z.infer<typeof cylinderView>;

const roleNames = [
  'speed',
  'throttle',
  'manifoldPressure',
  'timing',
  'cut',
  'oilPressure',
  'oilTemp',
  'coolantTemp',
  'battery',
  'sync',
  'syncLosses',
] as const;

export const engineView = z
  .object({
    cycle: z.enum(['four-stroke', 'two-stroke']),
    banks: z.array(z.object({ name: z.string(), cylinders: z.array(z.number()) })),
    firingOrder: z.array(z.number()),
    cylinders: z.array(cylinderView),
    /** Part → channel name. */
    roles: z.partialRecord(z.enum(roleNames), z.string()),
    barometer: z.string().optional(),
    /** Bank → channel name. */
    lambda: z.record(z.string(), z.string()),
    /** `exhaust_spread` and the like, and the same by bank; absent without probes. */
    spread: z.string().optional(),
    bankSpread: z.record(z.string(), z.string()),
    running: z.string().optional(),
    cranking: z.string().optional(),
    runningAboveRpm: z.number(),
    crankingAboveRpm: z.number(),
  })
  .meta({ id: 'Engine' });

export type EngineView = z.infer<typeof engineView>;

export const injectorSetView = z
  .object({
    name: z.string(),
    cylinders: z.array(z.number()),
    injectionsPerCycle: z.number().optional(),
    pulse: z.string().optional(),
    duty: z.string().optional(),
    flow: z.string().optional(),
    fuelDelta: z.string().optional(),
    rail: z.string().optional(),
    discharge: z.string().optional(),
    targetKpa: z.number().optional(),
    plan: z.string().optional(),
    plans: z.array(z.object({ name: z.string(), groups: z.array(z.object({ name: z.string(), cylinders: z.array(z.number()) })) })),
  })
  .meta({ id: 'InjectorSet' });

export type InjectorSetView = z.infer<typeof injectorSetView>;

export const channelView = z
  .object({
    index: z.number(),
    name: z.string(),
    kind: z.enum(['signal', 'built-in', 'derived']),
    unit: z.string(),
    reference: z.enum(['gauge', 'absolute', 'differential']).optional(),
    min: z.number().optional(),
    max: z.number().optional(),
    bus: z.string().optional(),
    device: z.string().optional(),
    frame: z.string().optional(),
    formula: z.string().optional(),
    /** Names of the channels that it is computed from. */
    inputs: z.array(z.string()),
    /** Raw value in decimal → name. The value is raw × factor + offset. */
    states: z.record(z.string(), z.string()).optional(),
    /** Limit that the vehicle sets for it (exhaust temperatures, spread, duty), in the channel's unit. */
    limit: z.number().optional(),
  })
  .meta({ id: 'Channel' });

export type ChannelView = z.infer<typeof channelView>;

export const signalView = z
  .object({
    name: z.string(),
    channel: z.number(),
    startBit: z.number(),
    bitLength: z.number(),
    byteOrder: z.enum(['little', 'big']),
    sign: z.enum(['unsigned', 'signed', 'float']),
    factor: z.number(),
    offset: z.number(),
    unit: z.string(),
    /** Bit positions in the frame from the signal's most significant bit to its least; bit 0 is the lowest of byte 0. */
    bits: z.array(z.number()),
    /** Multiplexing, in words; absent: always there. */
    when: z.string().optional(),
  })
  .meta({ id: 'Signal' });

export const frameView = z
  .object({
    name: z.string(),
    id: z.number().optional(),
    pgn: z.number().optional(),
    extended: z.boolean(),
    fd: z.boolean(),
    lengthBytes: z.number(),
    periodUs: z.number().optional(),
    counter: z.string().optional(),
    signals: z.array(signalView),
  })
  .meta({ id: 'Frame' });

export const busView = z
  .object({
    name: z.string(),
    index: z.number(),
    bitRate: z.number(),
    dataBitRate: z.number().optional(),
    interface: z.string().optional(),
    loadChannel: z.string().optional(),
    errorsChannel: z.string().optional(),
    devices: z.array(z.object({ name: z.string(), kind: z.string(), title: z.string(), frames: z.array(frameView) })),
    trunk: z
      .array(
        z.object({
          kind: z.enum(['terminator', 'device', 'listener']),
          name: z.string(),
          stubM: z.number().optional(),
          terminated: z.boolean(),
        }),
      )
      .optional(),
  })
  .meta({ id: 'Bus' });

export type BusView = z.infer<typeof busView>;

export const alarmRuleView = z
  .object({
    name: z.string(),
    when: z.string(),
    while: z.string().optional(),
    clear: z.string().optional(),
    severity: severityView,
    latch: z.boolean(),
    advice: z.string(),
    armAfterUs: z.number(),
    forUs: z.number(),
  })
  .meta({ id: 'AlarmRule' });

/** A fault in a definition file. */
export const problemView = z
  .object({
    file: z.string(),
    line: z.number(),
    column: z.number(),
    endColumn: z.number(),
    code: z.string(),
    severity: z.enum(['error', 'warning']),
    found: z.string(),
    say: z.string(),
    fix: z.string(),
  })
  .meta({ id: 'Problem' });

/** GET /api/vehicle: the definition set in force. */
export const vehicleView = z
  .object({
    /** As in the live packet. */
    epoch: z.number(),
    hash: z.string(),
    name: z.string(),
    fuel: z.string(),
    engine: engineView.optional(),
    injectorSets: z.array(injectorSetView),
    channels: z.array(channelView),
    buses: z.array(busView),
    alarms: z.array(alarmRuleView),
    limits: z.object({ exhaustTempC: z.number().optional(), exhaustSpreadK: z.number().optional(), dutyPercent: z.number().optional() }),
    /** Warnings of the set in force; when the files on disk have errors, those too (the last good set stays in force). */
    problems: z.array(problemView),
  })
  .meta({ id: 'Vehicle' });

export type VehicleView = z.infer<typeof vehicleView>;
