// `evenburn report` as it is typed: what the page of a recorded start and pull says, and what is refused.
import { spawnSync } from 'node:child_process';
import { existsSync, mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';

const root = join(import.meta.dirname, '..', '..');
const garganey = join(root, 'bus-definitions', 'garganey');
let folder: string;
let data: string;

function run(...args: string[]): { status: number | null; stdout: string; stderr: string } {
  const done = spawnSync(process.execPath, [join(root, 'server', 'start.mjs'), ...args], { encoding: 'utf8', maxBuffer: 1 << 28 });
  return { status: done.status, stdout: done.stdout, stderr: done.stderr };
}

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-report-'));
  data = join(folder, 'data');
  const log = join(folder, 'demo.log');
  run('simulate', 'demo', '--vehicle', garganey, '-o', log);
  expect(run('import', log, '--vehicle', garganey, '--data', data)).toMatchObject({ status: 0, stdout: '1\n' });
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

describe('report', () => {
  it('says what was run, and what the same recording says by the other commands', () => {
    const path = join(folder, 'report.html');
    expect(run('report', '1', '--data', data, '-o', path)).toMatchObject({ status: 0, stdout: '' });
    const page = readFileSync(path, 'utf8');
    expect(page).toContain('<title>Session 1, Garganey</title>');
    for (const head of [
      'What was run',
      'Conditions and notes',
      'Checks',
      'Pulls and holds',
      'Cylinders',
      'Plots',
      'Alarms',
      'Frames lost, by place',
      'Cautions',
    ]) {
      expect(page).toContain(`<h2>${head}</h2>`);
    }
    const pulls = JSON.parse(run('pulls', '1', '--vehicle', garganey, '--data', data, '--json').stdout) as unknown[];
    expect(page.match(/<th scope="row">(pull|hold)/g)).toHaveLength(pulls.length);
    const bus = JSON.parse(run('check', 'bus', '1', '--vehicle', garganey, '--data', data, '--json').stdout) as {
      verdicts: { ok: boolean }[];
    };
    const start = JSON.parse(run('check', 'first-start', '1', '--vehicle', garganey, '--data', data, '--json').stdout) as typeof bus;
    expect(page).toContain('First start, judged on this recording');
    const failed = [...bus.verdicts, ...start.verdicts].filter(({ ok }) => !ok).length;
    expect(page.match(/<b>NOT RIGHT<\/b>/g) ?? []).toHaveLength(failed);
    expect(page).toContain(failed === 0 ? 'no verdict fails' : `${failed} verdict`);
  });

  it('goes to standard output alone with -', () => {
    expect(run('report', '1', '--data', data, '-o', '-')).toMatchObject({
      status: 0,
      stdout: expect.stringMatching(/^<!doctype html>[\s\S]*<\/html>\n$/),
    });
  });

  it.each([
    [['report', '77', '-o', 'x.html'], 3, 'no session 77'],
    [['report', 'one', '-o', 'x.html'], 2, "'one'"],
    [['report', '1'], 2, 'output'],
    [['report', '1', '-o', 'x.html', '--reading', '9'], 3, 'no reading 9'],
    [['report', '1', '-o', 'x.html', '--reading', 'two'], 2, "'two'"],
    [['report', '1', '-o', '/no/such/folder/x.html'], 4, 'cannot be written'],
  ] as [string[], number, string][])('%j ends with %i', (args, status, word) => {
    const done = run(...args, '--data', data);
    expect(done).toMatchObject({ status, stdout: '' });
    expect(done.stderr).toContain(word);
    expect(existsSync('x.html')).toBe(false);
  });

  it('never writes over the session itself', () => {
    const path = join(data, 'sessions', '1.sqlite');
    const before = readFileSync(path);
    expect(run('report', '1', '--data', data, '-o', path).status).toBe(4);
    expect(readFileSync(path).equals(before)).toBe(true);
  });
});
