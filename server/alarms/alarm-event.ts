// What happens to alarms, and what stands: the words that the pipeline, the record and the pages share.
import type { QualityCode } from '../channels/quality.ts';
import type { Severity } from '../definitions/vehicle.ts';

/**
 * - `raised`: the condition held for its time while armed.
 * - `cleared`: the condition is over. An alarm that latches and isn't acknowledged yet stays, latched.
 * - `acknowledged`: somebody has seen it. A latched one goes with it.
 * - `removed`: a change of definitions took the alarm away while it stood.
 */
export type AlarmHappening = 'raised' | 'cleared' | 'acknowledged' | 'removed';

/** One thing that happened to an alarm, at an instant. */
export interface AlarmEvent {
  /** 1, 2, 3 ... over the session, without holes. */
  sequence: number;
  timeUs: number;
  alarm: string;
  severity: Severity;
  event: AlarmHappening;
  /** It came first in the burst of alarms that stands. */
  firstOut: boolean;
  /** The first channel that the condition names; null when it names none. */
  channel: string | null;
  /** Of that channel at the time (for a spike between instants: the extreme); null where the quality carries no number. */
  value: number | null;
  quality: QualityCode;
  unit: string;
  advice: string;
  /** Of an acknowledgement. */
  by?: string;
}

/** An alarm that stands: raised, or latched until somebody acknowledges it. */
export interface StandingAlarm {
  name: string;
  severity: Severity;
  /** `raised`: the condition holds, or is unknown since it did. `latched`: it is over, and the alarm waits for an acknowledgement. */
  state: 'raised' | 'latched';
  acknowledged: boolean;
  acknowledgedBy?: string;
  firstOut: boolean;
  /** The condition can't be judged now, since an input is bad. */
  unknown: boolean;
  /** When it was raised. */
  sinceUs: number;
  channel: string | null;
  value: number | null;
  quality: QualityCode;
  unit: string;
  advice: string;
  /** Number of the event that raised it. */
  sequence: number;
}

/** All alarms that stand, worst first, then oldest, as of event number `sequence`. */
export interface AlarmsStanding {
  sequence: number;
  standing: StandingAlarm[];
}
