// The simulator as a test bench on a page: the faults that it knows, those in force, and what is asked of it.
import { z } from 'zod';

export const faultKindView = z
  .object({
    kind: z.string(),
    say: z.string(),
    /** Targets that must be named, and those that may: `cylinder`, `set`, `device`, ... */
    needs: z.array(z.string()),
    may: z.array(z.string()),
    /** Its size: the key, the unit and the usual value. */
    amount: z.object({ key: z.string(), unit: z.string(), usual: z.number() }).optional(),
  })
  .meta({ id: 'FaultKind' });

export type FaultKindView = z.infer<typeof faultKindView>;

export const faultInForce = z.object({ number: z.number(), kind: z.string(), on: z.string() }).meta({ id: 'FaultInForce' });

export const simulatorView = z
  .object({
    /** False when no bus of this server is simulated; then nothing below means anything. */
    running: z.boolean(),
    scenario: z.string(),
    kinds: z.array(faultKindView),
    inForce: z.array(faultInForce),
    /** What may be named, by target. Targets that are typed freely are absent. */
    choices: z.record(z.string(), z.array(z.string())),
  })
  .meta({ id: 'Simulator' });

export type SimulatorView = z.infer<typeof simulatorView>;

/** An item of a scenario's `faults:` as JSON: `{ "fault": "dead_injector", "cylinder": 5 }`. */
export const faultRequest = z
  .record(z.string().max(40), z.union([z.string().max(200), z.number(), z.array(z.number()).max(2)]))
  .meta({ id: 'FaultRequest' });
