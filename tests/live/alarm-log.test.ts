// Alarms of the pipeline and troubles of the station in one numbered row.
import { describe, expect, it } from 'vitest';
import type { AlarmEvent, AlarmsStanding, StandingAlarm } from '../../server/alarms/alarm-event.ts';
import { quality } from '../../server/channels/quality.ts';
import { liveAlarmEventsMax } from '../../server/limits.ts';
import { AlarmLog } from '../../server/live/alarm-log.ts';

const raised = (sequence: number, alarm: string): AlarmEvent => ({
  sequence,
  timeUs: sequence * 1_000_000,
  alarm,
  severity: 'caution',
  event: 'raised',
  firstOut: sequence === 1,
  channel: 'oil_pressure',
  value: 60,
  quality: quality.ok,
  unit: 'kPa',
  advice: 'Look',
});

const standing = ({ sequence, timeUs, alarm, event: _, ...rest }: AlarmEvent): StandingAlarm => ({
  ...rest,
  name: alarm,
  state: 'raised',
  acknowledged: false,
  unknown: false,
  sinceUs: timeUs,
  sequence,
});

const none: AlarmsStanding = { sequence: 0, standing: [] };
const disk = { name: 'recording has stopped', severity: 'warning', advice: 'The disk is full.' } as const;

describe('the alarm log', () => {
  it('numbers events of both kinds in one row, without holes', () => {
    const log = new AlarmLog((timeUs) => timeUs / 1000 + 5);
    const first = raised(1, 'oil low');
    const second = raised(2, 'fuel low');
    log.take(first);
    log.raise(disk, 1_500_000);
    log.take(second);
    const history = log.history({ sequence: 2, standing: [standing(first), standing(second)] }, 1);
    expect(history.events.map(({ sequence, alarm }) => [sequence, alarm])).toEqual([
      [2, 'recording has stopped'],
      [3, 'fuel low'],
    ]);
    expect(history.active.map(({ name, sequence }) => [name, sequence])).toEqual([
      ['recording has stopped', 2],
      ['oil low', 1],
      ['fuel low', 3],
    ]);
    expect(history.active[1]).toMatchObject({ sinceWallMs: 1005, quality: 'ok', firstOut: true });
  });

  it('keeps an acknowledged trouble until it is over', () => {
    const log = new AlarmLog(() => 0);
    expect(log.acknowledge(disk.name, 'Kim', 0)).toBe(false);
    log.raise(disk, 10);
    expect(log.acknowledge(disk.name, 'Kim', 20)).toBe(true);
    expect(log.view(none).active).toMatchObject([{ acknowledged: true, acknowledgedBy: 'Kim' }]);
    log.clear(disk.name, 30);
    expect(log.view(none).active).toEqual([]);
    expect(log.history(none, 0).events.map(({ event }) => event)).toEqual(['raised', 'acknowledged', 'cleared']);
  });

  it('says nothing new when a trouble is told again, and shows its new advice without a new event', () => {
    const log = new AlarmLog(() => 0);
    log.raise(disk, 10);
    log.acknowledge(disk.name, 'Kim', 20);
    const { version, sequence } = log;
    log.raise(disk, 30);
    expect(log.version).toBe(version);
    log.raise({ ...disk, advice: 'The folder is gone.' }, 40);
    expect(log.version).toBe(version + 1);
    expect(log.view(none)).toMatchObject({ sequence, active: [{ acknowledged: true, advice: 'The folder is gone.', sinceUs: 10 }] });
  });

  it('holds the newest events only, and says which is the oldest', () => {
    const log = new AlarmLog(() => 0);
    for (let i = 1; i <= liveAlarmEventsMax * 2 + 5; i++) log.take(raised(i, 'oil low'));
    const { events, oldest, sequence } = log.history(none, 0);
    expect(events).toHaveLength(liveAlarmEventsMax);
    expect([oldest, sequence]).toEqual([liveAlarmEventsMax + 6, liveAlarmEventsMax * 2 + 5]);
  });
});
