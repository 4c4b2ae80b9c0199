// What a new start would interrupt: a running engine, one that nobody knows of, a pull, a check; and nothing while all is at rest.
import { describe, expect, it } from 'vitest';
import type { Channel } from '../../server/channels/channel-list.ts';
import { quality } from '../../server/channels/quality.ts';
import type { StationStatus } from '../../server/contract/status.ts';
import { findUnderWay, type UnderWayParts } from '../../server/live/under-way.ts';

interface State {
  running?: number;
  code?: number;
  bus?: StationStatus['buses'][number]['state'];
  phase?: 'none' | 'sweep' | 'hold';
  check?: string;
  watching?: boolean;
  names?: string[];
}

function find({ running = 0, code = quality.ok, bus = 'up', phase = 'none', check, watching = false, names }: State): string[] {
  const channels = (names ?? ['oil', 'engine_running']).map((name, index) => ({ name, index }) as Channel);
  const parts: UnderWayParts = {
    station: {
      channels,
      store: { value: Float64Array.of(400, running), quality: Uint8Array.of(quality.ok, code) },
      status: () => ({ buses: [{ state: bus }] }) as unknown as StationStatus,
    },
    pulls: { view: () => ({ now: { phase } }) },
    checks: { guided: { state: () => (check === undefined ? null : { check }) }, live: { watch: () => ({ watching }) } },
  };
  return findUnderWay(parts);
}

describe('what a new start would interrupt', () => {
  it('is nothing at rest', () => {
    expect(find({})).toEqual([]);
  });

  it('is an engine that runs, and all that goes on with it', () => {
    expect(find({ running: 1 })).toEqual(['the engine runs']);
    expect(find({ running: 1, phase: 'sweep', check: 'first-start', watching: true })).toEqual([
      'the engine runs',
      'a pull is in progress',
      'the first-start check is running',
      'a wiggle or unplug test is running',
    ]);
    expect(find({ running: 1, phase: 'hold' })).toContain('a hold is in progress');
  });

  it('is an engine that nobody knows of while a bus is listened to: unknown is not at rest', () => {
    for (const code of [quality.stale, quality.missing]) {
      for (const running of [0, 1]) expect(find({ running, code })).toEqual(['whether the engine runs is not known']);
      for (const bus of ['down', 'ended', 'failed', 'none'] as const) expect(find({ code, bus })).toEqual([]);
      expect(find({ code, bus: 'starting' })).toHaveLength(1);
    }
  });

  it('is no engine where no channel tells of one', () => {
    expect(find({ names: ['oil'] })).toEqual([]);
  });
});
