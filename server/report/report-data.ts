// What a report says about a session, before it is put into words.
import type { AlarmEvent } from '../alarms/alarm-event.ts';
import type { CheckResult } from '../checks/verdict.ts';
import type { CheckRun } from '../contract/checks.ts';
import type { LogEntry } from '../contract/log-book.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Pull } from '../dyno/pulls.ts';
import type { LossPlace } from '../pipeline-input.ts';
import type { CylinderPeak, PullPeaks } from './cylinder-peaks.ts';
import type { PlotChoice } from './main-plots.ts';

export interface ReportData {
  session: number;
  /** As people wrote them; anything may stand in them. */
  name: string;
  note: string;
  tags: readonly string[];
  conditions: Readonly<Record<string, string>>;
  /** Definitions of the reading that is reported. */
  vehicle: Vehicle;
  /** Hash of the definitions that were in force when it was recorded. */
  recordedHash: string;
  reading: { id: number; program: string; node: string; madeWallMs: number; note: string };
  /** Null: the recording does not say when it was made. */
  startedWallMs: number | null;
  seconds: number;
  frames: number;
  origin: string;
  state: 'open' | 'closed' | 'killed';
  /** How good each bus's time stamps were; empty when the recording does not say. */
  stamps: Readonly<Record<string, string>>;
  loss: Readonly<Record<LossPlace, number>>;
  /** Loss, changes of definitions, sources that went down; seconds from the first frame. */
  events: readonly { atS: number; kind: 'loss' | 'definitions' | 'source'; text: string }[];
  remarks: readonly string[];
  /** Session time of the first frame: times of alarms count from here. */
  startUs: number;
  alarms: readonly AlarmEvent[];
  /** Judged on the recording for this report. */
  checks: readonly CheckResult[];
  /** Runs on the live bus while it was recorded. */
  runs: readonly CheckRun[];
  /** What people wrote down about it in the log book. */
  log: readonly LogEntry[];
  pulls: readonly Pull[];
  /** What could not be judged, and the line of the vehicle file that would let it. */
  notJudged: readonly { what: string; line: string }[];
  peaks: readonly CylinderPeak[];
  pullPeaks: readonly PullPeaks[];
  plots: readonly PlotData[];
}

/** One trace over all of the session, as bins. */
export interface PlotTrace {
  channel: string;
  /** Null where no sample of the bin had a number. */
  low: readonly (number | null)[];
  high: readonly (number | null)[];
  /** 0 ok, 1 out-of-range, 2 fault, 3 missing, 4 stale: the worst of the bin; 5 no sample and the value before holds, 6 nothing known. */
  quality: readonly number[];
}

/** Bin i begins at `fromS + i × widthS`, seconds from the first frame. */
export interface PlotData {
  choice: PlotChoice;
  fromS: number;
  widthS: number;
  /** Length of the time axis. */
  seconds: number;
  traces: readonly PlotTrace[];
}
