// The harness as pages see it: connector faces and pin tables, circuits with their drop and fusing, continuity signed off.
import { z } from 'zod';

export const harnessWire = z
  .object({
    from: z.string(),
    to: z.string(),
    circuit: z.string().optional(),
    gauge: z.string(),
    lengthM: z.number().optional(),
    colour: z.string().optional(),
    fuse: z.string().optional(),
    alloy: z.string().optional(),
    polarity: z.enum(['positive', 'negative']).optional(),
  })
  .meta({ id: 'HarnessWire' });

export type HarnessWire = z.infer<typeof harnessWire>;

export const harnessConnector = z
  .object({
    name: z.string(),
    title: z.string(),
    device: z.string().optional(),
    unplugToLift: z.string().optional(),
    halves: z.array(
      z.object({
        name: z.string(),
        side: z.enum(['engine', 'car']).optional(),
        gender: z.enum(['pins', 'sockets']).optional(),
        at: z.string().optional(),
      }),
    ),
    pins: z.array(
      z.object({
        pin: z.string(),
        /** `connector.pin` */
        end: z.string(),
        circuits: z.array(z.string()),
        wires: z.array(harnessWire),
        /** Every pin that it leads to, nearest first, this one left out. */
        reaches: z.array(z.string()),
      }),
    ),
  })
  .meta({ id: 'HarnessConnector' });

export type HarnessConnector = z.infer<typeof harnessConnector>;

export const harnessCircuit = z
  .object({
    name: z.string(),
    title: z.string(),
    channel: z.string().optional(),
    loadA: z.number().optional(),
    /** Pins among which it may sit. */
    anyPinOf: z.array(z.string()).optional(),
    ends: z.array(z.string()),
    ohm: z.number().optional(),
    lengthM: z.number().optional(),
    dropV: z.number().optional(),
    dropLimitV: z.number().optional(),
    carriesA: z.number().optional(),
    warnings: z.array(z.string()),
    missing: z.array(z.string()),
  })
  .meta({ id: 'HarnessCircuit' });

export type HarnessCircuit = z.infer<typeof harnessCircuit>;

export const signOff = z
  .object({
    run: z.string(),
    /** Null: open. */
    ohm: z.number().nullable(),
    ok: z.boolean(),
    say: z.string(),
    limitOhm: z.number(),
    by: z.string(),
    wallMs: z.number(),
    /** What was said of its wires when it was signed. */
    wiring: z.string(),
  })
  .meta({ id: 'SignOff' });

export type SignOff = z.infer<typeof signOff>;

export const harnessRun = z
  .object({
    name: z.string(),
    circuit: z.string().optional(),
    ends: z.array(z.string()),
    expectedOhm: z.number().optional(),
    limitOhm: z.number(),
    /** The last reading. */
    signed: signOff.omit({ wiring: true }).optional(),
    /** The file says something else of its wires than when it was signed: it counts as unsigned. */
    outdated: z.boolean(),
  })
  .meta({ id: 'HarnessRun' });

export type HarnessRun = z.infer<typeof harnessRun>;

/** GET /api/harness; null without a harness.yaml. */
export const harnessView = z
  .object({
    name: z.string(),
    connectors: z.array(harnessConnector),
    circuits: z.array(harnessCircuit),
    runs: z.array(harnessRun),
    fuses: z.array(
      z.object({
        fuse: z.string(),
        title: z.string(),
        ratingA: z.number(),
        loadA: z.number(),
        unknown: z.array(z.string()),
        warning: z.string().optional(),
      }),
    ),
    unplug: z.array(z.object({ frees: z.string(), connectors: z.array(z.string()) })),
    contradictions: z.array(z.object({ say: z.string(), fix: z.string() })),
  })
  .meta({ id: 'Harness' });

export type HarnessView = z.infer<typeof harnessView>;

/** POST /api/harness/sign-offs */
export const signOffRequest = z
  .object({ run: z.string().min(1).max(400), ohm: z.union([z.number(), z.literal('open')]), by: z.string().trim().min(1).max(60) })
  .meta({ id: 'SignOffRequest' });
