// The shape of `checks:` in a vehicle file: limits of the checks, their steps changed, and checks of the user's own.
import { z } from 'zod';
import { field, flag, formula, label, number, quantity, text, unit, wrongType } from './fields.ts';
import type { Fault } from './problem.ts';
import type { YamlValue } from './yaml-text.ts';

const seconds = (example: string) => ({ unit: 's', min: 0, max: 7200, example });

const readingSchema = z
  .strictObject({
    unit: unit('Unit of the reading; none for a plain number.').optional(),
    min: number('A smaller reading is wrong.', { examples: [0] }).optional(),
    max: number('A greater reading is wrong.', { examples: [10] }).optional(),
  })
  .describe('A number is typed; with min or max it is judged.');

const watchSchema = z
  .strictObject({
    until: formula('The condition that is waited for.', 'oil_pressure > 200').optional(),
    for: quantity('How long it must hold; alone: how long the step lasts.', seconds('2 s')).optional(),
    within: quantity('It is wrong when the condition has not come after so long.', seconds('60 s')).optional(),
  })
  .describe('Channels are watched until a condition holds.');

const stepSchema = z
  .strictObject({
    step: label('Name of the step; of one that the check has anyway, that one.', 'belt-tight'),
    title: text('A few words that head it.', 'Belt tight').optional(),
    say: text('What to do.', 'Press it midway: it gives 10 mm.').optional(),
    wait: quantity('How long it should take at least.', seconds('30 s')).optional(),
    reading: readingSchema.optional(),
    watch: watchSchema.optional(),
    blocking: flag('Later steps wait for it, unless it is skipped with a reason; false by default.').optional(),
  })
  .meta({ shortFor: 'step', description: 'A step; its name alone means one that the check has anyway.' });

/** Limits of a check are read by the check itself: a slip of the pen in one must not keep the vehicle from being read. */
const limit = field('A limit (docs/checks.md).', { type: ['string', 'number'] }, (value): YamlValue | Fault =>
  value instanceof Map || Array.isArray(value) ? wrongType('a limit', value, '70 kPa') : value,
);

/** Groups of limits without steps: what is read from sessions behind each other (docs/history.md). */
export const limitGroups: readonly string[] = ['heat-cycles'];

export const checkKeys = ['title', 'about', 'safety', 'steps'] as const;

export const checkSchema = z
  .object({
    title: text('Name of a check of your own.', 'Oil change').optional(),
    about: text('What it answers, in a line.', 'Is the oil in, and nothing left open?').optional(),
    safety: z.array(text('One line.', 'Hot oil: gloves.')).describe('Read before it begins; in place of the usual words.').optional(),
    steps: z
      .array(stepSchema)
      .describe('All its steps in their order. A usual one is named, and may be given other words; what is not listed is left out.')
      .optional(),
  })
  .catchall(limit)
  .describe('A check: limits, and steps in place of the usual ones.');
