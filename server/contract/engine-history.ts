// The engine's history over all its sessions, as pages see it: timing, heat cycles, probes, starts, leak-down.
import { z } from 'zod';
import { verdictView } from './checks.ts';
import { logEntry } from './log-book.ts';
import { wordsAndAmounts } from './words-and-amounts.ts';

const degC = z.number().nullable();
const notJudged = z.array(z.object({ what: z.string(), line: z.string() }));
const verdicts = z.array(verdictView);

/** With its 95 % interval. */
const estimate = z.object({ value: z.number(), low: z.number(), high: z.number() });

export const timingView = z
  .object({
    /** Since the last adjustment, oldest first. */
    readings: z.array(
      z.object({
        entry: z.number(),
        by: z.string(),
        wallMs: z.number(),
        note: z.string(),
        speedRpm: z.number(),
        lightDeg: z.number(),
        commandedDeg: z.number(),
        /** Light less commanded; negative is late. */
        errorDeg: z.number(),
      }),
    ),
    offsetDeg: estimate.nullable(),
    delayUs: estimate.nullable(),
    verdicts,
    notJudged,
    /** False: no load before the check is done and right. */
    loadAllowed: z.boolean(),
  })
  .meta({ id: 'Timing' });

export type TimingView = z.infer<typeof timingView>;

export const probeHoursView = z.object({ probe: z.string(), cylinder: z.number(), hours: z.number() });

export const heatCycleView = z
  .object({
    /** Null: it never came up to temperature, and doesn't count. */
    number: z.number().nullable(),
    session: z.number(),
    fromS: z.number(),
    startedWallMs: z.number(),
    endedWallMs: z.number(),
    runs: z.number(),
    runningS: z.number(),
    startC: degC,
    coolantPeakC: degC,
    oilPeakC: degC,
    exhaustPeaks: z.array(z.object({ cylinder: z.number(), peakC: z.number() })),
    cold: z.object({ wallMs: z.number(), degC }).nullable(),
    probeHours: z.array(probeHoursView),
    /** What was done while it was cold, as it was last written down. */
    sheet: logEntry.nullable(),
  })
  .meta({ id: 'HeatCycle' });

export type HeatCycleView = z.infer<typeof heatCycleView>;

export const runView = z.object({
  session: z.number(),
  startedWallMs: z.number(),
  fromS: z.number(),
  toS: z.number(),
  startC: degC,
  coolantPeakC: degC,
  oilPeakC: degC,
  endC: degC,
  coolantKPerMin: z.number().nullable(),
  oilKPerMin: z.number().nullable(),
  exhaustPeaks: z.array(z.object({ cylinder: z.number(), peakC: z.number() })),
  warmUp: z.array(z.object({ s: z.number(), coolantC: degC, oilC: degC, exhaustC: degC })),
  verdicts,
});

export type RunView = z.infer<typeof runView>;

export const startView = z.object({
  session: z.number(),
  startedWallMs: z.number(),
  atS: z.number(),
  crankedS: z.number(),
  ran: z.boolean(),
  startC: degC,
  crankingV: z.number().nullable(),
  oilAfterS: z.number().nullable(),
  lit: z.array(z.object({ cylinder: z.number(), afterS: z.number().nullable() })),
});

export type StartView = z.infer<typeof startView>;

export const leakView = z.object({
  session: z.number(),
  startedWallMs: z.number(),
  set: z.string(),
  channel: z.string(),
  atS: z.number(),
  fromKpa: z.number(),
  marks: z.array(z.object({ s: z.number(), kpa: z.number() })),
});

export type LeakView = z.infer<typeof leakView>;

/** GET /api/engine-history */
export const engineHistoryView = z
  .object({
    vehicle: z.string(),
    /** Sessions that it was read from, and those that could not be. */
    sessions: z.number(),
    unread: z.array(z.object({ session: z.number(), why: z.string() })),
    /** What the vehicle file does not let it tell, by topic. */
    notJudged: z.array(z.object({ topic: z.string(), what: z.string(), line: z.string() })),
    timing: timingView,
    /** Oldest first. */
    cycles: z.array(heatCycleView),
    /** What makes a cycle, °C. */
    cycleLimits: z.object({ warmC: z.number(), coldC: z.number() }),
    probeHours: z.array(probeHoursView),
    /** The newest cold soak beside the one before; null: no session began cold-soaked. */
    drift: z
      .object({
        session: z.number(),
        startedWallMs: z.number(),
        lastSession: z.number().nullable(),
        probes: z.array(
          z.object({
            cylinder: z.number(),
            channel: z.string(),
            probe: z.string().nullable(),
            offK: z.number(),
            lastOffK: z.number().nullable(),
            driftK: z.number().nullable(),
          }),
        ),
        verdicts,
      })
      .nullable(),
    /** The newest runs, newest first. */
    runs: z.array(runView),
    /** Starts, newest first. */
    starts: z.array(startView),
    /** The last start that ran, beside earlier ones like it; null: none ran yet. */
    comparison: z
      .object({
        start: startView,
        like: z.array(z.object({ session: z.number(), atS: z.number() })),
        measures: z.array(
          z.object({
            what: z.string(),
            unit: z.string(),
            now: z.number(),
            mean: z.number(),
            low: z.number(),
            high: z.number(),
            starts: z.number(),
            verdict: z.enum(['as usual', 'more', 'less']),
          }),
        ),
        say: z.string(),
        sayParts: wordsAndAmounts.optional(),
      })
      .nullable(),
    /** Newest first. */
    leaks: z.array(leakView),
    /** The newest of each set beside the one before. */
    leakNow: z.array(
      z.object({
        set: z.string(),
        s: z.number().nullable(),
        fellKpa: z.number().nullable(),
        lastFellKpa: z.number().nullable(),
        isFaster: z.boolean(),
        say: z.string(),
        sayParts: wordsAndAmounts.optional(),
      }),
    ),
    /** Of each probe the newest estimate, from fuel cuts. */
    lags: z.array(
      z.object({
        session: z.number(),
        cylinder: z.number(),
        channel: z.string(),
        probe: z.string().nullable(),
        steps: z.number(),
        tauS: z.number(),
        low: z.number(),
        high: z.number(),
        fileS: z.object({ low: z.number(), high: z.number() }).nullable(),
      }),
    ),
  })
  .meta({ id: 'EngineHistory' });

export type EngineHistoryView = z.infer<typeof engineHistoryView>;
