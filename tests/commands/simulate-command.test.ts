// `evenburn simulate`: the same file every time, readable by our own decoder, and an exit code that says what went wrong.
import { spawnSync } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { gunzipSync } from 'node:zlib';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';

const root = new URL('../..', import.meta.url).pathname;
const garganey = join(root, 'bus-definitions', 'garganey');
let folder = '';

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-simulate-'));
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

function evenburn(...args: string[]): { code: number | null; stdout: string; stderr: string } {
  const run = `import { main } from ${JSON.stringify(join(root, 'dist/program/main.js'))}; await main(process.argv.slice(1));`;
  const done = spawnSync(process.execPath, ['--input-type=module', '-e', run, ...args], { encoding: 'utf8' });
  return { code: done.status, stdout: done.stdout, stderr: done.stderr };
}

describe('evenburn simulate', () => {
  it('writes the same bytes each time, gzip or not, and nothing but the counts beside them', () => {
    const [first, second, zipped] = ['a.log', 'b.log', 'c.log.gz'].map((name) => join(folder, name)) as [string, string, string];
    const done = [first, second, zipped].map((path) => evenburn('simulate', 'demo', '--vehicle', garganey, '-o', path, '--seconds', '12'));
    expect(done.map(({ code, stdout }) => [code, stdout])).toEqual([
      [0, ''],
      [0, ''],
      [0, ''],
    ]);
    const text = readFileSync(first);
    expect(readFileSync(second).equals(text)).toBe(true);
    expect(gunzipSync(readFileSync(zipped)).equals(text)).toBe(true);
    const lines = text.toString().trimEnd().split('\n');
    expect(done[0]?.stderr).toContain(`${lines.length} frames of 12.0 s`);
    expect(lines[0]).toMatch(/^\(170000000[01]\.\d{6}\) can[01] [0-9A-F]+#[0-9A-F]+$/);
    expect(new Set(lines.map((line) => line.split(' ')[1]))).toEqual(new Set(['can0', 'can1']));
    const stamps = lines.map((line) => line.slice(1, 18));
    expect([...stamps].sort()).toEqual(stamps);
  });

  it('writes to standard output when asked', () => {
    const { code, stdout } = evenburn('simulate', 'demo', '--vehicle', garganey, '-o', '-', '--seconds', '2');
    expect(code).toBe(0);
    expect(stdout.split('\n').length).toBeGreaterThan(200);
  });

  it('names each fault of a scenario with its place and exits with 3', () => {
    const path = join(folder, 'bad.yaml');
    writeFileSync(path, 'scenario: bad\nstages:\n  - { stage: idel }\nfaults:\n  - { fault: open_probe, cylinder: 7 }\n');
    const { code, stderr, stdout } = evenburn('simulate', path, '--vehicle', garganey, '-o', join(folder, 'x.log'));
    expect([code, stdout]).toEqual([3, '']);
    expect(stderr).toContain(`${path}:3:14: `);
    expect(stderr).toContain(`${path}:5:36: `);
  });

  it.each([
    [3, ['simulate', 'no-such-scenario', '--vehicle', garganey, '-o', '/dev/null']],
    [3, ['simulate', 'demo', '--vehicle', join(root, 'nowhere'), '-o', '/dev/null']],
    [4, ['simulate', 'demo', '--vehicle', garganey, '-o', '/nowhere/at/all.log']],
    [2, ['simulate', 'demo', '--vehicle', garganey]],
    [2, ['simulate', 'demo', '--vehicle', garganey, '-o', '/dev/null', '--seconds', 'long']],
  ])('exits with %i for %j', (code, args) => {
    const done = evenburn(...args);
    expect(done.code).toBe(code);
    expect(done.stderr).not.toBe('');
    expect(done.stdout).toBe('');
  });
});
