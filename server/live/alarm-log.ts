// The alarms that stand and what happened to them lately, in the form that browsers get: the pipeline's, and the station's own.
import type { AlarmEvent, AlarmsStanding } from '../alarms/alarm-event.ts';
import { qualityNames } from '../channels/quality.ts';
import type { AlarmEvent as AlarmEventView, AlarmHistory, AlarmState, AlarmsView } from '../contract/alarms.ts';
import type { Severity } from '../definitions/vehicle.ts';
import { liveAlarmEventsMax } from '../limits.ts';

/** Wall time of a session time, milliseconds since 1970. */
export type WallOf = (timeUs: number) => number;

/** Something wrong with the station itself (the disk), which no channel shows. */
export interface StationTrouble {
  name: string;
  severity: Severity;
  advice: string;
}

const worstFirst: readonly Severity[] = ['warning', 'caution', 'advisory'];

/** Numbers all events in one row, whoever they come from: the pipeline's own numbers have no place for the station's. */
export class AlarmLog {
  private events: AlarmEventView[] = [];
  private troubles: AlarmState[] = [];
  /** The pipeline's number of the event that raised an alarm → ours. */
  private readonly numbers = new Map<number, number>();
  private readonly wallOf: WallOf;
  /** Number of the newest event. */
  sequence = 0;
  /** Counts every change of what stands. */
  version = 0;

  constructor(wallOf: WallOf) {
    this.wallOf = wallOf;
  }

  /** Something of what stands changed without an event. */
  touch(): void {
    this.version++;
  }

  take(event: AlarmEvent): void {
    const { quality, advice: _, ...rest } = event;
    const sequence = this.add({ ...rest, quality: qualityNames[quality], wallMs: this.wallOf(event.timeUs) });
    if (event.event !== 'raised') return;
    this.numbers.set(event.sequence, sequence);
    const [oldest] = this.numbers.keys();
    if (oldest !== undefined && this.numbers.size > liveAlarmEventsMax * 4) this.numbers.delete(oldest);
  }

  /** Raises a trouble of the station; one of the same name that stands takes the new advice. */
  raise(trouble: StationTrouble, timeUs: number): void {
    const standing = this.troubles.find(({ name }) => name === trouble.name);
    if (standing) {
      if (standing.advice !== trouble.advice) this.version++;
      standing.advice = trouble.advice;
      return;
    }
    const sequence = this.addOwn(trouble, 'raised', timeUs);
    const state: AlarmState = {
      ...trouble,
      state: 'raised',
      acknowledged: false,
      firstOut: false,
      unknown: false,
      sinceUs: timeUs,
      sinceWallMs: this.wallOf(timeUs),
      channel: null,
      value: null,
      quality: 'ok',
      unit: '',
      sequence,
    };
    this.troubles.push(state);
  }

  clear(name: string, timeUs: number): void {
    const standing = this.troubles.find((trouble) => trouble.name === name);
    if (!standing) return;
    this.troubles = this.troubles.filter((trouble) => trouble !== standing);
    this.addOwn(standing, 'cleared', timeUs);
  }

  /** Acknowledges a trouble of the station; false when none of that name stands. */
  acknowledge(name: string, by: string, timeUs: number): boolean {
    const standing = this.troubles.find((trouble) => trouble.name === name);
    if (!standing) return false;
    if (standing.acknowledged) return true;
    standing.acknowledged = true;
    standing.acknowledgedBy = by;
    this.addOwn(standing, 'acknowledged', timeUs, by);
    return true;
  }

  /** What stands, worst first, then oldest. */
  view(standing: AlarmsStanding): AlarmsView {
    const active = standing.standing.map(
      ({ quality, sequence, ...alarm }): AlarmState => ({
        ...alarm,
        quality: qualityNames[quality],
        sinceWallMs: this.wallOf(alarm.sinceUs),
        sequence: this.numbers.get(sequence) ?? 0,
      }),
    );
    active.push(...this.troubles.map((trouble) => ({ ...trouble })));
    active.sort((a, b) => worstFirst.indexOf(a.severity) - worstFirst.indexOf(b.severity) || a.sinceUs - b.sinceUs);
    return { sequence: this.sequence, active };
  }

  /** What stands, and the events after number `after`, oldest first. */
  history(standing: AlarmsStanding, after: number): AlarmHistory {
    const held = this.events.slice(-liveAlarmEventsMax);
    return {
      ...this.view(standing),
      events: held.filter((event) => event.sequence > after),
      oldest: held[0]?.sequence ?? this.sequence + 1,
    };
  }

  private addOwn(trouble: StationTrouble, event: AlarmEventView['event'], timeUs: number, by?: string): number {
    const { name: alarm, severity } = trouble;
    const about = { alarm, severity, event, timeUs, wallMs: this.wallOf(timeUs), ...(by === undefined ? {} : { by }) };
    return this.add({ ...about, firstOut: false, channel: null, value: null, quality: 'ok', unit: '' });
  }

  private add(event: Omit<AlarmEventView, 'sequence'>): number {
    this.version++;
    this.sequence++;
    this.events.push({ ...event, sequence: this.sequence });
    if (this.events.length > liveAlarmEventsMax * 2) this.events = this.events.slice(-liveAlarmEventsMax);
    return this.sequence;
  }
}
