// Pulls and holds of a session with what they did to each cylinder, two sets of them compared, trials judged, and the distribution study.
import { z } from 'zod';

const number = z.number().nullable();
const notJudged = z.array(z.object({ what: z.string(), line: z.string() }));

/** Start of a pull, °C. */
export const startStateView = z.object({ oil: number, coolant: number, intake: number, fuel: number, exhaust: number });

export type StartStateView = z.infer<typeof startStateView>;

const powerRow = z.object({ speed: z.number(), torqueNm: z.number(), powerKw: z.number(), correctedNm: number, correctedKw: number });

const powerView = z.object({
  /** Channel, or the name of the dyno's log. */
  source: z.string(),
  rows: z.array(powerRow),
  peakTorque: powerRow.nullable(),
  peakPower: powerRow.nullable(),
  /** SAE J1349, always beside the uncorrected; null where the air isn't known. */
  correction: z
    .object({ factor: z.number(), stationKpa: z.number(), roomC: z.number(), humidityPercent: number, notes: z.array(z.string()) })
    .nullable(),
  notJudged,
});

export type PowerView = z.infer<typeof powerView>;

const demandView = z.object({
  set: z.string(),
  dutyMax: number,
  dutyAtRpm: number,
  headroomPercent: number,
  demandCcPerMin: number,
  capacityCcPerMin: number,
  pumpCcPerMin: number,
  ofInjectorsPercent: number,
  ofPumpPercent: number,
  supply: z
    .object({
      voltsStart: z.number(),
      voltsLow: z.number(),
      deadStartMs: z.number(),
      deadLowMs: z.number(),
      flowPercent: z.number(),
    })
    .nullable(),
  notJudged,
});

export type DemandView = z.infer<typeof demandView>;

export const pullView = z
  .object({
    /** Place among the pulls of the session, or as written down; names are people's. */
    number: z.number(),
    name: z.string(),
    /** Ends or kind were corrected by hand. */
    byHand: z.boolean(),
    kind: z.enum(['sweep', 'hold']),
    /** Seconds from the session's first frame. */
    from: z.number(),
    to: z.number(),
    speedFrom: z.number(),
    speedTo: z.number(),
    complete: z.boolean(),
    cylinders: z.array(z.number()),
    /** Indicated temperatures, °C. */
    peaks: z.array(z.object({ cylinder: z.number(), peakC: number, at: number, speed: number, marginK: number })),
    /** Lag-corrected peaks, °C with the shortest and the longest lag, and their noise: estimates, never held against a limit. */
    gas: z.array(z.object({ cylinder: z.number(), lowC: z.number(), highC: z.number(), noiseK: z.number() })),
    bands: z.array(
      z.object({
        speed: z.number(),
        load: number,
        temps: z.array(number),
        spreadK: number,
        rmsK: number,
        duty: z.array(number),
        deltaKpa: z.array(number),
        lambda: z.array(number),
        timing: number,
      }),
    ),
    sets: z.array(z.object({ set: z.string(), dutyMax: number, deltaMin: number, deltaMax: number })),
    /** Least that was left to each limit. */
    margins: z.object({ exhaustK: number, spreadK: number, dutyPercent: number }),
    demand: z.array(demandView),
    start: startStateView,
    power: powerView.nullable(),
    /** Beside the last complete pull of its kind: `before` is its number. */
    beside: z
      .object({
        before: z.number(),
        bands: z.array(z.object({ speed: z.number(), spreadK: number, rmsK: number })),
        peaks: z.array(z.object({ cylinder: z.number(), kelvin: number })),
      })
      .nullable(),
  })
  .meta({ id: 'Pull' });

export type PullView = z.infer<typeof pullView>;

const fallOffView = z.object({
  set: z.string(),
  fallKpa: z.number(),
  railPerReference: number,
  goesWith: z.object({ reference: number, flow: number, supply: number, fuelTemperature: number }),
  causes: z.array(z.string()),
  say: z.string(),
});

/** What a person said about the dyno, or the vehicle file does. */
export const dynoView = z.object({
  dyno: z.enum(['inertia', 'brake', 'engine', 'chassis']).or(z.string()).nullable(),
  gear: z.string().nullable(),
  rollerRatio: number,
  stationKpa: number,
  roomC: number,
  humidityPercent: number,
  holdsAbsolute: z.boolean(),
});

export type DynoView = z.infer<typeof dynoView>;

/** GET /api/sessions/:session/pulls */
export const pullsView = z
  .object({
    session: z.number(),
    seconds: z.number(),
    /** Session time of the first frame, microseconds: `from` and `to` count from it. */
    startUs: z.number(),
    /** Wall time of the first frame, milliseconds since 1970. */
    startedWallMs: z.number(),
    limits: z.object({ exhaustTempC: number, exhaustSpreadK: number, dutyPercent: number }),
    banks: z.array(z.string()),
    pulls: z.array(pullView),
    /** Why fuel pressure delta falls, over all sweeps of the session. */
    fallOff: z.array(fallOffView),
    dyno: dynoView,
    /** Torque logs of the session: how they lie on it, or why they don't. */
    logs: z.array(z.object({ name: z.string(), rows: z.number(), offsetS: number, rmsRpm: number, problems: z.array(z.string()) })),
    notJudged,
  })
  .meta({ id: 'Pulls' });

export type PullsView = z.infer<typeof pullsView>;

const verdict = z.enum(['higher', 'lower', 'no difference', 'not enough pulls to tell']);
/** 95 % interval; null where the pulls can't give one. */
const difference = z.object({
  difference: z.number(),
  low: number,
  high: number,
  repeat: number,
  freedom: z.number(),
  verdict,
});

export type DifferenceView = z.infer<typeof difference>;

export const setComparisonView = z
  .object({
    quantity: z.string(),
    unit: z.string(),
    matters: z.number(),
    /** As driven: A before, B behind the change. */
    order: z.string(),
    all: difference.optional(),
    cells: z.array(difference.extend({ kind: z.enum(['sweep', 'hold']), speed: z.number(), load: number })),
    pullsNeeded: number,
    driftTakenOut: z.boolean(),
    advice: z.array(z.string()),
    pulls: z.array(
      z.object({ session: z.number(), number: z.number(), set: z.enum(['before', 'after']), order: z.number(), start: startStateView }),
    ),
  })
  .meta({ id: 'SetComparison' });

export type SetComparisonView = z.infer<typeof setComparisonView>;

const pullList = z.string().regex(/^[1-9]\d{0,8}:[1-9]\d{0,3}(,[1-9]\d{0,8}:[1-9]\d{0,3}){0,39}$/);

/** GET /api/pulls/compare?before=3:1,3:2&after=4:1,4:2&quantity=spread: SESSION:NUMBER of each pull. */
export const compareQuery = z.object({
  before: pullList,
  after: pullList,
  quantity: z
    .string()
    .regex(/^(spread|rms|lambda|timing|torque|power|(temp|deviation):\d{1,2}|(duty|delta):.{1,60})$/)
    .default('spread'),
});

export type CompareQuery = z.infer<typeof compareQuery>;

/** GET /api/trials: every trial of the log book, oldest first, with what its pulls say. */
export const trialView = z
  .object({
    /** Number of its entry in the log book. */
    entry: z.number(),
    kind: z.string(),
    change: z.string(),
    by: z.string(),
    wallMs: z.number(),
    /** It was taken back at this time. */
    undoneWallMs: number,
    predictedSpread: number,
    /** The sessions of the study that predicted it, where that was written down. */
    studied: z.array(z.number()),
    verdict: z.string(),
    say: z.string(),
    advice: z.array(z.string()),
    /** Judged on these: SESSION:NUMBER. */
    before: z.array(z.string()),
    after: z.array(z.string()),
    spread: difference.nullable(),
    cylinders: z.array(z.object({ cylinder: z.number(), deviation: difference })),
  })
  .meta({ id: 'Trial' });

export type TrialView = z.infer<typeof trialView>;

/** GET /api/study?sessions=3,4: as `evenburn study --json`. */
export const studyView = z
  .looseObject({
    effects: z.array(
      z.looseObject({
        kind: z.string(),
        subject: z.string(),
        kelvin: z.number().nullable(),
        low: z.number().nullable(),
        high: z.number().nullable(),
        separable: z.boolean(),
        verdict: z.string(),
      }),
    ),
    cylinders: z.array(
      z.looseObject({
        cylinder: z.number(),
        differs: z.boolean(),
        kelvin: z.number().nullable(),
        candidates: z.array(z.string()),
        test: z.string(),
      }),
    ),
    trials: z.array(
      z.looseObject({
        kind: z.string(),
        change: z.string(),
        predictedSpread: z.number(),
        teaches: z.number(),
        moves: z.number(),
        plan: z.record(z.string(), z.array(z.number())).optional(),
        phases: z.record(z.string(), z.number()).optional(),
      }),
    ),
    phases: z.record(z.string(), z.record(z.string(), z.number())),
    regroupings: z.record(z.string(), z.object({ labelled: z.number(), layouts: z.number() })),
    holds: z.array(
      z.looseObject({
        kind: z.enum(['hold', 'sweep']),
        session: z.number(),
        from: z.number(),
        to: z.number(),
        speed: z.number(),
        spread: z.number(),
      }),
    ),
    notJudged,
  })
  .meta({ id: 'Study' });

export type StudyView = z.infer<typeof studyView>;

export const studyQuery = z.object({ sessions: z.string().regex(/^[1-9]\d{0,8}(,[1-9]\d{0,8}){0,19}$/) });
