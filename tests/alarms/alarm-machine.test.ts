// One alarm's state machine: every state by every action, its times, and that unknown neither raises nor clears.
import { describe, expect, it } from 'vitest';
import { AlarmMachine, type AlarmTruths, type Truth } from '../../server/alarms/alarm-machine.ts';

const plain = { armAfterUs: 0, forUs: 0, latch: false };
/** Given as a list, since a missing argument would be as undefined as an unknown one. */
const truths = (...given: [when: Truth, gate?: Truth, over?: Truth]): AlarmTruths => {
  const [when] = given;
  return { when, while: given.length > 1 ? given[1] : true, over: given.length > 2 ? given[2] : when === undefined ? undefined : !when };
};

type StateName = 'idle' | 'raised' | 'acknowledged' | 'latched';

function stateOf(machine: AlarmMachine): StateName {
  if (machine.isRaised) return machine.isAcknowledged ? 'acknowledged' : 'raised';
  return machine.isStanding ? 'latched' : 'idle';
}

/** A machine brought into a state at time 0. */
function machineIn(state: StateName, latch: boolean): AlarmMachine {
  const machine = new AlarmMachine({ ...plain, latch });
  machine.step(0, truths(false));
  if (state === 'idle') return machine;
  machine.step(10, truths(true));
  if (state === 'acknowledged') machine.acknowledge('crew');
  if (state === 'latched') machine.step(20, truths(false));
  return machine;
}

type Action = 'true' | 'false' | 'unknown' | 'gate closes' | 'gate unknown' | 'acknowledge';

const actions: Record<Action, (machine: AlarmMachine) => unknown> = {
  true: (machine) => machine.step(30, truths(true)),
  false: (machine) => machine.step(30, truths(false)),
  unknown: (machine) => machine.step(30, truths(undefined)),
  'gate closes': (machine) => machine.step(30, truths(true, false)),
  'gate unknown': (machine) => machine.step(30, truths(true, undefined)),
  acknowledge: (machine) => machine.acknowledge('crew'),
};

/** [state, latch, action, what happens, state after]. `idle` under an unknown gate stays armed, since the gate was open. */
const matrix: [StateName, boolean, Action, unknown, StateName][] = [
  ['idle', false, 'true', 'raised', 'raised'],
  ['idle', false, 'false', undefined, 'idle'],
  ['idle', false, 'unknown', undefined, 'idle'],
  ['idle', false, 'gate closes', undefined, 'idle'],
  ['idle', false, 'gate unknown', 'raised', 'raised'],
  ['idle', false, 'acknowledge', false, 'idle'],
  ['raised', false, 'true', undefined, 'raised'],
  ['raised', false, 'false', 'cleared', 'idle'],
  ['raised', false, 'unknown', undefined, 'raised'],
  ['raised', false, 'gate closes', 'cleared', 'idle'],
  ['raised', false, 'gate unknown', undefined, 'raised'],
  ['raised', false, 'acknowledge', true, 'acknowledged'],
  ['acknowledged', false, 'true', undefined, 'acknowledged'],
  ['acknowledged', false, 'false', 'cleared', 'idle'],
  ['acknowledged', false, 'unknown', undefined, 'acknowledged'],
  ['acknowledged', false, 'gate closes', 'cleared', 'idle'],
  ['acknowledged', false, 'gate unknown', undefined, 'acknowledged'],
  ['acknowledged', false, 'acknowledge', false, 'acknowledged'],
  ['raised', true, 'true', undefined, 'raised'],
  ['raised', true, 'false', 'cleared', 'latched'],
  ['raised', true, 'unknown', undefined, 'raised'],
  ['raised', true, 'gate closes', 'cleared', 'latched'],
  ['raised', true, 'acknowledge', true, 'acknowledged'],
  ['acknowledged', true, 'true', undefined, 'acknowledged'],
  ['acknowledged', true, 'false', 'cleared', 'idle'],
  ['acknowledged', true, 'unknown', undefined, 'acknowledged'],
  ['acknowledged', true, 'gate closes', 'cleared', 'idle'],
  ['latched', true, 'true', 'raised', 'raised'],
  ['latched', true, 'false', undefined, 'latched'],
  ['latched', true, 'unknown', undefined, 'latched'],
  ['latched', true, 'gate closes', undefined, 'latched'],
  ['latched', true, 'gate unknown', 'raised', 'raised'],
  ['latched', true, 'acknowledge', true, 'idle'],
];

describe('state by action', () => {
  it.each(matrix)('%s (latch: %s), %s: %s, then %s', (state, latch, action, happens, after) => {
    const machine = machineIn(state, latch);
    expect(stateOf(machine)).toBe(state);
    expect(actions[action](machine)).toBe(happens);
    expect(stateOf(machine)).toBe(after);
  });
});

describe('times', () => {
  it('raises when the condition has held for its time, and begins anew when it was broken', () => {
    const machine = new AlarmMachine({ ...plain, forUs: 300 });
    expect(machine.step(0, truths(true))).toBeUndefined();
    expect(machine.dueUs(0)).toBe(300);
    expect(machine.step(290, truths(false))).toBeUndefined();
    expect(machine.dueUs(290)).toBe(Number.POSITIVE_INFINITY);
    expect(machine.step(300, truths(true))).toBeUndefined();
    expect(machine.step(599, truths(true))).toBeUndefined();
    expect(machine.step(600, truths(true))).toBe('raised');
  });

  it('arms behind the gate, counts the condition from there, and disarms with the gate', () => {
    const machine = new AlarmMachine({ armAfterUs: 3000, forUs: 300, latch: false });
    machine.step(0, truths(true, false));
    machine.step(1000, truths(true, true));
    expect(machine.dueUs(1000)).toBe(4000);
    expect(machine.step(4000, truths(true))).toBeUndefined();
    expect(machine.dueUs(4000)).toBe(4300);
    machine.step(4100, truths(true, false));
    machine.step(4200, truths(true, true));
    expect(machine.step(4300, truths(true))).toBeUndefined();
    expect(machine.step(7200, truths(true))).toBeUndefined();
    expect(machine.step(7500, truths(true))).toBe('raised');
  });

  it('keeps the last state of a gate that is bad, and arms in it', () => {
    const machine = new AlarmMachine({ ...plain, armAfterUs: 1000 });
    machine.step(0, truths(false, true));
    machine.step(500, truths(true, undefined));
    expect(machine.isUnknown).toBe(true);
    expect(machine.step(1000, truths(true, undefined))).toBe('raised');
  });

  it('does not arm on a gate that was never known', () => {
    const machine = new AlarmMachine(plain);
    expect(machine.step(0, truths(true, undefined))).toBeUndefined();
    expect(machine.isStanding).toBe(false);
  });

  it('waits for its own clear condition', () => {
    const machine = new AlarmMachine(plain);
    expect(machine.step(0, truths(true, true, false))).toBe('raised');
    expect(machine.step(10, truths(false, true, false))).toBeUndefined();
    expect(machine.step(20, truths(false, true, undefined))).toBeUndefined();
    expect(machine.isUnknown).toBe(true);
    expect(machine.step(30, truths(false, true, true))).toBe('cleared');
  });

  it('goes on alike from a saved state', () => {
    const machine = new AlarmMachine({ ...plain, forUs: 300 });
    machine.step(0, truths(true));
    const other = new AlarmMachine({ ...plain, forUs: 300 });
    other.restore(JSON.parse(JSON.stringify(machine.save())));
    expect(other.dueUs(0)).toBe(300);
    expect(other.step(300, truths(true))).toBe('raised');
  });
});
