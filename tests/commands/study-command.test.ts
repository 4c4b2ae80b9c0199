// pulls and study as they are typed, over three simulated evenings: as built, another plan, and with two probes exchanged.
import { spawnSync } from 'node:child_process';
import { cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';

const root = join(import.meta.dirname, '..', '..');
let folder: string;
let data: string;

function run(...args: string[]): { status: number | null; stdout: string; stderr: string } {
  const done = spawnSync(process.execPath, [join(root, 'server', 'start.mjs'), ...args], { encoding: 'utf8', maxBuffer: 1 << 28 });
  return { status: done.status, stdout: done.stdout, stderr: done.stderr };
}

/** Group A 40 K hotter at full load, probe T-02 reading 30 K low. */
function writeScenario(seed: number): string {
  const path = join(folder, `evening-${seed}.yaml`);
  const hold = '  - { stage: hold, for: 14 s, speed: 4400 rpm, load: 60 % }\n  - { stage: cool_down, for: 6 s }\n';
  writeFileSync(
    path,
    `scenario: evening\nseed: ${seed}\nstart: hot\nengine: { boost: 200 kPa, warming: 4 }\nstages:\n  - { stage: key_on, for: 3 s }\n  - { stage: start, for: 6 s }\n${hold}${hold}  - { stage: pull, from: 3000 rpm, to: 6400 rpm, rate: 500 rpm/s }\ndistribution:\n  group: { A: 40 K }\n  probe: { T-02: -30 K }\n`,
  );
  return path;
}

/** A vehicle folder of the demo's with some words of vehicle.yaml changed. */
function vehicleWith(name: string, change: (text: string) => string): string {
  const path = join(folder, name);
  cpSync(join(root, 'bus-definitions', 'garganey'), path, { recursive: true });
  const file = join(path, 'vehicle.yaml');
  writeFileSync(file, change(readFileSync(file, 'utf8')));
  return path;
}

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-study-'));
  data = join(folder, 'data');
  const exchanged = (text: string) => text.replace('T-02', 'T-0X').replace('T-05', 'T-02').replace('T-0X', 'T-05');
  const vehicles = [
    vehicleWith('first', (text) => text),
    vehicleWith('second', (text) => text.replace('plan: as-built', 'plan: alternate')),
    vehicleWith('third', exchanged),
  ];
  for (const [i, vehicle] of vehicles.entries()) {
    const log = join(folder, `${i + 1}.log`);
    run('simulate', writeScenario(i + 1), '--vehicle', vehicle, '-o', log);
    expect(run('import', log, '--vehicle', vehicle, '--data', data)).toMatchObject({ status: 0, stdout: `${i + 1}\n` });
  }
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

interface Study {
  effects: {
    kind: string;
    subject: string;
    kelvin: number | null;
    low: number | null;
    high: number | null;
    separable: boolean;
    verdict: string;
  }[];
  cylinders: { cylinder: number; differs: boolean; candidates: string[]; test: string }[];
  trials: { kind: string; change: string; predictedSpread: number; teaches: number; moves: number }[];
}

const studyOf = (...sessions: string[]): Study => JSON.parse(run('study', ...sessions, '--json', '--data', data).stdout);
const effectOf = (study: Study, kind: string, subject: string) =>
  study.effects.find((effect) => effect.kind === kind && effect.subject.startsWith(subject));

describe('pulls', () => {
  it('finds two holds and one pull of each evening, in a session as in its file', () => {
    const ofSession = run('pulls', '1', '--vehicle', join(folder, 'first'), '--json', '--data', data);
    const pulls = JSON.parse(ofSession.stdout) as { kind: string; complete: boolean }[];
    expect(pulls.map(({ kind, complete }) => `${kind} ${complete}`)).toEqual(['hold true', 'hold true', 'sweep true']);
    expect(run('pulls', join(folder, '1.log'), '--vehicle', join(folder, 'first'), '--json').stdout).toBe(ofSession.stdout);
    // A session knows its own vehicle, a file doesn't.
    expect(run('pulls', '1', '--json', '--data', data).stdout).toBe(ofSession.stdout);
    expect(run('pulls', join(folder, '1.log'), '--json')).toMatchObject({ status: 2 });
  });
});

describe('study', () => {
  it('separates nothing of groups and probes by one evening', () => {
    const study = studyOf('1');
    expect(effectOf(study, 'group', 'A')).toMatchObject({ separable: false, kelvin: null });
    expect(effectOf(study, 'probe', 'T-02')).toMatchObject({ separable: false, kelvin: null });
    expect(study.trials[0]).toMatchObject({ kind: 'set-off', moves: 0 });
  });

  it('finds the group by another plan, and leaves the probe open', () => {
    const study = studyOf('1', '2');
    const group = effectOf(study, 'group', 'A');
    expect(group?.separable).toBe(true);
    expect(group?.low).toBeGreaterThan(0);
    expect(effectOf(study, 'probe', 'T-02')?.separable).toBe(false);
  });

  it('finds the probe that reads low by its exchange, and leaves the group open', () => {
    const study = studyOf('1', '3');
    const probe = effectOf(study, 'probe', 'T-02');
    expect(probe?.separable).toBe(true);
    // −30 K in one of six: −25 K from their mean.
    expect(probe?.verdict).toBe('effect');
    expect(probe?.low).toBeLessThan(-25);
    expect(probe?.high).toBeGreaterThan(-25);
    expect(effectOf(study, 'group', 'A')?.separable).toBe(false);
  });

  it('reads recorded files with their vehicle folder, and says so without one', () => {
    const files = run('study', join(folder, '1.log'), '--vehicle', join(folder, 'first'), '--json');
    expect((JSON.parse(files.stdout) as Study).effects).toEqual(studyOf('1').effects);
    expect(run('study', join(folder, '1.log'))).toMatchObject({ status: 2 });
  });

  it('ends with 3 for a session that is not there, and 2 for none', () => {
    expect(run('study', '99', '--data', data).status).toBe(3);
    expect(run('study', '--data', data).status).toBe(2);
  });

  it('prints for people what was found, what is open, and what to try', () => {
    const { stdout, status } = run('study', '1', '2', '3', '--data', data);
    expect(status).toBe(0);
    expect(stdout).toMatch(/group A of plenum: .* K \(/);
    expect(stdout).toMatch(/not separated by these sessions/);
    expect(stdout).toMatch(/Trials, the most telling first/);
  });
});
