// The shape of a harness file: connectors with both halves, pins, wires and the circuits that run in them.
import { z } from 'zod';
import { choice, field, label, quantity, shown, text } from './fields.ts';
import type { Fault } from './problem.ts';
import type { YamlValue } from './yaml-text.ts';

const endPattern = /^[A-Za-z0-9][A-Za-z0-9_-]*\.[A-Za-z0-9]+$/;

const end = (description: string) =>
  field(description, { type: 'string', pattern: endPattern.source, examples: ['bulkhead.A1'] }, (value: YamlValue): string | Fault => {
    if (typeof value === 'string' && endPattern.test(value)) return value;
    return { code: 'VALUE_WRONG_TYPE', say: `${shown(value)} is no pin`, fix: 'Write connector.pin, like bulkhead.A1.' };
  });

const halfSchema = z
  .strictObject({
    side: choice('Which side of the joint it belongs to.', ['engine', 'car']).optional(),
    gender: choice('Pins or sockets.', ['pins', 'sockets']).optional(),
    at: text('Where to find it.', 'left of the firewall').optional(),
  })
  .describe('One half of a connector.');

const connectorSchema = z
  .strictObject({
    title: text('What it is, in words.', 'Bulkhead connector').optional(),
    device: label('The device that it is plugged into.', 'engine-controller').optional(),
    halves: z.record(label('Name of a half.', 'engine'), halfSchema).describe('Both halves of a connector that comes apart.').optional(),
    pins: z.array(text('A pin.', 'A1')).describe('Its pins, in order.').optional(),
    unplug_to_lift: text('What unplugging it frees.', 'engine out').optional(),
  })
  .describe('A connector.');

const wireSchema = z
  .strictObject({
    from: end('Where it begins: connector.pin.'),
    to: end('Where it ends: connector.pin.'),
    circuit: label('The circuit that runs in it.', 'injector-feed-1').optional(),
    gauge: field('Cross-section: AWG number, or mm2.', { type: ['integer', 'string'], examples: [20, '0.5 mm2'] }, readGauge).optional(),
    length: quantity('Length.', { unit: 'm', min: 0, max: 1000, example: '1.2 m' }).optional(),
    colour: text('Colour: base, then stripe.', 'red/blue').optional(),
    fuse: text('The fuse that protects it.', 'F3').optional(),
    alloy: text('Thermocouple wire: its alloy.', 'K+').optional(),
    polarity: choice('Thermocouple wire: which leg.', ['positive', 'negative']).optional(),
  })
  .describe('A wire.');

const circuitSchema = z
  .strictObject({
    title: text('What it does.', 'Feed of port injector 1').optional(),
    channel: text('The channel that it carries.', 'oil_pressure').optional(),
    load: quantity('Current that it carries.', { unit: 'A', min: 0, max: 1000, example: '1.2 A' }).optional(),
    any_pin_of: label('A group of pins on any of which it may sit.', 'injector-feeds').optional(),
  })
  .describe('A circuit.');

export const harnessSchema = z
  .strictObject({
    harness: text('Name of the harness.', 'Garganey engine harness').optional(),
    connectors: z.record(label('Name of a connector.', 'bulkhead'), connectorSchema).describe('Connectors by name.').optional(),
    pin_groups: z
      .record(label('Name of a group.', 'injector-feeds'), z.array(end('A pin.')))
      .describe('Pins among which circuits may be swapped.')
      .optional(),
    circuits: z.record(label('Name of a circuit.', 'injector-feed-1'), circuitSchema).describe('Circuits by name.').optional(),
    fuses: z
      .record(
        label('Name of a fuse.', 'F3'),
        z.strictObject({
          rating: quantity('Rated current.', { unit: 'A', min: 0, max: 1000, example: '15 A' }),
          title: text('What it protects.').optional(),
        }),
      )
      .describe('Fuses by name.')
      .optional(),
    wires: z.array(wireSchema).describe('Every wire.').optional(),
  })
  .describe('A harness file: connectors, pins and wires from device to engine.');

/** A wire's cross-section in mm²: `0.5 mm2`, or an AWG number by ASTM B258 (d = 0.127 mm × 92^((36 - n) / 39)). */
function readGauge(value: YamlValue): number | Fault {
  if (typeof value === 'number' && Number.isInteger(value) && value >= 0 && value <= 40) {
    const diameterMm = 0.127 * 92 ** ((36 - value) / 39);
    return (Math.PI / 4) * diameterMm ** 2;
  }
  const match = typeof value === 'string' ? /^(\d+(?:\.\d+)?)\s*mm2$/.exec(value.trim()) : null;
  if (match) return Number(match[1]);
  return { code: 'QUANTITY_UNREADABLE', say: `${shown(value)} is no wire gauge`, fix: 'Write an AWG number like 20, or 0.5 mm2.' };
}
