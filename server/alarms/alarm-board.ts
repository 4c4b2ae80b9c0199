// All alarms of a vehicle: steps them at instants, numbers what happens, and knows which came first.
import type { Channel } from '../channels/channel-list.ts';
import type { FormulaContext } from '../channels/formula-compile.ts';
import type { QualityCode } from '../channels/quality.ts';
import { quality } from '../channels/quality.ts';
import type { AlarmRule, Severity } from '../definitions/vehicle.ts';
import { instantUs } from '../pipeline-input.ts';
import { AlarmCondition } from './alarm-condition.ts';
import type { AlarmEvent, AlarmHappening, AlarmsStanding, StandingAlarm } from './alarm-event.ts';
import { AlarmMachine, type AlarmMachineState } from './alarm-machine.ts';

/** What was shown when an alarm was last raised. */
interface Raising {
  timeUs: number;
  sequence: number;
  channel: string | null;
  value: number | null;
  quality: QualityCode;
  unit: string;
}

interface Alarm {
  rule: AlarmRule;
  machine: AlarmMachine;
  /** Undefined: its rule is gone from the definitions, and it stands only until somebody acknowledges it. */
  condition: AlarmCondition | undefined;
  raising: Raising | undefined;
  dueUs: number;
}

interface SavedAlarm {
  name: string;
  rule?: AlarmRule;
  machine: AlarmMachineState;
  condition: unknown[];
  raising: Raising | null;
  dueUs: number | null;
}

const severityRank: Readonly<Record<Severity, number>> = { warning: 0, caution: 1, advisory: 2 };

export class AlarmBoard {
  private alarms: Alarm[] = [];
  private sequence = 0;
  /** Came first in the burst that stands; undefined when no alarm waits for an acknowledgement. */
  private firstOut: string | undefined;
  private channels: readonly Channel[] = [];
  private fresh = true;
  /** The earliest of all alarms' due times. */
  private earliestUs = Number.POSITIVE_INFINITY;
  private readonly emit: (event: AlarmEvent) => void;

  constructor(emit: (event: AlarmEvent) => void) {
    this.emit = emit;
  }

  /**
   * Puts rules in force. An alarm goes on where the name and every text are the same; of one whose text changed a latch survives, and one
   * that is gone stands on, if it latched, until somebody acknowledges it.
   */
  define(rules: readonly AlarmRule[], context: FormulaContext, channels: readonly Channel[], timeUs: number): void {
    const before = new Map(this.alarms.map((alarm) => [alarm.rule.name, alarm]));
    this.channels = channels;
    this.fresh = true;
    this.alarms = rules.map((rule) => {
      const old = before.get(rule.name);
      before.delete(rule.name);
      return this.succeed(old, rule, context, timeUs);
    });
    for (const old of before.values()) {
      if (!old.machine.isStanding) continue;
      if (old.rule.latch && !old.machine.isAcknowledged) this.alarms.push(toOrphan(old));
      else this.report(old, 'removed', timeUs);
    }
    this.findEarliest();
  }

  /** When some alarm must be stepped though nothing changes; Infinity: never. */
  get dueUs(): number {
    return this.earliestUs;
  }

  /** One instant: steps the alarms whose inputs changed, or whose time has come. */
  step(timeUs: number): void {
    let raised: Alarm[] | undefined;
    let earliestUs = Number.POSITIVE_INFINITY;
    for (const alarm of this.alarms) {
      const { condition, machine } = alarm;
      if (condition === undefined || !(this.fresh || alarm.dueUs <= timeUs || condition.isTouched)) {
        if (alarm.dueUs < earliestUs) earliestUs = alarm.dueUs;
        continue;
      }
      condition.evaluate(machine.isRaised);
      const happened = machine.step(timeUs, condition);
      alarm.dueUs = condition.isSpike ? timeUs + instantUs : machine.dueUs(timeUs);
      if (alarm.dueUs < earliestUs) earliestUs = alarm.dueUs;
      if (happened === 'cleared') this.report(alarm, 'cleared', timeUs);
      else if (happened === 'raised') {
        alarm.raising = this.raisingOf(condition, timeUs);
        raised ??= [];
        raised.push(alarm);
      }
    }
    this.fresh = false;
    this.earliestUs = earliestUs;
    if (raised) this.raise(raised, timeUs);
    this.endBurst();
  }

  acknowledge(name: string, by: string, timeUs: number): void {
    const alarm = this.alarms.find((one) => one.rule.name === name);
    if (!alarm?.machine.acknowledge(by)) return;
    this.report(alarm, 'acknowledged', timeUs, by);
    if (alarm.condition === undefined) this.alarms = this.alarms.filter((one) => one !== alarm);
    this.endBurst();
  }

  get standing(): AlarmsStanding {
    const standing = this.alarms.filter(({ machine, raising }) => machine.isStanding && raising).map((alarm) => this.toStanding(alarm));
    standing.sort((a, b) => severityRank[a.severity] - severityRank[b.severity] || a.sequence - b.sequence);
    return { sequence: this.sequence, standing };
  }

  save(): unknown {
    const alarms: SavedAlarm[] = this.alarms.map(({ rule, machine, condition, raising, dueUs }) => ({
      name: rule.name,
      ...(condition ? {} : { rule }),
      machine: machine.save(),
      condition: condition?.save() ?? [],
      raising: raising ?? null,
      dueUs: Number.isFinite(dueUs) ? dueUs : null,
    }));
    return { alarms, sequence: this.sequence, firstOut: this.firstOut ?? null, fresh: this.fresh };
  }

  /** Takes back what `save` gave, after `define` with the same rules. */
  restore(saved: unknown): void {
    const { alarms, sequence, firstOut, fresh } = saved as {
      alarms: SavedAlarm[];
      sequence: number;
      firstOut: string | null;
      fresh: boolean;
    };
    const byName = new Map(this.alarms.map((alarm) => [alarm.rule.name, alarm]));
    for (const one of alarms) {
      const alarm = byName.get(one.name) ?? (one.rule && this.addOrphan(one.rule));
      if (!alarm) continue;
      alarm.machine.restore(one.machine);
      alarm.condition?.restore(one.condition);
      alarm.raising = one.raising ?? undefined;
      alarm.dueUs = one.dueUs ?? Number.POSITIVE_INFINITY;
    }
    this.sequence = sequence;
    this.firstOut = firstOut ?? undefined;
    this.fresh = fresh;
    this.findEarliest();
  }

  private findEarliest(): void {
    this.earliestUs = Math.min(Number.POSITIVE_INFINITY, ...this.alarms.map((alarm) => alarm.dueUs));
  }

  private addOrphan(rule: AlarmRule): Alarm {
    const alarm = { rule, machine: new AlarmMachine(rule), condition: undefined, raising: undefined, dueUs: Number.POSITIVE_INFINITY };
    this.alarms.push(alarm);
    return alarm;
  }

  private succeed(old: Alarm | undefined, rule: AlarmRule, context: FormulaContext, timeUs: number): Alarm {
    const condition = new AlarmCondition(rule, context);
    const machine = new AlarmMachine(rule);
    const alarm: Alarm = { rule, machine, condition, raising: undefined, dueUs: Number.POSITIVE_INFINITY };
    if (!old) return alarm;
    if (old.condition && sameText(old.rule, rule)) {
      machine.restore(old.machine.save());
      condition.restore(old.condition.save());
      return { ...alarm, raising: old.raising, dueUs: old.dueUs };
    }
    if (!old.machine.isStanding) return alarm;
    if (!old.rule.latch || old.machine.isAcknowledged) {
      this.report(old, 'removed', timeUs);
      return alarm;
    }
    machine.inheritLatch();
    return { ...alarm, raising: old.raising };
  }

  private raisingOf(condition: AlarmCondition, timeUs: number): Raising {
    const channel = condition.subject === undefined ? undefined : this.channels[condition.subject];
    return { timeUs, sequence: 0, channel: channel?.name ?? null, unit: channel?.unit ?? '', ...condition.raisingReading() };
  }

  /** Of alarms raised at one instant, that one came first whose condition did; then the worse one, then the file's order. */
  private raise(raised: Alarm[], timeUs: number): void {
    raised.sort((a, b) => a.machine.trueUs - b.machine.trueUs || severityRank[a.rule.severity] - severityRank[b.rule.severity]);
    for (const alarm of raised) {
      this.firstOut ??= alarm.rule.name;
      (alarm.raising as Raising).sequence = this.sequence + 1;
      this.report(alarm, 'raised', timeUs);
    }
  }

  /** A burst ends when nothing waits for an acknowledgement any more. */
  private endBurst(): void {
    if (this.firstOut === undefined) return;
    const waits = this.alarms.some(({ machine }) => machine.isStanding && !machine.isAcknowledged);
    if (!waits) this.firstOut = undefined;
  }

  private report(alarm: Alarm, event: AlarmHappening, timeUs: number, by?: string): void {
    const { rule, raising, condition } = alarm;
    const now = event === 'raised' || !condition ? undefined : condition.reading();
    this.emit({
      sequence: ++this.sequence,
      timeUs,
      alarm: rule.name,
      severity: rule.severity,
      event,
      firstOut: this.firstOut === rule.name,
      channel: raising?.channel ?? null,
      value: now ? now.value : (raising?.value ?? null),
      quality: now ? now.quality : (raising?.quality ?? quality.missing),
      unit: raising?.unit ?? '',
      advice: rule.advice,
      ...(by === undefined ? {} : { by }),
    });
  }

  private toStanding({ rule, machine, raising }: Alarm): StandingAlarm {
    const { timeUs, ...shown } = raising as Raising;
    const by = machine.acknowledgedBy;
    return {
      name: rule.name,
      severity: rule.severity,
      state: machine.isRaised ? 'raised' : 'latched',
      acknowledged: machine.isAcknowledged,
      ...(by === undefined ? {} : { acknowledgedBy: by }),
      firstOut: this.firstOut === rule.name,
      unknown: machine.isUnknown,
      sinceUs: timeUs,
      ...shown,
      advice: rule.advice,
    };
  }
}

/** Its rule is gone: what was raised is over, and the latch waits for an acknowledgement. */
function toOrphan(alarm: Alarm): Alarm {
  const machine = new AlarmMachine(alarm.rule);
  machine.inheritLatch();
  return { ...alarm, machine, condition: undefined, dueUs: Number.POSITIVE_INFINITY };
}

function sameText(a: AlarmRule, b: AlarmRule): boolean {
  return (
    a.when === b.when &&
    a.while === b.while &&
    a.clear === b.clear &&
    a.forUs === b.forUs &&
    a.armAfterUs === b.armAfterUs &&
    a.latch === b.latch
  );
}
