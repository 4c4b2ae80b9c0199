// Rules that matter, as tests: who may import whom, one home an outside library, names that say something, nothing that sends on a bus.
import { readdirSync, readFileSync } from 'node:fs';
import { dirname, join, relative } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { errorTable } from '../server/errors.ts';

const root = join(dirname(fileURLToPath(import.meta.url)), '..');

function filesBelow(folder: string, ending: RegExp): string[] {
  const found: string[] = [];
  for (const entry of readdirSync(join(root, folder), { withFileTypes: true, recursive: true })) {
    const path = relative(root, join(entry.parentPath, entry.name)).replaceAll('\\', '/');
    if (entry.isFile() && ending.test(entry.name) && !path.includes('node_modules/')) found.push(path);
  }
  return found;
}

const serverFiles = filesBelow('server', /\.ts$/);
const webFiles = filesBelow('web', /\.tsx?$/);
const sourceFiles = [...serverFiles, ...webFiles];

function importsOf(path: string): string[] {
  const text = readFileSync(join(root, path), 'utf8');
  return [...text.matchAll(/(?:from|import)\s*\(?\s*'([^']+)'/g)].map((match) => match[1] as string);
}

/** Server folder of a relative import, e.g. 'codec' or '' for a file directly in server. */
function folderOf(path: string, imported: string): string {
  const target = relative(join(root, 'server'), join(root, dirname(path), imported)).replaceAll('\\', '/');
  return target.includes('/') ? (target.split('/')[0] as string) : '';
}

/**
 * What each stage may import, by folder ('' is server's own top level, limited further below). A row is changed rarely, and says why.
 * Judgement (codec, channels, alarms, checks, dyno, harness) never sees I/O: it imports no Node module and no driver.
 */
const mayImport: Record<string, string[]> = {
  codec: ['bus', 'channels', 'definitions', 'codec', ''],
  channels: ['codec', 'bus', 'channels', 'definitions', ''],
  alarms: ['channels', 'definitions', 'alarms', ''],
  checks: ['checks', 'channels', 'codec', 'bus', 'definitions', 'harness', 'dyno', ''],
  dyno: ['dyno', 'channels', 'definitions', 'checks', ''],
  // Sessions behind each other, judged by what the checks and the dyno's statistics know.
  'engine-history': ['engine-history', 'checks', 'channels', 'definitions', 'dyno', ''],
  // Words about what others judged: no file, no database.
  report: ['report', 'alarms', 'channels', 'checks', 'contract', 'definitions', 'dyno', ''],
  simulator: ['simulator', 'bus', 'codec', 'definitions', 'channels', ''],
};

/** Folders whose code is pure: no I/O, no clock, no log. */
const pureFolders = ['codec', 'channels', 'alarms', 'dyno', 'checks', 'harness', 'engine-history'];

/** Each outside library has one home (or the few that are named). */
const homes: Record<string, RegExp> = {
  socketcan: /^server\/bus\//,
  serialport: /^server\/bus\//,
  'better-sqlite3': /^server\/recording\//,
  jsep: /^server\/channels\//,
  'chart.js': /^web\/plots\/chart\.ts$/,
  fastify: /^server\/(http|station)/,
  'socket.io': /^server\/live\//,
  'hyparquet-writer': /^server\/exchange\//,
  yaml: /^server\/(definitions|simulator)\//,
  commander: /^server\/(main|commands\/)/,
};

describe('the project is tidy', () => {
  it.each(Object.entries(mayImport))('%s imports only what its row allows', (folder, allowed) => {
    const wrong = serverFiles
      .filter((path) => path.startsWith(`server/${folder}/`))
      .flatMap((path) =>
        importsOf(path)
          .filter((imported) => imported.startsWith('.') && !allowed.includes(folderOf(path, imported)))
          .map((imported) => `${path} imports ${imported}`),
      );
    expect(wrong).toEqual([]);
  });

  it.each(pureFolders)('%s does no I/O, reads no clock and writes no log', (folder) => {
    const wrong = serverFiles
      .filter((path) => path.startsWith(`server/${folder}/`))
      .filter((path) =>
        /from 'node:(?!assert')|\bDate\.now\(|performance\.now\(|new Date\(\)|console\.|process\./.test(
          readFileSync(join(root, path), 'utf8'),
        ),
      );
    expect(wrong).toEqual([]);
  });

  it('gives each outside library one home', () => {
    const wrong = sourceFiles.flatMap((path) =>
      importsOf(path)
        .filter((imported) => homes[imported] !== undefined && !homes[imported].test(path))
        .map((imported) => `${path} imports ${imported}`),
    );
    expect(wrong).toEqual([]);
  });

  it('lets web import nothing of the server but the contract', () => {
    const wrong = webFiles.flatMap((path) =>
      importsOf(path)
        .filter((imported) => imported.includes('/server/') && !imported.includes('/server/contract/'))
        .map((imported) => `${path} imports ${imported}`),
    );
    expect(wrong).toEqual([]);
  });

  it('reads the environment in one file and the clock in one file', () => {
    const environment = serverFiles.filter(
      (path) => path !== 'server/settings.ts' && readFileSync(join(root, path), 'utf8').includes('process.env'),
    );
    const clock = serverFiles.filter(
      (path) => path !== 'server/clock.ts' && /Date\.now\(|hrtime/.test(readFileSync(join(root, path), 'utf8')),
    );
    expect({ environment, clock }).toEqual({ environment: [], clock: [] });
  });

  it('has no path that sends on a bus', () => {
    const wrong = serverFiles.filter((path) => {
      const text = readFileSync(join(root, path), 'utf8');
      return path.startsWith('server/bus/') && /\.(send|sendFD)\(/.test(text);
    });
    expect(wrong).toEqual([]);
  });

  it('opens every file with a sentence that says what it is', () => {
    const wrong = sourceFiles.filter((path) => !/^(#!.*\n)?\/\/ \S/.test(readFileSync(join(root, path), 'utf8')));
    expect(wrong).toEqual([]);
  });

  it('uses no name that says nothing', () => {
    const wrong = [...sourceFiles, ...filesBelow('tests', /\.(ts|mjs)$/)].filter((path) =>
      /(^|\/)(utils?|helpers?|common|misc|shared|types)(\/|\.tsx?$)/.test(path),
    );
    expect(wrong).toEqual([]);
  });

  it('lists the same error codes in the table and in docs/errors.md', () => {
    const documented = [...readFileSync(join(root, 'docs/errors.md'), 'utf8').matchAll(/^\| `([A-Z0-9_]+)` \|/gm)].map((match) => match[1]);
    expect(documented.sort()).toEqual(Object.keys(errorTable).sort());
  });
});
