// A sentence in parts: words, and amounts that a page writes in the units that a person chose.
import { z } from 'zod';

/** In order; K is a difference of temperatures, `digits` those behind the point in this unit. Beside it goes the whole sentence in the files' units. */
export const wordsAndAmounts = z.array(z.union([z.string(), z.object({ value: z.number(), unit: z.string(), digits: z.number() })]));

export type WordsAndAmounts = z.infer<typeof wordsAndAmounts>;
