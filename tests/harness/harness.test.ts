// The harness from its file: ways from a pin and back, what to unplug, contradictions, drop and fusing, continuity.
import { beforeAll, describe, expect, it } from 'vitest';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { judgeCircuit, judgeContinuity, judgeFuses } from '../../server/harness/circuit-load.ts';
import { findContradictions, type Harness, reachedFrom, readHarness, runsOf, unplugLists, wiresAt } from '../../server/harness/harness.ts';

let demo: Harness;
beforeAll(async () => {
  demo = readHarness(await getVehicle('bus-definitions/garganey')) as Harness;
});

/** A harness file as the loader hands it over: groups of keys are Maps. */
function fromFile(file: object): Harness {
  const toMaps = (value: unknown): unknown =>
    Array.isArray(value) || typeof value !== 'object' || value === null
      ? value
      : new Map(Object.entries(value).map(([key, inner]) => [key, Array.isArray(inner) ? inner.map(toMaps) : toMaps(inner)]));
  return readHarness({ harness: toMaps(file) } as unknown as Vehicle) as Harness;
}

const lamp = (wire: object, rest: object = {}) =>
  fromFile({
    connectors: { box: { pins: [1] }, lamp: { pins: [1] } },
    circuits: { feed: { load: '5 A' } },
    fuses: { F1: { rating: '10 A' } },
    wires: [{ from: 'box.1', to: 'lamp.1', circuit: 'feed', ...wire }],
    ...rest,
  });

describe('a harness', () => {
  it('has none where the vehicle has no file', () => {
    expect(readHarness({} as Vehicle)).toBeUndefined();
  });

  it('leads from a controller pin through the bulkhead to its injector, and back', () => {
    expect(reachedFrom(demo, 'controller-a.3')).toEqual(['controller-a.3', 'bulkhead.A3', 'port-injector-3.1']);
    expect(reachedFrom(demo, 'port-injector-3.1')).toEqual(['port-injector-3.1', 'bulkhead.A3', 'controller-a.3']);
    expect(wiresAt(demo, 'bulkhead.A3').map(({ gauge, colour }) => [gauge, colour])).toEqual([
      ['AWG 20', 'white/orange'],
      ['AWG 20', 'white/orange'],
    ]);
  });

  it('knows the twelve injector feeds of the bulkhead, and that unplugging it frees the engine', () => {
    const feeds = demo.circuits.filter(({ anyPinOf }) => anyPinOf !== undefined);
    expect(feeds).toHaveLength(12);
    expect(unplugLists(demo).map(({ frees, connectors }) => [frees, connectors.map(({ name }) => name)])).toEqual([
      ['engine out', ['bulkhead']],
    ]);
    expect(demo.connectors.find(({ name }) => name === 'bulkhead')?.halves.map(({ side, gender }) => [side, gender])).toEqual([
      ['engine', 'sockets'],
      ['car', 'pins'],
    ]);
  });

  it('takes the two legs of a probe for two runs, and a feed through the bulkhead for one', () => {
    const runs = runsOf(demo);
    expect(runs.filter(({ circuit }) => circuit === 'probe-1').map(({ ends }) => ends)).toEqual([
      ['thermocouples.1p', 'probe-1.p'],
      ['thermocouples.1n', 'probe-1.n'],
    ]);
    expect(runs.filter(({ circuit }) => circuit === 'port-feed-1').map(({ ends }) => ends)).toEqual([
      ['controller-a.1', 'port-injector-1.1'],
    ]);
    expect(runs.reduce((sum, { wires }) => sum + wires.length, 0)).toBe(demo.wires.length);
  });

  it('contradicts itself nowhere in the demo', () => {
    expect(findContradictions(demo)).toEqual([]);
  });

  it.each([
    ['a connector that is not there', { from: 'box.1', to: 'nowhere.1', circuit: 'feed' }, /no connector nowhere/],
    ['a circuit that is not there', { from: 'box.1', to: 'lamp.1', circuit: 'other' }, /circuit other that there is not/],
    ['a fuse that is not there', { from: 'box.1', to: 'lamp.1', circuit: 'feed', fuse: 'F9' }, /fuse F9 that there is not/],
  ])('tells %s', (_what, wire, says) => {
    expect(findContradictions(lamp({}, { wires: [wire] })).map(({ say }) => say)).toEqual([expect.stringMatching(says)]);
  });

  it('tells two circuits on one pin, and a circuit outside its group of pins', () => {
    const harness = fromFile({
      connectors: { a: { pins: [1, 2] }, b: { pins: [1, 2, 3] } },
      pin_groups: { feeds: ['b.1', 'b.2'] },
      circuits: { one: { any_pin_of: 'feeds' }, two: { any_pin_of: 'feeds' } },
      wires: [
        { from: 'a.1', to: 'b.1', circuit: 'one' },
        { from: 'a.1', to: 'b.3', circuit: 'two' },
      ],
    });
    expect(findContradictions(harness).map(({ say }) => say)).toEqual([
      'pin a.1 carries one and two',
      'circuit two touches no pin of feeds',
    ]);
  });
});

describe('a circuit', () => {
  it('of 3 m of AWG 20 at 5 A loses 0.999 V there and back at 20 °C and 1.235 V hot, and is warned of', () => {
    const load = judgeCircuit(lamp({ gauge: 20, length: '3 m' }), 'feed', 12);
    // 0.099924 Ω; hot × (1 + 0.00393 × 60).
    expect(load.ohm).toBeCloseTo(0.099924, 5);
    expect(load.dropV).toBeCloseTo(0.99924 * 1.2358, 3);
    expect(load.warnings).toEqual([expect.stringMatching(/loses 1\.23 V \(10\.3 %\)/)]);
  });

  it('is warned of when its fuse lets more through than its thinnest wire carries, and not when it does not', () => {
    expect(judgeCircuit(lamp({ gauge: 24, length: '0.2 m', fuse: 'F1' }), 'feed').warnings.join()).toMatch(
      /fuse F1 of 10 A does not protect/,
    );
    expect(judgeCircuit(lamp({ gauge: 18, length: '0.2 m', fuse: 'F1' }), 'feed').warnings).toEqual([]);
  });

  it('is not judged where the file says too little, and the lines that would let it be are named', () => {
    const load = judgeCircuit(lamp({}, { circuits: { feed: {} } }), 'feed');
    expect([load.ohm, load.dropV, load.warnings]).toEqual([undefined, undefined, []]);
    expect(load.missing).toEqual(['wires: gauge: and length: of every wire of feed', 'circuits: feed: { load: ... A }']);
  });

  it('counts two wires side by side as one of half the resistance, and wires in a row as their sum', () => {
    const wire = { circuit: 'feed', gauge: 20, length: '1 m' };
    const ends = { connectors: { box: {}, lamp: {}, joint: {} } };
    const beside = lamp(
      {},
      {
        ...ends,
        wires: [
          { from: 'box.1', to: 'lamp.1', ...wire },
          { from: 'lamp.1', to: 'box.1', ...wire },
        ],
      },
    );
    const inRow = lamp(
      {},
      {
        ...ends,
        wires: [
          { from: 'box.1', to: 'joint.1', ...wire },
          { from: 'joint.1', to: 'lamp.1', ...wire },
        ],
      },
    );
    expect(judgeCircuit(beside, 'feed').ohm).toBeCloseTo(0.033308 / 2, 5);
    expect(judgeCircuit(inRow, 'feed').ohm).toBeCloseTo(0.033308 * 2, 5);
  });

  it('adds up behind its fuse', () => {
    const port = judgeFuses(demo).find(({ fuse }) => fuse === 'F3');
    expect(port?.loadA).toBeCloseTo(7.2, 6);
    expect(port?.warning).toBeUndefined();
  });
});

describe('a continuity reading', () => {
  const run = () => runsOf(lamp({ gauge: 20, length: '3 m' }))[0]?.wires ?? [];

  it.each([
    [0.1, true, /whole/],
    [0.6, true, /whole/],
    [0.7, false, /bad crimp/],
    [47, false, /bad crimp/],
    [Number.POSITIVE_INFINITY, false, /open/],
    [-1, false, /power on the wire/],
    [Number.NaN, false, /power on the wire/],
  ])('of %s ohm on 3 m of AWG 20', (ohm, ok, says) => {
    const verdict = judgeContinuity(run(), ohm);
    expect(verdict.ok).toBe(ok);
    expect(verdict.say).toMatch(says);
    expect(verdict.limitOhm).toBeCloseTo(0.0999 * 1.25 + 0.5, 3);
  });

  it('of nearly nothing on a long thermocouple wire is a short on the way', () => {
    const [positive] = runsOf(demo).filter(({ circuit }) => circuit === 'probe-1');
    expect(judgeContinuity(positive?.wires ?? [], 0.2)).toMatchObject({ ok: false, say: expect.stringMatching(/shorted/) });
    expect(judgeContinuity(positive?.wires ?? [], 6.3).ok).toBe(true);
  });
});
