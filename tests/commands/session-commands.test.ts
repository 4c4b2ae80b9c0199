// import, export, reread, backup and repair as they are typed: what stands on standard output, exit codes, and files that come back the same.
import { spawn, spawnSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import { once } from 'node:events';
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { DuckDBInstance } from '@duckdb/node-api';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { hasValue, qualityNames } from '../../server/channels/quality.ts';
import { ReadingFile } from '../../server/recording/reading-file.ts';
import { readingRows } from '../../server/recording/reading-rows.ts';
import { SessionFile } from '../../server/recording/session-file.ts';

const root = join(import.meta.dirname, '..', '..');
const garganey = join(root, 'bus-definitions', 'garganey');
let folder: string;
let data: string;
let log: string;

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-commands-'));
  data = join(folder, 'data');
  log = join(folder, 'demo.log');
  run('simulate', 'demo', '--vehicle', garganey, '--seconds', '25', '-o', log);
  expect(run('import', log, '--vehicle', garganey, '--data', data)).toMatchObject({ status: 0, stdout: '1\n' });
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

function run(...args: string[]): { status: number | null; stdout: string; stderr: string } {
  const done = spawnSync(process.execPath, [join(root, 'server', 'start.mjs'), ...args], { encoding: 'utf8', maxBuffer: 1 << 28 });
  return { status: done.status, stdout: done.stdout, stderr: done.stderr };
}

const hash = (path: string): string => createHash('sha256').update(readFileSync(path)).digest('hex');

/** The stored samples, a line each: what every export of samples must say. */
function storedSamples(session: number): { us: number; channel: string; value: number | null; quality: string; unit: string }[] {
  const file = SessionFile.open(data, session);
  const reading = new ReadingFile(file, 1);
  const channels = [...reading.channels];
  const rows = [];
  for (const batch of readingRows(reading, channels)) {
    for (let i = 0; i < batch.count; i++) {
      const code = batch.quality[i] as number;
      const { name, unit } = channels[batch.channel[i] as number] as { name: string; unit: string };
      const value = hasValue(code) ? (batch.value[i] as number) : null;
      rows.push({ us: batch.timeUs[i] as number, channel: name, value, quality: qualityNames[code] as string, unit });
    }
  }
  file.close();
  return rows;
}

describe('export and import', () => {
  it.each(['log', 'pcapng'])('give the same bytes over and over as %s', (format) => {
    const [first, second] = [join(folder, `first.${format}`), join(folder, `second.${format}`)];
    expect(run('export', '1', '--format', format, '-o', first, '--data', data).status).toBe(0);
    const { stdout } = run('import', first, '--vehicle', garganey, '--data', data);
    expect(stdout).toMatch(/^\d+\n$/);
    expect(run('export', stdout.trim(), '--format', format, '-o', second, '--data', data).status).toBe(0);
    expect(hash(second)).toBe(hash(first));
    if (format === 'log') expect(hash(first)).toBe(hash(log));
  });

  it('hand over a whole session, which comes back bit for bit and needs no vehicle folder', () => {
    const given = join(folder, 'given.sqlite');
    expect(run('export', '1', '--format', 'session', '-o', given, '--data', data).status).toBe(0);
    const { stdout, status } = run('import', given, '--data', data);
    expect(status).toBe(0);
    const number = stdout.trim();
    expect(hash(join(data, 'sessions', `${number}.sqlite`))).toBe(hash(given));
    expect(run('reread', number, '--as-recorded', '--data', data).stdout).toContain('identical');
  });

  it('write samples as Parquet that DuckDB reads back to the last bit', async () => {
    const path = join(folder, 'samples.parquet');
    expect(run('export', '1', '--format', 'parquet', '-o', path, '--data', data).status).toBe(0);
    const rows = await duck(`SELECT time_us, channel, value, quality, unit FROM read_parquet('${path}')`);
    const got = rows.map(([us, channel, value, quality, unit]) => ({ us: Number(us), channel, value, quality, unit }));
    const expected = storedSamples(1);
    expect(got.length).toBe(expected.length);
    expect(got).toEqual(expected);
  });

  it('write samples as CSV that DuckDB reads back to the last bit', async () => {
    const path = join(folder, 'samples.csv');
    expect(run('export', '1', '--format', 'csv', '-o', path, '--data', data).status).toBe(0);
    const types =
      "{'t': 'DECIMAL(30,6)', 'bus': 'VARCHAR', 'channel': 'VARCHAR', 'value': 'DOUBLE', 'quality': 'VARCHAR', 'unit': 'VARCHAR'}";
    const rows = await duck(
      `SELECT CAST(t * 1000000 AS BIGINT), channel, value, quality, coalesce(unit, '') FROM read_csv('${path}', columns = ${types}, header = true)`,
    );
    const got = rows.map(([us, channel, value, quality, unit]) => ({ us: Number(us), channel, value, quality, unit }));
    // Going stale is a state and not a sample: it is no line.
    expect(got).toEqual(storedSamples(1).filter(({ quality }) => quality !== 'stale'));
  });

  it('write a table with a column a channel, as of each line', () => {
    const { stdout } = run(
      'export',
      '1',
      '--format',
      'csv',
      '--channels',
      'engine_speed,coolant_temp',
      '--every',
      '500ms',
      '-o',
      '-',
      '--data',
      data,
    );
    const [head, ...lines] = stdout.trimEnd().split('\n');
    expect(head).toBe('t,engine_speed [rpm],coolant_temp [degC]');
    const samples = storedSamples(1);
    for (const line of [lines[0], lines[20], lines.at(-1)]) {
      const [t, ...cells] = (line ?? '').split(',');
      const us = Math.round(Number(t) * 1e6);
      expect(us % 500_000).toBe(0);
      const expected = ['engine_speed', 'coolant_temp'].map((channel) => {
        const last = samples.filter((sample) => sample.channel === channel && sample.us <= us).at(-1);
        return last?.value === undefined || last.value === null ? '' : String(last.value);
      });
      expect(cells).toEqual(expected);
    }
  });
});

async function duck(sql: string): Promise<unknown[][]> {
  const instance = await DuckDBInstance.create(':memory:');
  const connection = await instance.connect();
  const rows = await (await connection.runAndReadAll(sql)).getRows();
  connection.closeSync();
  return rows as unknown[][];
}

describe('reread', () => {
  it('says identical by the same definitions, and what changed by others', () => {
    expect(run('reread', '1', '--vehicle', garganey, '--data', data)).toMatchObject({
      status: 0,
      stdout: expect.stringMatching(/^session 1: reading 2, beside reading 1\nidentical: \d+ samples/),
    });
    const changed = join(folder, 'changed');
    spawnSync('cp', ['-r', join(root, 'bus-definitions'), changed]);
    const vehicle = join(changed, 'garganey');
    const limits = readFileSync(join(vehicle, 'vehicle.yaml'), 'utf8');
    writeFileSync(join(vehicle, 'vehicle.yaml'), `${limits}`.replace(/exhaust_temp: \d+ degC/, 'exhaust_temp: 15 degC'));
    const { stdout, status } = run('reread', '1', '--vehicle', vehicle, '--data', data, '--json');
    expect(status).toBe(0);
    const told = JSON.parse(stdout) as { identical: boolean; reading: number; beside: number };
    expect(told).toMatchObject({ identical: false, reading: 3, beside: 1 });
  });
});

describe('reread of several sessions', () => {
  it('says a line of JSON a session, goes on behind one that is not there, and ends with 1 then', () => {
    expect(run('import', log, '--vehicle', garganey, '--data', data).status).toBe(0);
    const { stdout, stderr, status } = run('reread', '1', '99', '2', '--vehicle', garganey, '--data', data, '--json');
    expect(status).toBe(1);
    const told = stdout
      .trimEnd()
      .split('\n')
      .map((line) => JSON.parse(line) as { session: number; identical: boolean });
    expect(told.map(({ session, identical }) => [session, identical])).toEqual([
      [1, true],
      [2, true],
    ]);
    expect(stderr).toContain('session 99, 2 of 3\n');
    expect(stderr).toContain('evenburn: no session 99');
  });

  it('takes all of them when asked', () => {
    const numbers = readdirSync(join(data, 'sessions')).map((name) => Number.parseInt(name, 10));
    const { stdout, status } = run('reread', '--all', '--as-recorded', '--data', data);
    expect(status).toBe(0);
    expect(stdout.match(/^session \d+: /gm)).toHaveLength(numbers.length);
    expect(stdout.match(/^identical: /gm)).toHaveLength(numbers.length);
  });

  it('stops at Ctrl-C with 130, and leaves no half a reading', async () => {
    const long = join(folder, 'long.log');
    run('simulate', 'demo', '--vehicle', garganey, '--seconds', '400', '-o', long);
    const session = Number(run('import', long, '--vehicle', garganey, '--data', data).stdout);
    const args = ['reread', '--all', '--vehicle', garganey, '--data', data];
    const child = spawn(process.execPath, [join(root, 'server', 'start.mjs'), ...args], { stdio: ['ignore', 'ignore', 'pipe'] });
    let said = '';
    for await (const chunk of child.stderr) {
      said += chunk;
      // The long one is the last; once it is under way it is stopped.
      if (said.includes(`session ${session}, `) && !child.killed) child.kill('SIGINT');
    }
    if (child.exitCode === null) await once(child, 'exit');
    expect(child.exitCode).toBe(130);
    expect(said).toContain(`stopped; session ${session} is as it was`);
    const file = SessionFile.open(data, session);
    expect(file.db.prepare('SELECT count(*) FROM reading').pluck().get()).toBe(1);
    file.close();
    expect(readdirSync(join(data, 'sessions')).filter((name) => !name.endsWith('.sqlite'))).toEqual([]);
  });
});

describe('backup and repair', () => {
  it('copy every session once, and find a sound one sound', () => {
    const copies = join(folder, 'copies');
    expect(run('backup', '-o', copies, '--data', data)).toMatchObject({ status: 0, stdout: expect.stringMatching(/^\d+ sessions copied/) });
    expect(hash(join(copies, '1.sqlite'))).toBe(hash(join(data, 'sessions', '1.sqlite')));
    expect(run('backup', '-o', copies, '--data', data).stdout).toMatch(/^0 sessions copied/);
    expect(run('repair', '1', '--data', data)).toMatchObject({ status: 0, stdout: expect.stringContaining('all sound') });
  });
});

describe('what is wrong', () => {
  it.each([
    [['import', 'nothing.log', '--vehicle', garganey], 3, 'no such file'],
    [['import', 'nothing.log'], 2, '--vehicle'],
    [['import', 'LOG', '--vehicle', 'nothing'], 3, 'nothing'],
    [['export', '77', '--format', 'log', '-o', 'x.log'], 3, 'no session 77'],
    [['export', 'one', '--format', 'log', '-o', 'x.log'], 2, "'one'"],
    [['export', '1', '--format', 'wav', '-o', 'x.log'], 2, 'wav'],
    [['export', '1', '--format', 'log'], 2, 'output'],
    [['export', '1', '--format', 'log', '-o', '/no/such/folder/x.log'], 4, 'cannot be written'],
    [['export', '1', '--format', 'csv', '--channels', 'no_such', '-o', '-'], 3, "no channel 'no_such'"],
    [['export', '1', '--format', 'csv', '--reading', '99', '-o', '-'], 3, 'no reading 99'],
    [['reread', '77', '--vehicle', garganey], 3, 'no session 77'],
    [['reread', '1'], 2, '--vehicle'],
    [['reread', '--vehicle', garganey], 2, '--all'],
    [['reread', '1', '--all', '--vehicle', garganey], 2, '--all'],
  ] as [string[], number, string][])('%j ends with %i', (args, status, word) => {
    const done = run(...args.map((arg) => (arg === 'LOG' ? log : arg)), '--data', data);
    expect(done.status).toBe(status);
    expect(done.stderr).toContain(word);
    expect(done.stdout).toBe('');
    expect(existsSync(join(root, 'x.log'))).toBe(false);
  });

  it('a file that is no recording makes no session', () => {
    const path = join(folder, 'words.log');
    writeFileSync(path, 'these are words\nand more words\n');
    const before = run('backup', '-o', join(folder, 'count'), '--data', data).stdout;
    expect(run('import', path, '--vehicle', garganey, '--data', data)).toMatchObject({ status: 3, stdout: '' });
    expect(run('backup', '-o', join(folder, 'count2'), '--data', data).stdout.split(' ')[0]).toBe(before.split(' ')[0]);
  });
});
