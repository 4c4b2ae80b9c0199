// evenburn check as it is typed: exit codes and what stands on which stream.
import { spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';

const root = join(import.meta.dirname, '..', '..');
const garganey = join(root, 'bus-definitions', 'garganey');
let folder = '';
let log = '';

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-check-'));
  log = join(folder, 'frames.log');
  writeFileSync(log, '(1700000000.000000) can0 123#00\n(1700000001.000000) can0 123#01\n');
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

function run(...args: string[]): { status: number | null; stdout: string; stderr: string } {
  const done = spawnSync(process.execPath, [join(root, 'server', 'start.mjs'), 'check', ...args, '--vehicle', garganey], {
    encoding: 'utf8',
  });
  return { status: done.status, stdout: done.stdout, stderr: done.stderr };
}

describe('check --order', () => {
  it.each(['1,9', '0', '3,three', '2,2'])("of '%s' on an engine of six cylinders is a usage error, and nothing is judged", (order) => {
    const { status, stdout, stderr } = run('probes', log, `--order=${order}`);
    expect([status, stdout]).toEqual([2, '']);
    expect(stderr).toMatch(/^evenburn: --order names cylinders of this engine, 1 to 6, each once/);
  });

  it('of cylinders that the engine has is taken', () => {
    const { status, stdout } = run('probes', log, '--order', '3,1,2,6,5,4', '--json');
    expect(status).toBe(1);
    expect(JSON.parse(stdout)).toMatchObject({ check: 'probes', frames: 2, seconds: 1 });
  });
});
