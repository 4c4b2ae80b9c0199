// Alarms from when they were raised until they were over, out of what happened to them one by one. Pure.
import type { AlarmEvent } from '../alarms/alarm-event.ts';

export interface AlarmStretch {
  alarm: string;
  severity: AlarmEvent['severity'];
  firstOut: boolean;
  channel: string;
  value: number | null;
  unit: string;
  /** Seconds from the first frame. */
  fromS: number;
  /** Undefined: it was not over at the end. */
  toS: number | undefined;
  acknowledgedBy: string;
}

/** In the order in which they were raised. */
export function toAlarmStretches(events: readonly AlarmEvent[], startUs: number): AlarmStretch[] {
  const seconds = (us: number) => Math.max(0, (us - startUs) / 1e6);
  const stretches: AlarmStretch[] = [];
  const standing = new Map<string, AlarmStretch>();
  for (const { event, alarm, severity, firstOut, channel, value, unit, timeUs, by } of events) {
    if (event === 'raised') {
      const fromS = seconds(timeUs);
      const stretch: AlarmStretch = {
        alarm,
        severity,
        firstOut,
        channel: channel ?? '',
        value,
        unit,
        fromS,
        toS: undefined,
        acknowledgedBy: '',
      };
      stretches.push(stretch);
      standing.set(alarm, stretch);
      continue;
    }
    const stretch = standing.get(alarm);
    if (!stretch) continue;
    if (event === 'acknowledged') stretch.acknowledgedBy ||= by ?? 'somebody';
    else stretch.toS ??= seconds(timeUs);
  }
  return stretches;
}
