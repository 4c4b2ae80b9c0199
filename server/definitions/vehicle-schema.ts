// The shape of a vehicle file: one engine, its buses and injectors, and what is to be computed and watched.
import { z } from 'zod';
import { checkSchema } from './check-schema.ts';
import {
  channelName,
  choice,
  field,
  flag,
  formula,
  label,
  lowerSnake,
  number,
  quantity,
  quantityRange,
  text,
  unit,
  wrongType,
} from './fields.ts';
import { type FuelText, fuelNames, readFuel } from './fuel.ts';
import type { Fault } from './problem.ts';
import { isFault, parseQuantity, parseRatedFlow, type QuantityKind } from './quantity.ts';
import { toStandardPressureKpa } from './standard-atmosphere.ts';
import type { Engine } from './vehicle.ts';
import { exponentAlone, type YamlValue } from './yaml-text.ts';

const pressure: QuantityKind = { unit: 'kPa', min: 0, max: 100_000, example: '300 kPa' };
const volts: QuantityKind = { unit: 'V', min: 0, max: 1000, example: '12 V' };
const milliseconds: QuantityKind = { unit: 'ms', min: 0, max: 1000, example: '1.0 ms' };
const alarmTime: QuantityKind = { unit: 's', min: 0, max: 3600, example: '300 ms' };
const speed: QuantityKind = { unit: 'rpm', min: 0, max: 100_000, example: '400 rpm', plain: true };
const bitRate = (example: string): QuantityKind => ({ unit: 'bit/s', min: 1000, max: 20_000_000, example });
const pumpFlow: QuantityKind = { unit: 'cc/min', also: ['mass-flow'], min: 0, max: 1e6, example: '300 L/h' };
const ratedFlow: QuantityKind = { unit: 'cc/min', also: ['mass-flow'], min: 0, max: 1e6, example: '900 cc/min' };

const cylinderKey = field('A cylinder, counted from 1.', { pattern: '^[1-9][0-9]?$' }, (value): string | Fault =>
  /^[1-9][0-9]?$/.test(String(value)) ? String(value) : wrongType('a cylinder number', value, '1'),
);

const cylinderList = (description: string) =>
  z.array(number('A cylinder, counted from 1.', { integer: true, min: 1, max: 64, examples: [1] })).describe(description);

const instanceSchema = z
  .strictObject({
    device: label('The device file’s `device`.', 'thermocouple-box'),
    as: label('Name of this one; needed for the second of a kind.', 'rear-box').optional(),
    id_offset: number('Added to every id of the device (with pgn: to its source addresses).', {
      integer: true,
      min: -0x1fffffff,
      max: 0x1fffffff,
      examples: [16],
    }).optional(),
    prefix: field(
      'Put before the names of its channels and frames.',
      { type: 'string', pattern: '^[a-z][a-z0-9_]*$', examples: ['rear_'] },
      (value) =>
        typeof value === 'string' && /^[a-z][a-z0-9_]*$/.test(value)
          ? value
          : ({
              code: 'NAME_WRONG_FORM',
              say: `the prefix '${String(value)}' is not in lower_snake`,
              fix: "Use small letters, digits and '_', a letter first, like 'rear_'.",
            } as Fault),
    ).optional(),
  })
  .meta({ shortFor: 'device', description: 'A device on this bus, by its file’s `device`.' });

const trunkSchema = z
  .strictObject({
    device: label('A device of this bus.', 'thermocouple-box').optional(),
    listener: text('This tool’s adapter, by the name of where it is plugged in.', 'bench plug').optional(),
    terminator: choice('A terminating resistor: inside the device, or at its plug.', ['inside', 'plug']).optional(),
    stub: quantity('Length of its branch off the trunk.', { unit: 'm', min: 0, max: 1000, example: '0.3 m' }).optional(),
  })
  .meta({ shortFor: 'device', description: '`terminator`, a device, or { listener: name, stub: 0.3 m }.' });

const busSchema = z
  .strictObject({
    bit_rate: quantity('Bit rate of the bus (with FD: of the arbitration phase).', bitRate('500 kbit/s')),
    data_bit_rate: quantity('CAN FD: bit rate of the data phase.', bitRate('2 Mbit/s')).optional(),
    interface: text('Name of the operating system’s interface; in a recorded file of several buses it picks this one.', 'can0').optional(),
    devices: z
      .array(instanceSchema)
      .describe('The devices on this bus: names of device files, or { device, as, id_offset, prefix }.')
      .optional(),
  })
  .describe('One CAN bus.');

const exhaustTempSchema = z
  .strictObject({
    channel: channelName('Channel of the probe.', 'exhaust_temp_1'),
    lag: quantityRange('Time constant of the probe in exhaust flow, one value or low..high.', {
      unit: 's',
      min: 0,
      max: 60,
      example: '0.6..1.2 s',
    }).optional(),
    place: text('Where it sits: port, collector, before turbine, after turbine.', 'port').optional(),
    probe: text('The probe itself, so that a swap shows.', 'T-07').optional(),
  })
  .describe('The exhaust probe of one cylinder.');

const engineSchema = z
  .strictObject({
    cycle: choice('Four-stroke by default.', ['four-stroke', 'two-stroke']).optional(),
    cylinders: number('Number of cylinders.', { integer: true, min: 1, max: 64, examples: [6] }).optional(),
    banks: z
      .record(label('Name of a bank.', 'main'), cylinderList('Its cylinders, front to back.'))
      .describe('Banks of cylinders, each front to back.')
      .optional(),
    firing_order: cylinderList('Every cylinder once, in the order in which they fire.').optional(),
    speed: channelName('Channel of engine speed.', 'engine_speed').optional(),
    running_above: quantity('Speed above which the engine runs; 400 rpm by default.', speed).optional(),
    cranking_above: quantity('Speed above which it is cranked; 50 rpm by default.', { ...speed, example: '50 rpm' }).optional(),
    throttle: channelName('Channel of the throttle’s opening.', 'throttle').optional(),
    manifold_pressure: channelName('Channel of manifold pressure.', 'manifold_pressure').optional(),
    barometer: field(
      'Station pressure: a channel, a value, a value with the time of its reading, or, less exact by the weather, the altitude.',
      {
        anyOf: [
          { type: 'string' },
          {
            type: 'object',
            properties: {
              value: { type: 'string' },
              at: { type: 'string' },
              altitude: { type: 'string', description: 'Altitude of the station; the weather makes it wrong by up to 3 kPa.' },
            },
            additionalProperties: false,
          },
        ],
        examples: ['station_pressure', '99.8 kPa', { value: '99.8 kPa', at: '2026-05-01 09:30' }, { altitude: '320 m' }],
      },
      readBarometer,
    ).optional(),
    lambda: z
      .record(label('A bank.', 'main'), channelName('Channel of that bank’s lambda.', 'lambda'))
      .describe('Lambda of each bank.')
      .optional(),
    timing: channelName('Channel of ignition timing.', 'spark_timing').optional(),
    cut: channelName('Channel that is true while fuel is cut: temperatures and spread are not judged then.', 'fuel_cut').optional(),
    break_in: choice('What the valve train needs at its first start.', ['roller', 'flat-tappet', 'none']).optional(),
    oil_pressure: channelName('Channel of oil pressure; by default oil_pressure if there is one.', 'oil_pressure').optional(),
    oil_temp: channelName('Channel of oil temperature; by default oil_temp if there is one.', 'oil_temp').optional(),
    coolant_temp: channelName('Channel of coolant temperature; by default coolant_temp if there is one.', 'coolant_temp').optional(),
    battery: channelName('Channel of supply voltage; by default battery_voltage if there is one.', 'battery_voltage').optional(),
    sync: channelName(
      'Channel of crank synchronisation, 0 none, 1 seeking, 2 synced; by default sync_state if there is one.',
      'sync_state',
    ).optional(),
    sync_losses: channelName(
      'Channel that counts losses of synchronisation; by default sync_loss_count if there is one.',
      'sync_loss_count',
    ).optional(),
    exhaust_temps: z
      .record(cylinderKey, exhaustTempSchema)
      .describe('Cylinder: its exhaust probe. A cylinder without a probe is left out.')
      .optional(),
  })
  .describe('The engine.');

const groupsSchema = z.record(label('Name of a group.', 'A'), cylinderList('Cylinders whose injectors fire together.'));

const injectorSetSchema = z
  .strictObject({
    pulse: channelName('Channel of the commanded pulse.', 'port_pulse').optional(),
    pulse_is: choice('What that pulse counts; `per event`, its dead time included, by default.', [
      'per event',
      'per cycle',
      'per event with dead time',
      'per cycle with dead time',
      'per event without dead time',
      'per cycle without dead time',
    ]).optional(),
    injections_per_cycle: number(
      'Injections of one injector per cycle of the engine (720° of a four-stroke): 1 sequential, 2 once a turn.',
      {
        min: 0.1,
        max: 64,
        examples: [1],
      },
    ).optional(),
    cylinders: cylinderList('Cylinders that it feeds; by default those of its plan.').optional(),
    flow: field('Rated flow of one injector at its rated pressure.', { type: 'string', examples: ['900 cc/min at 300 kPa'] }, (value) =>
      parseRatedFlow(value, ratedFlow, pressure),
    ).optional(),
    pump: field(
      'What its pump delivers, at the rail pressure at which that was measured.',
      { type: 'string', examples: ['300 L/h at 400 kPa'] },
      (value) => parseRatedFlow(value, pumpFlow, pressure),
    ).optional(),
    dead_time: field(
      'Dead time: one value, or a table by supply voltage.',
      {
        anyOf: [{ type: 'string' }, { type: 'array', items: { type: 'array', items: { type: 'string' }, minItems: 2, maxItems: 2 } }],
        examples: ['1.0 ms', [['9 V', '1.5 ms'] as const, ['14 V', '0.8 ms'] as const]],
      },
      readDeadTime,
    ).optional(),
    injectors: z
      .record(cylinderKey, text('The injector itself.', 'P-11'))
      .describe('The injectors themselves by cylinder, so that a swap shows.')
      .optional(),
    rail: channelName('Channel of its rail pressure.', 'rail_pressure').optional(),
    discharge: channelName('Channel of the pressure into which it sprays.', 'manifold_pressure').optional(),
    target: quantity('Fuel pressure over discharge pressure that the regulator is set to.', pressure).optional(),
    plans: z
      .record(label('Name of a plan.', 'as-built'), groupsSchema)
      .describe('Which injectors fire together: named plans of groups.')
      .optional(),
    plan: label('The plan in force.', 'as-built').optional(),
    group_angles: field(
      'Angle of each group, and under `zero` what they are counted from.',
      {
        type: 'object',
        properties: { zero: { type: 'string' } },
        additionalProperties: { type: 'string' },
        examples: [{ zero: 'start of injection after compression top of cylinder 1', A: '60 deg' }],
      },
      readGroupAngles,
    ).optional(),
  })
  .describe('Injectors of one kind and place.');

const derivedSchema = z
  .strictObject({
    name: lowerSnake('Name of the channel, lower_snake.', 'oil_margin'),
    formula: formula('Formula over channel names (docs/formulas.md).', 'oil_pressure - interpolate(oil_floor, engine_speed)'),
    unit: unit('Unit of the result; none by default.').optional(),
    min: number('Lowest possible value.').optional(),
    max: number('Highest possible value.').optional(),
  })
  .describe('A channel computed from others.');

const alarmSchema = z
  .strictObject({
    name: text('Name of the alarm, as it is shown.', 'oil pressure low'),
    when: formula('Condition that raises it (a formula).', 'oil_margin < 0'),
    while: formula('Gate: judged only while this is true.', 'engine_running').optional(),
    arm_after: quantity('How long the gate must have been true first; 0 by default.', { ...alarmTime, example: '3 s' }).optional(),
    for: quantity('How long the condition must hold; 0 by default.', alarmTime).optional(),
    clear: formula('Condition that ends it once `when` no longer holds; by default that `when` is false.', 'oil_margin > 30').optional(),
    severity: choice('advisory, caution or warning (the whole screen); warning by default.', ['advisory', 'caution', 'warning']).optional(),
    latch: flag('Stays until it is acknowledged; false by default.').optional(),
    advice: text('What to do, in a few words.', 'Shut down now').optional(),
  })
  .describe('An alarm.');

const tableSchema = field(
  'Points [x, y] with ascending x.',
  {
    type: 'array',
    minItems: 2,
    items: { type: 'array', items: { type: 'number' }, minItems: 2, maxItems: 2 },
    examples: [
      [
        [0, 70],
        [3000, 200],
      ],
    ],
  },
  readTable,
);

export const vehicleSchema = z
  .strictObject({
    vehicle: text('Name of the vehicle.', 'Garganey'),
    fuel: field(
      'Petrol by default; one fuel, or a mixture by mass.',
      {
        anyOf: [{ enum: fuelNames }, { type: 'object', additionalProperties: { type: ['string', 'number'] } }],
        examples: ['methanol', { methanol: '90 %', petrol: '10 %' }],
      },
      (value): FuelText | Fault => readFuel(value),
    ).optional(),
    electrical: z
      .strictObject({
        nominal: quantity('Nominal voltage of the electrical system: 12, 14, 16 or 24 V.', volts).optional(),
        charging: flag('Whether an alternator or generator charges the battery.').optional(),
        chemistry: choice('Kind of battery.', ['lead-acid', 'agm', 'lithium']).optional(),
      })
      .describe('The electrical system.')
      .optional(),
    buses: z.record(label('Name of a bus.', 'engine'), busSchema).describe('The CAN buses, by name.'),
    trunk: z
      .record(label('A bus.', 'engine'), z.array(trunkSchema).describe('Everything along the wire, in order.'))
      .describe('How each bus’s wire runs, from end to end.')
      .optional(),
    engine: engineSchema.optional(),
    injector_sets: z.record(label('Name of a set.', 'port'), injectorSetSchema).describe('Injector sets by name.').optional(),
    derived: z.array(derivedSchema).describe('Channels computed from others.').optional(),
    tables: z.record(lowerSnake('Name of a table.', 'oil_floor'), tableSchema).describe('Tables for interpolate().').optional(),
    alarms: z.array(alarmSchema).describe('Alarms.').optional(),
    limits: z
      .strictObject({
        exhaust_temp: quantity('Highest indicated exhaust temperature.', {
          unit: 'degC',
          min: -273.15,
          max: 2000,
          example: '780 degC',
        }).optional(),
        exhaust_spread: quantity('Largest spread of exhaust temperatures.', {
          unit: 'K',
          difference: true,
          min: 0,
          max: 2000,
          example: '80 K',
        }).optional(),
        duty: quantity('Highest duty cycle of any injector set.', { unit: '%', min: 0, max: 200, example: '85 %' }).optional(),
      })
      .describe('Limits; each makes an alarm.')
      .optional(),
    dyno: z
      .strictObject({
        kind: text('inertia, brake, engine or chassis.', 'engine'),
        gear: text('Gear that pulls are made in.', '4th').optional(),
        roller_ratio: number('Engine speed over roller speed.', { min: 0, examples: [3.2] }).optional(),
      })
      .describe('The dyno.')
      .optional(),
    supplies: z
      .record(label('Name of a supply group.', 'sensor-5v-a'), z.array(channelName('A channel.', 'oil_pressure')))
      .describe('Which channels share a sensor supply.')
      .optional(),
    grounds: z
      .record(label('Name of a ground group.', 'head'), z.array(channelName('A channel.', 'oil_pressure')))
      .describe('Which channels share a ground.')
      .optional(),
    checks: z
      .record(label('bus, key-on, probes, injectors, first-start, preparation, or a name of your own.', 'key-on'), checkSchema)
      .describe('Limits and steps of the checks (docs/checks.md).')
      .optional(),
  })
  .describe('A vehicle file: one engine and its buses.');

export type Barometer = NonNullable<Engine['barometer']>;

function readBarometer(value: YamlValue): Barometer | Fault {
  const kind: QuantityKind = { unit: 'kPa', min: 30, max: 120, example: '99.8 kPa' };
  if (typeof value === 'string' && /^[a-z_][a-z0-9_]*$/.test(value)) return { channel: value };
  if (!(value instanceof Map)) {
    const read = parseQuantity(value, kind);
    return isFault(read) ? read : { valueKpa: read };
  }
  const unknown = [...value.keys()].find((key) => !['value', 'at', 'altitude'].includes(String(key)));
  if (unknown !== undefined)
    return { code: 'KEY_UNKNOWN', say: `unknown key '${unknown}' in 'barometer'`, fix: 'Known: value, at, altitude.', path: [unknown] };
  if (!value.has('value') && value.has('altitude')) {
    const altitude: QuantityKind = { unit: 'm', min: -500, max: 6000, example: '320 m' };
    const altitudeM = parseQuantity(value.get('altitude') ?? null, altitude);
    return isFault(altitudeM) ? { ...altitudeM, path: ['altitude'] } : { valueKpa: toStandardPressureKpa(altitudeM), altitudeM };
  }
  const read = parseQuantity(value.get('value') ?? null, kind);
  if (isFault(read)) return { ...read, path: ['value'] };
  const at = value.get('at');
  return at === undefined || at === null ? { valueKpa: read } : { valueKpa: read, at: String(at) };
}

function readGroupAngles(value: YamlValue): { zero: string; anglesDeg: Map<string, number> } | Fault {
  if (!(value instanceof Map)) return wrongType('groups with angles', value, '{ zero: compression top of cylinder 1, A: 60 deg }');
  const zero = value.get('zero');
  if (typeof zero !== 'string') {
    return {
      code: 'KEY_MISSING',
      say: "'zero' is needed here",
      fix: 'Say what the angles are counted from: zero: compression top of cylinder 1.',
    };
  }
  const anglesDeg = new Map<string, number>();
  for (const [group, angle] of value) {
    if (group === 'zero') continue;
    const read = parseQuantity(angle, { unit: 'deg', min: -720, max: 1440, example: '60 deg' });
    if (isFault(read)) return { ...read, path: [group] };
    anglesDeg.set(group, read);
  }
  return { zero, anglesDeg };
}

function readDeadTime(value: YamlValue): [volts: number, ms: number][] | Fault {
  if (!Array.isArray(value)) {
    const one = parseQuantity(value, milliseconds);
    return isFault(one) ? one : [[0, one]];
  }
  const rows: [number, number][] = [];
  for (const [i, row] of value.entries()) {
    if (!Array.isArray(row) || row.length !== 2) return { ...wrongType('[voltage, dead time]', row, '[12 V, 1.0 ms]'), path: [i] };
    const atVolts = parseQuantity(row[0] as YamlValue, volts);
    if (isFault(atVolts)) return { ...atVolts, path: [i, 0] };
    const ms = parseQuantity(row[1] as YamlValue, milliseconds);
    if (isFault(ms)) return { ...ms, path: [i, 1] };
    const last = rows.at(-1);
    if (last && atVolts <= last[0]) return notAscending(i, `${row[0]}`);
    rows.push([atVolts, ms]);
  }
  return rows.length > 0 ? rows : wrongType('at least one row', value, '[[12 V, 1.0 ms]]');
}

/** `1e3` comes as text: it may be hexadecimal elsewhere. */
const asNumber = (value: YamlValue) => (typeof value === 'string' && exponentAlone.test(value) ? Number(value) : value);

function readTable(value: YamlValue): [x: number, y: number][] | Fault {
  if (!Array.isArray(value) || value.length < 2) return wrongType('a list of at least two points', value, '[[0, 70], [3000, 200]]');
  const points: [number, number][] = [];
  for (const [i, row] of value.entries()) {
    const [x, y] = Array.isArray(row) && row.length === 2 ? row.map(asNumber) : [];
    if (typeof x !== 'number' || typeof y !== 'number') return { ...wrongType('a point [x, y]', row, '[3000, 200]'), path: [i] };
    const last = points.at(-1);
    if (last && x <= last[0]) return notAscending(i, String(x));
    points.push([x, y]);
  }
  return points;
}

function notAscending(i: number, found: string): Fault {
  return {
    code: 'TABLE_NOT_ASCENDING',
    say: `${found} does not rise above the row before it`,
    fix: 'Put the rows in ascending order, each once.',
    path: [i, 0],
  };
}
