// Procedures as pages see them: their steps, how far each is, what a run corrects, and the preparation list.
import { z } from 'zod';
import { wordsAndAmounts } from './words-and-amounts.ts';

/** `bus`, `key-on`, `probes`, `injectors`, `preparation`, `first-start`, or a check of the vehicle file's own. */
export const checkName = z.string().min(1).max(200);

export type CheckName = z.infer<typeof checkName>;

/** Who did it. */
const by = z.string().trim().min(1).max(60).default('unnamed');

export const stepView = z
  .object({
    name: z.string(),
    title: z.string(),
    say: z.string(),
    sayParts: wordsAndAmounts.optional(),
    kind: z.enum(['confirm', 'reading', 'watch', 'choose']),
    waitS: z.number().optional(),
    reading: z.object({ unit: z.string(), min: z.number().optional(), max: z.number().optional() }).optional(),
    watch: z
      .object({
        until: z.string().optional(),
        verdict: z.object({ code: z.string(), phase: z.string().optional(), steady: z.boolean().optional() }).optional(),
        forS: z.number(),
        withinS: z.number().optional(),
      })
      .optional(),
    choose: z
      .object({ set: z.string(), group: z.string().optional(), expected: z.array(z.number()), from: z.array(z.number()) })
      .optional(),
    codes: z.array(z.string()),
    cylinder: z.number().optional(),
    set: z.string().optional(),
    blocking: z.boolean(),
    arms: z.boolean().optional(),
  })
  .meta({ id: 'CheckStep' });

export type StepView = z.infer<typeof stepView>;

export const procedureView = z
  .object({ name: checkName, title: z.string(), about: z.string(), safety: z.array(z.string()), steps: z.array(stepView) })
  .meta({ id: 'Procedure' });

export type ProcedureView = z.infer<typeof procedureView>;

export const stepStateView = z
  .object({
    state: z.enum(['open', 'done', 'skipped']),
    /** Seconds from the beginning of the check. */
    fromS: z.number().optional(),
    toS: z.number().optional(),
    value: z.number().optional(),
    cylinders: z.array(z.number()).optional(),
    reason: z.string().optional(),
    by: z.string().optional(),
    wallMs: z.number().optional(),
  })
  .meta({ id: 'CheckStepState' });

export type StepStateView = z.infer<typeof stepStateView>;

/** POST /api/checks/running */
export const checkStart = z
  .object({ check: checkName, order: z.array(z.int().min(1).max(64)).max(64).optional(), by })
  .meta({ id: 'CheckStart' });

/** POST /api/checks/running/steps */
export const stepAct = z
  .object({
    step: z.string().min(1).max(200),
    /** `begin` goes to a step; `done` settles it with what was read or chosen; `skip` takes a reason. */
    act: z.enum(['begin', 'done', 'skip']),
    value: z.number().optional(),
    cylinders: z.array(z.int().min(1).max(64)).max(64).optional(),
    reason: z.string().trim().min(1).max(400).optional(),
    by,
  })
  .meta({ id: 'StepAct' });

export type StepAct = z.output<typeof stepAct>;

/** POST /api/checks/runs/:run/correction: writes what a run found to vehicle.yaml. */
export const correctionAsk = z.object({ by }).meta({ id: 'CorrectionAsk' });

/** What a run's findings would change in vehicle.yaml, or have changed. */
export const correctionView = z
  .object({
    /** Nothing to change: what the file says is proved. */
    proved: z.boolean(),
    changes: z.array(z.object({ what: z.string(), from: z.string(), to: z.string() })),
    /** What stays unproven, and why. */
    notes: z.array(z.string()),
    /** When it was written; null: not yet. */
    writtenWallMs: z.number().nullable(),
  })
  .meta({ id: 'Correction' });

export type CorrectionView = z.infer<typeof correctionView>;

/** One line of the preparation list. */
export const preparationItem = z
  .object({
    item: z.string(),
    kind: z.enum(['prepare', 'wire', 'probe', 'verdict', 'noted']),
    title: z.string(),
    /** The same, with its amounts apart from the words. */
    titleParts: wordsAndAmounts.optional(),
    say: z.string(),
    blocking: z.boolean(),
    state: z.enum(['open', 'closed', 'waived']),
    /** Closed by what is measured or signed, never by a tap; a person can waive it. */
    closesItself: z.boolean(),
    reason: z.string(),
    by: z.string(),
    wallMs: z.number().nullable(),
    /** What it is about now: a waiver of fewer things does not hold. */
    covers: z.array(z.string()),
  })
  .meta({ id: 'PreparationItem' });

export type PreparationItem = z.infer<typeof preparationItem>;

/** GET /api/preparation */
export const preparationView = z
  .object({
    items: z.array(preparationItem),
    /** Blocking items that are open. */
    blocking: z.number(),
    /** When it was last begun anew; null: never. */
    begunWallMs: z.number().nullable(),
  })
  .meta({ id: 'Preparation' });

export type PreparationView = z.infer<typeof preparationView>;
