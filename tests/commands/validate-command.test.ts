// `evenburn validate`: what a shell sees of it.
import { spawnSync } from 'node:child_process';
import { cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe, expect, it } from 'vitest';

const root = join(import.meta.dirname, '../..');
const scratch = mkdtempSync(join(tmpdir(), 'evenburn-validate-'));
const run = (...args: string[]) =>
  spawnSync(process.execPath, [join(root, 'server/start.mjs'), 'validate', ...args], { encoding: 'utf8', cwd: root });

function copyOf(folder: string): string {
  const copy = join(scratch, folder.split('/').at(-1) as string);
  cpSync(join(root, folder), copy, { recursive: true });
  return copy;
}

afterAll(() => rmSync(scratch, { recursive: true }));

describe('evenburn validate', () => {
  it('answers 0 for a good folder and writes the schemas into it', () => {
    const dir = copyOf('bus-definitions/garganey');
    expect(run(dir)).toMatchObject({ status: 0, stdout: `${dir}: no errors, no warnings\n`, stderr: '' });
    expect(JSON.parse(readFileSync(join(dir, 'device.schema.json'), 'utf8'))).toHaveProperty('properties.frames');
  });

  it('answers 1 with every error of every file, one a line, on standard error', () => {
    const dir = copyOf('tests/fixtures/broken-definitions/all-at-once');
    const { status, stdout, stderr } = run(dir);
    expect(status).toBe(1);
    expect(stdout).toBe(`${dir}: 4 errors, no warnings\n`);
    const expected = readFileSync(join(dir, 'expected.txt'), 'utf8')
      .split('\n')
      .filter((line) => /^\S/.test(line))
      .map((line) => `${dir}/${line}\n`);
    expect(stderr).toBe(expected.join(''));
  });

  it('answers 0 where there are only warnings, and shows them', () => {
    const { status, stdout, stderr } = run(copyOf('tests/fixtures/broken-definitions/trunk-device-missing'));
    expect(status).toBe(0);
    expect(stdout).toContain('no errors, 1 warning');
    expect(stderr).toContain('warning TRUNK_DEVICE_MISSING');
  });

  it('answers 1 for a folder that is not there, and 2 without one', () => {
    expect(run(join(scratch, 'nowhere'))).toMatchObject({ status: 1 });
    expect(run()).toMatchObject({ status: 2, stdout: '' });
  });

  it('doubts byte orders by a recording', () => {
    const dir = copyOf('tests/fixtures/broken-definitions/trunk-device-missing');
    // Bytes 0 and 1 rise slowly, the high byte first; the device file reads them low byte first.
    const frames = Array.from({ length: 100 }, (_, i) => {
      const word = (3000 + 5 * i).toString(16).padStart(4, '0').toUpperCase();
      return `(${(1_700_000_000 + i / 100).toFixed(6)}) can0 100#${word}000000000000\n`;
    });
    const log = join(scratch, 'slow.log');
    writeFileSync(log, frames.join(''));
    const { status, stderr } = run(dir, '--recording', log);
    expect(status).toBe(0);
    expect(stderr).toContain("warning BYTE_ORDER_DOUBTFUL: 'speed' jumps");
    expect(run(dir, '--recording', join(scratch, 'nothing.log'))).toMatchObject({ status: 3 });
  });
});
