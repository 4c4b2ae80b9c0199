// Scenario files: what is wrong is located, all of it at once; stages and faults lie where the file says.
import { readdirSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { faultKinds, getFaultKind } from '../../server/simulator/fault.ts';
import { parseScenario } from '../../server/simulator/scenario-file.ts';
import { getScenario } from '../../server/simulator/scenario-library.ts';
import { stageKinds } from '../../server/simulator/scenario-stages.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';
import { readScenario } from '../doubles/simulated-run.ts';

const vehicle = makeVehicle({ cylinders: 4, plenum: true });
const garganey = new URL('../../bus-definitions/garganey', import.meta.url).pathname;
const page = readFileSync(new URL('../../docs/simulator.md', import.meta.url), 'utf8');

function problemsOf(text: string): string[] {
  return parseScenario(text, 's.yaml', vehicle).problems.map(({ line, column, found }) => `${line}:${column} ${found}`);
}

describe('a scenario file', () => {
  it('names every fault with its place, all at once', () => {
    const text = `scenario: bad
seeds: 4
ambient: { temperature: 20 }
stages:
  - { stage: idel, for: 3 s }
  - { stage: hold, for: 3 kPa, speed: 4000 rpm, lode: 50 % }
  - { stage: warm_probe, cylinder: 9 }
plan: { plenum: sideways }
off: [second]
faults:
  - { fault: dead_injector }
  - { fault: device_silent, device: box }
  - { fault: trunk_break, stretch: [engine-ecu, pressure-box] }
  - { fault: open_probe, cylinder: 1, during: pull }
`;
    expect(problemsOf(text).sort()).toEqual(
      [
        '2:1 seeds',
        '3:25 20',
        '5:14 idel',
        '6:25 3 kPa',
        '6:49 lode',
        '7:36 9',
        '8:17 sideways',
        '9:6 [second]',
        '11:5 { fault: dead_injector }',
        '12:37 box',
        '13:36 [engine-ecu, pressure-box]',
        '14:47 pull',
      ].sort(),
    );
  });

  it('offers the nearest name', () => {
    const { problems } = parseScenario('scenario: x\nstages: [{ stage: idel }]', 's.yaml', vehicle);
    expect(problems[0]?.fix).toContain("'idle'");
  });

  it.each([
    '',
    '- a list',
    'scenario: x',
    'scenario: x\nstages: []',
    'scenario: [\n',
    'scenario: x\nstages: [3]',
    'stages: [{ stage: idle }]',
  ])('says what is wrong with %j instead of failing', (text) => {
    expect(problemsOf(text).length).toBeGreaterThan(0);
  });

  it('lays stages end to end, repeats them, and knows how long a pull takes', () => {
    const scenario = readScenario(
      `scenario: x
stages:
  - { stage: key_on, for: 1.5 s }
  - stage: repeat
    times: 2
    stages: [{ stage: pull, from: 3000 rpm, to: 5000 rpm, rate: 500 rpm/s }, { stage: rest, for: 500 ms }]
  - { stage: stop, for: 2 min }
`,
      vehicle,
    );
    // A pull: 2 s of lead, 2000 rpm at 500 rpm/s, 2 s lifted.
    expect(scenario.stages.map(({ kind, fromS, toS }) => [kind, fromS, toS])).toEqual([
      ['key_on', 0, 1.5],
      ['pull', 1.5, 9.5],
      ['rest', 9.5, 10],
      ['pull', 10, 18],
      ['rest', 18, 18.5],
      ['stop', 18.5, 138.5],
    ]);
    expect(scenario.lengthS).toBe(138.5);
  });

  it('places faults by time, and by the stage that they come in', () => {
    const { faults } = readScenario(
      `scenario: x
stages: [{ stage: key_on, for: 4 s }, { stage: idle, for: 10 s, as: first }, { stage: idle, for: 10 s }]
faults:
  - { fault: no_sync }
  - { fault: no_fuel, from: 2 s, to: 3 s }
  - { fault: open_probe, cylinder: 1, during: first, after: 2 s }
  - { fault: open_probe, cylinder: 2, during: idle, after: 1 s, for: 3 s }
  - { fault: dead_injector, cylinder: 7, if_present: true }
`,
      vehicle,
    );
    expect(faults.map(({ kind, fromUs, toUs }) => [kind, fromUs / 1e6, toUs / 1e6])).toEqual([
      ['no_sync', 0, Number.POSITIVE_INFINITY],
      ['no_fuel', 2, 3],
      ['open_probe', 6, 14],
      ['open_probe', 15, 18],
    ]);
  });

  it('reads errors by numbered cylinders and by names', () => {
    const { distribution, trims } = readScenario(
      `scenario: x
stages: [{ stage: idle }]
trims: { port: { 3: 4 % } }
distribution: { cylinder: { 2: -3 % }, probe: { T-1: 8 K }, group: { A: 2 % }, position: -1.5 % }
`,
      vehicle,
    );
    expect(trims.get('port')?.get(3)).toBe(4);
    expect(distribution.cylinder.get(2)).toEqual({ richerPercent: -3, hotterK: 0 });
    expect(distribution.probe.get('T-1')).toEqual({ richerPercent: 0, hotterK: 8 });
    expect(distribution.group.get('A')).toEqual({ richerPercent: 2, hotterK: 0 });
    expect(distribution.position).toEqual({ richerPercent: -1.5, hotterK: 0 });
  });
});

describe('scenarios that come with the program', () => {
  const names = readdirSync(`${garganey}/scenarios`).map((file) => file.replace('.yaml', ''));

  it.each(names)('%s reads without a fault on the demo vehicle', async (name) => {
    const scenario = await getScenario(name, await getVehicle(garganey));
    expect(scenario.name).toBe(name);
    expect(scenario.lengthS).toBeGreaterThan(30);
  });

  it('runs the demo on any vehicle, and in three to four minutes at most', async () => {
    const demo = await getScenario('demo', makeVehicle({ cylinders: 2 }));
    expect(demo.faults).toEqual([]);
    expect(demo.lengthS).toBeLessThan(240);
    expect(demo.rounds).toBe(Number.POSITIVE_INFINITY);
  });

  it('says when there is no scenario of a name', async () => {
    await expect(getScenario('nothing-like-it', vehicle)).rejects.toMatchObject({ code: 'SCENARIO_MISSING' });
  });
});

describe('docs/simulator.md', () => {
  const rowsBelow = (heading: string): string[] => {
    const part = (page.split(`## ${heading}\n`)[1] as string).split('\n## ')[0] as string;
    return [...part.matchAll(/^\| `(\w+)` \|/gm)].map((match) => match[1] as string);
  };

  it('lists the stages that there are', () => {
    expect(rowsBelow('Stages').sort()).toEqual([...Object.keys(stageKinds), 'repeat'].sort());
  });

  it('lists the faults that there are, with what each needs', () => {
    expect(rowsBelow('Faults').sort()).toEqual(Object.keys(faultKinds).sort());
    for (const kind of Object.keys(faultKinds) as (keyof typeof faultKinds)[]) {
      const row = page.split('\n').find((line) => line.startsWith(`| \`${kind}\` |`)) as string;
      for (const need of getFaultKind(kind).needs) expect(row).toContain(`\`${need}\``);
    }
  });
});
