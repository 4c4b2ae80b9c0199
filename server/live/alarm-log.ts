// The alarms that stand and what happened to them lately, in the form that browsers get.
import type { AlarmEvent, AlarmsStanding } from '../alarms/alarm-event.ts';
import { qualityNames } from '../channels/quality.ts';
import type { AlarmEvent as AlarmEventView, AlarmHistory, AlarmsView } from '../contract/alarms.ts';
import { liveAlarmEventsMax } from '../limits.ts';

/** Wall time of a session time, milliseconds since 1970. */
export type WallOf = (timeUs: number) => number;

export class AlarmLog {
  private events: AlarmEventView[] = [];
  private readonly wallOf: WallOf;

  constructor(wallOf: WallOf) {
    this.wallOf = wallOf;
  }

  take(event: AlarmEvent): void {
    const { quality, ...rest } = event;
    this.events.push({ ...rest, quality: qualityNames[quality], wallMs: this.wallOf(event.timeUs) });
    if (this.events.length > liveAlarmEventsMax * 2) this.events = this.events.slice(-liveAlarmEventsMax);
  }

  /** What stands, and the events after number `after`, oldest first. */
  history(standing: AlarmsStanding, after: number): AlarmHistory {
    const held = this.events.slice(-liveAlarmEventsMax);
    return {
      ...toAlarmsView(standing, this.wallOf),
      events: held.filter((event) => event.sequence > after),
      oldest: held[0]?.sequence ?? standing.sequence + 1,
    };
  }
}

export function toAlarmsView(standing: AlarmsStanding, wallOf: WallOf): AlarmsView {
  const active = standing.standing.map(({ quality, ...alarm }) => ({
    ...alarm,
    quality: qualityNames[quality],
    sinceWallMs: wallOf(alarm.sinceUs),
  }));
  return { sequence: standing.sequence, active };
}
