// Checks on the live bus, their stored runs, and the wiggle and unplug tests.
import { z } from 'zod';
import { checkName, procedureView, stepStateView } from './check-steps.ts';
import { wordsAndAmounts } from './words-and-amounts.ts';

/** One verdict; more keys belong to the check that made it (docs/checks.md). */
export const verdictView = z
  .looseObject({
    code: z.string(),
    ok: z.boolean(),
    bus: z.string().optional(),
    device: z.string().optional(),
    frame: z.string().optional(),
    channel: z.string().optional(),
    cylinder: z.number().optional(),
    set: z.string().optional(),
    stretch: z.string().optional(),
    /** Seconds from the beginning. */
    at: z.number().optional(),
    confidence: z.number().optional(),
    measured: z.union([z.number(), z.string()]).nullish(),
    limit: z.union([z.number(), z.string()]).nullish(),
    /** Of `measured` and `limit`, where the check gives it; K is a difference. */
    unit: z.string().optional(),
    /** A stop limit is passed: the engine has to be shut down now. */
    stop: z.boolean().optional(),
    say: z.string(),
    /** `say` with its amounts apart from the words, for whoever shows other units than the files'. Not where it has none. */
    sayParts: wordsAndAmounts.optional(),
    next: z.string().optional(),
  })
  .meta({ id: 'Verdict' });

export type VerdictView = z.infer<typeof verdictView>;

export const checkResultView = z
  .object({
    check: checkName,
    frames: z.number(),
    seconds: z.number(),
    loadPercent: z.number().optional(),
    verdicts: z.array(verdictView),
    notJudged: z.array(z.object({ what: z.string(), whatParts: wordsAndAmounts.optional(), line: z.string() })).optional(),
    /** The limits it was judged by, each with its source; not in runs that were kept before they had them. */
    limits: z.array(z.object({ limit: z.string(), value: z.number(), unit: z.string(), what: z.string(), source: z.string() })).optional(),
    /** Names of the steps whose condition has come. */
    met: z.array(z.string()).optional(),
    /** First start: every turn of the engine. */
    bouts: z
      .array(
        z.object({
          at: z.number(),
          seconds: z.number(),
          dry: z.boolean(),
          ran: z.boolean(),
          turning: z.boolean(),
          tooLong: z.boolean(),
          /** Not in runs that were kept before they had it. */
          restWantedS: z.number().optional(),
          restS: z.number().nullable(),
          oilKpa: z.number().nullable(),
        }),
      )
      .optional(),
  })
  .meta({ id: 'CheckResult' });

export type CheckResultView = z.infer<typeof checkResultView>;

/** The check that is running, the same for every browser. */
export const checkState = z
  .object({
    check: checkName,
    procedure: procedureView,
    /** Step → how far it is; one that nobody came to is not there. */
    steps: z.record(z.string(), stepStateView),
    /** The step in hand; null when all are settled. */
    current: z.string().nullable(),
    /** The engine may be fired: every step before is settled. */
    armed: z.boolean(),
    by: z.string(),
    /** The server was started anew meanwhile; what had been recorded was looked at again. */
    resumed: z.boolean(),
    order: z.array(z.number()).optional(),
    startedWallMs: z.number(),
    /** Session time at which it began, microseconds. */
    startedUs: z.number(),
    /** How long it has gathered. */
    seconds: z.number(),
    /** Null until it was judged for the first time. */
    result: checkResultView.nullable(),
    /** As much as fits is gathered: later frames are not looked at. */
    full: z.boolean(),
    /** Frames that the check did not see: lost on the way, or its worker was too slow. */
    unseenFrames: z.number(),
    /** Hash of the definitions it judges by; another than the vehicle's: files were saved since it began. */
    definitionHash: z.string(),
  })
  .meta({ id: 'CheckState' });

export type CheckState = z.infer<typeof checkState>;

export const checkRunSummary = z
  .object({
    run: z.number(),
    check: checkName,
    startedWallMs: z.number(),
    seconds: z.number(),
    vehicle: z.string(),
    definitionHash: z.string(),
    session: z.number().nullable(),
    ok: z.boolean(),
    wrong: z.number(),
    right: z.number(),
    notJudged: z.number(),
    /** Empty in runs that were kept before they had one. */
    title: z.string().default(''),
    by: z.string().default(''),
    skipped: z.number().default(0),
  })
  .meta({ id: 'CheckRunSummary' });

export type CheckRunSummary = z.infer<typeof checkRunSummary>;

/** A stored run, with what has changed since the last good one of the same check. */
export const checkRun = checkRunSummary
  .extend({
    result: checkResultView,
    unseenFrames: z.number(),
    /** The steps that there were, and what was done in each. */
    procedure: procedureView.nullable().default(null),
    steps: z.record(z.string(), stepStateView).default({}),
    comparedWith: z.number().nullable(),
    changes: z.array(z.string()),
  })
  .meta({ id: 'CheckRun' });

export type CheckRun = z.infer<typeof checkRun>;

/** GET /api/checks */
export const checksView = z
  .object({
    running: checkState.nullable(),
    runs: z.array(checkRunSummary),
    watching: z.boolean(),
    /** In the order of the first evening. */
    procedures: z.array(procedureView),
  })
  .meta({ id: 'Checks' });

export type ChecksView = z.infer<typeof checksView>;

/** POST /api/checks/watch: begins a wiggle test (and what the unplug test looks at) anew. */
export const watchStart = z.object({ channels: z.array(z.string().min(1).max(200)).max(16).default([]) }).meta({ id: 'WatchStart' });

/** POST /api/checks/watch/branch: the branch that is being moved from now on. */
export const branchTap = z.object({ branch: z.string().max(100) }).meta({ id: 'BranchTap' });

/** POST /api/checks/watch/unplug */
export const unplugAsk = z.object({ device: z.string().min(1).max(200) }).meta({ id: 'UnplugAsk' });

export const watchEventView = z
  .object({
    number: z.number(),
    timeUs: z.number(),
    wallMs: z.number(),
    kind: z.enum(['gap', 'back', 'error', 'counter', 'spike']),
    bus: z.string(),
    device: z.string().optional(),
    channel: z.string().optional(),
    stretch: z.string().optional(),
    /** The branch that was being moved. */
    branch: z.string(),
    say: z.string(),
  })
  .meta({ id: 'WatchEvent' });

export type WatchEventView = z.infer<typeof watchEventView>;

export const unplugStepView = z.object({
  device: z.string(),
  phase: z.enum(['waiting', 'vanished', 'passed', 'failed']),
  others: z.array(z.string()),
  say: z.string(),
});

/** State of the wiggle and unplug tests: each line of GET /api/checks/watch/stream, and the answer of GET /api/checks/watch. */
export const watchView = z
  .object({
    watching: z.boolean(),
    branch: z.string(),
    silent: z.array(z.string()),
    limping: z.array(z.string()),
    absent: z.array(z.string()),
    /** Of devices judged so far, newest last; the one in hand is the last. */
    unplugs: z.array(unplugStepView),
    /** Number of the newest event. */
    newest: z.number(),
    /** In the stream those since the last line, else all that are kept. */
    events: z.array(watchEventView),
    unseenFrames: z.number(),
  })
  .meta({ id: 'Watch' });

export type WatchView = z.infer<typeof watchView>;

/** POST /api/checks/watch/finish: judges the wiggle or the unplug test, keeps it as a run, and ends it. */
export const watchFinish = z
  .object({ test: z.enum(['wiggle', 'unplug']), by: z.string().trim().min(1).max(60).default('unnamed') })
  .meta({ id: 'WatchFinish' });

/** One reading of a multimeter: resistance of the line, voltages of the line, or voltages at a device's plug. */
const lineReading = z.union([
  z.object({ bus: z.string().max(200).optional(), ohm: z.union([z.literal('open'), z.number()]) }),
  z.object({ bus: z.string().max(200).optional(), high: z.number(), low: z.number() }),
  z.object({ device: z.string().min(1).max(200), battery: z.number(), supply: z.number(), ground: z.number() }),
]);

export type LineReading = z.infer<typeof lineReading>;

/** POST /api/checks/line: judges readings and keeps them as a run. */
export const lineReadings = z
  .object({
    readings: z
      .array(lineReading.and(z.object({ wallMs: z.number() })))
      .min(1)
      .max(200),
    by: z.string().trim().min(1).max(60).default('unnamed'),
  })
  .meta({ id: 'LineReadings' });

/** GET /api/checks/line?bus=engine&ohm=60, or &high=2.7&low=2.3 */
export const lineQuery = z.object({
  bus: z.string().max(200).optional(),
  ohm: z.union([z.literal('open'), z.coerce.number()]).optional(),
  high: z.coerce.number().optional(),
  low: z.coerce.number().optional(),
  device: z.string().max(200).optional(),
  battery: z.coerce.number().optional(),
  supply: z.coerce.number().optional(),
  ground: z.coerce.number().optional(),
});
