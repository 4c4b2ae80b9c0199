// The shape of a device file: which frames a device sends, and which signals lie in them.
import { z } from 'zod';
import {
  channelName,
  choice,
  field,
  flag,
  label,
  lowerSnake,
  number,
  parseRaw,
  quantity,
  rawRanges,
  rawRangesSchema,
  readIntegerRanges,
  readRawRanges,
  shown,
  text,
  unit,
  wrongType,
} from './fields.ts';
import type { Fault } from './problem.ts';
import { isFault } from './quantity.ts';
import type { RawRange } from './vehicle.ts';
import type { YamlValue } from './yaml-text.ts';

/** The longest J1939 broadcast message: 255 packets of 7 bytes. */
export const broadcastBytesMax = 1785;

const j1939Description =
  'Raw values by the SAE J1939 ranges of each parameter size: not available and error values carry no number. For sizes of 2, 4, 8, 16, 24 and 32 bits.';

export const signalSchema = z
  .strictObject({
    name: lowerSnake('Name of the channel, lower_snake, unique in the vehicle.', 'exhaust_temp_1'),
    bytes: field(
      'Which bytes it takes: `a` or `a..b`, counted from 0. Give this, or start_bit and bit_length.',
      { type: ['integer', 'string'], pattern: '^\\d+(\\s*\\.\\.\\s*\\d+)?$', examples: ['0..1', 6] },
      readBytes,
    ).optional(),
    start_bit: number(
      'Bit 0 is the least significant bit of byte 0. For little the signal’s least significant bit, for big its most significant bit.',
      { integer: true, min: 0, max: broadcastBytesMax * 8 - 1, examples: [0] },
    ).optional(),
    bit_length: number('Number of bits, 1 to 64; with start_bit.', { integer: true, min: 1, max: 64, examples: [16] }).optional(),
    byte_order: choice('Which byte comes first: little, the least significant (default), or big, the most significant.', [
      'little',
      'big',
    ]).optional(),
    sign: choice('unsigned (default), signed (two’s complement), or float (IEEE 754, 32 or 64 bits).', [
      'unsigned',
      'signed',
      'float',
    ]).optional(),
    factor: number('value = raw × factor + offset; 1 by default.', { examples: [0.1] }).optional(),
    offset: number('value = raw × factor + offset; 0 by default.', { examples: [-50] }).optional(),
    unit: unit('Unit of the value; none by default.').optional(),
    reference: choice('What a pressure is measured against.', ['gauge', 'absolute', 'differential']).optional(),
    min: number('Lowest possible value, in the unit; below it the quality is out-of-range.').optional(),
    max: number('Highest possible value, in the unit; above it the quality is out-of-range.').optional(),
    fault: rawRanges('Raw values that say the measurement is faulty: one, a range a..b, or a list.').optional(),
    not_available: rawRanges('Raw values that say there is no measurement: one, a range a..b, or a list.').optional(),
    states: field(
      'Names of raw values.',
      { type: 'object', additionalProperties: { type: ['string', 'number'] }, examples: [{ 0: 'off', 1: 'on' }] },
      readStates,
    ).optional(),
    when: field(
      'Present only while other signals of the frame have these raw values (multiplexing; nests).',
      { type: 'object', additionalProperties: rawRangesSchema, examples: [{ page: 0 }, { page: '1..3' }] },
      readWhen,
    ).optional(),
    j1939: flag(j1939Description).optional(),
  })
  .describe('A number laid out in the frame’s bits.');

export const frameSchema = z
  .strictObject({
    name: lowerSnake('Name of the frame, lower_snake, unique on its bus.', 'exhaust_1_to_4'),
    id: number('CAN id; above 0x7FF it needs extended: true. Give this or pgn.', {
      integer: true,
      min: 0,
      max: 0x1fffffff,
      examples: [0x4c0],
    }).optional(),
    pgn: number('SAE J1939 parameter group number; matches any priority. Give this or id.', {
      integer: true,
      min: 0,
      max: 0x3ffff,
      examples: [61444],
    }).optional(),
    source_address: field(
      'With pgn: the source addresses that count, a number, a range a..b or a list; any by default.',
      { ...rawRangesSchema, examples: [0, '0..3'] },
      (value) => readIntegerRanges(value, 0, 255),
    ).optional(),
    extended: flag('29-bit id; false by default (true with pgn).').optional(),
    fd: flag('CAN FD frame; by default true above 8 bytes (with pgn: a broadcast message of several packets).').optional(),
    length: number('Length in bytes: 0 to 8, with FD also 12, 16, 20, 24, 32, 48, 64, with pgn up to 1785.', {
      integer: true,
      min: 0,
      max: broadcastBytesMax,
      examples: [8],
    }),
    period: quantity('How often it is sent; the bus check holds it to this. None: sent on events.', {
      unit: 's',
      min: 1e-5,
      max: 3600,
      example: '50 ms',
    }).optional(),
    counter: channelName('Signal of this frame that counts the frames.', 'counter').optional(),
    j1939: flag(`${j1939Description} For all signals of the frame.`).optional(),
    signals: z.array(signalSchema).describe('The signals in this frame.'),
  })
  .describe('One frame that the device sends.');

export const deviceSchema = z
  .strictObject({
    device: label('Name of the device, by which vehicle files call it.', 'thermocouple-box'),
    title: text('What it is, in words.', 'Six-input thermocouple amplifier').optional(),
    j1939: flag(`${j1939Description} For all signals of the device.`).optional(),
    frames: z.array(frameSchema).describe('The frames that it sends.'),
  })
  .describe('A device file: the frames that one kind of device sends.');

function readBytes(value: YamlValue): { first: number; last: number } | Fault {
  const readable = typeof value === 'number' || (typeof value === 'string' && /^\d+(\s*\.\.\s*\d+)?$/.test(value));
  if (!readable) return wrongType('one byte a, or a range of bytes a..b', value, '0..1');
  const ranges = readIntegerRanges(value, 0, broadcastBytesMax - 1);
  if (isFault(ranges)) return ranges;
  const { from, to } = ranges[0] as { from: number; to: number };
  if (to - from < 8) return { first: from, last: to };
  return {
    code: 'VALUE_OUT_OF_RANGE',
    say: `bytes ${from}..${to} are ${to - from + 1} bytes`,
    fix: 'A signal has at most 8 bytes (64 bits).',
  };
}

function readStates(value: YamlValue): Map<bigint, string> | Fault {
  if (!(value instanceof Map)) return wrongType('raw values with names', value, '{ 0: off, 1: on }');
  const states = new Map<bigint, string>();
  for (const [key, name] of value) {
    const raw = parseRaw(key);
    if (raw === undefined)
      return { code: 'VALUE_WRONG_TYPE', say: `'${key}' is not a raw value`, fix: 'Write { 0: off, 1: on }.', path: [key] };
    if (states.has(raw)) return { code: 'KEY_DUPLICATE', say: `raw value ${raw} is named twice`, fix: 'Keep one of them.', path: [key] };
    if (name === null || typeof name === 'object') return { ...wrongType('a name', name, 'off'), path: [key] };
    states.set(raw, String(name));
  }
  return states;
}

function readWhen(value: YamlValue): Map<string, RawRange[]> | Fault {
  if (!(value instanceof Map)) {
    return { code: 'VALUE_WRONG_TYPE', say: `signals with raw values are wanted, not ${shown(value)}`, fix: 'Write it like { page: 0 }.' };
  }
  const when = new Map<string, RawRange[]>();
  for (const [signal, raw] of value) {
    const ranges = readRawRanges(raw);
    if (isFault(ranges)) return { ...ranges, path: [signal, ...(ranges.path ?? [])] };
    when.set(signal, ranges);
  }
  return when;
}
