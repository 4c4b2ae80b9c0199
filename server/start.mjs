#!/usr/bin/env node
// Set-up and start: installs and builds when needed, then becomes the program. Node's built-ins only, so that it runs on a fresh clone.
import { spawnSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import { existsSync, mkdirSync, readdirSync, readFileSync, realpathSync, rmSync, statSync, utimesSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath, pathToFileURL } from 'node:url';

const root = join(dirname(fileURLToPath(import.meta.url)), '..');
const dist = join(root, 'dist');
const neededNode = [20, 19];

function fail(message) {
  process.stderr.write(`evenburn: ${message}\n`);
  process.exit(4);
}

function checkNode() {
  const [major, minor] = process.versions.node.split('.').map(Number);
  if (major > neededNode[0] || (major === neededNode[0] && minor >= neededNode[1])) return;
  fail(`Node ${neededNode.join('.')} or later is needed, this is ${process.versions.node}. Install a newer Node and start again.`);
}

function run(what, file, args) {
  const done = spawnSync(file, args, { cwd: root, stdio: ['ignore', 'pipe', 'pipe'], encoding: 'utf8', maxBuffer: 64 << 20, shell: false });
  return { failed: done.error !== undefined || done.status !== 0, output: `${done.stdout ?? ''}${done.stderr ?? ''}`.trim(), what };
}

function npm(args) {
  // npm's own script when npm started us (works on every system without a shell), else the one on the path.
  const cli = process.env.npm_execpath;
  if (cli?.endsWith('.js')) return run('npm', process.execPath, [cli, ...args]);
  return process.platform === 'win32' ? run('npm', 'cmd.exe', ['/c', 'npm', ...args]) : run('npm', 'npm', args);
}

/**
 * Installs exactly what the lock file says, unless that is already there.
 * @param {{ dev: boolean, folder?: string, locked?: boolean }} options `dev` adds what only tests need; `folder` is a package of its own
 *   below the root; `locked` when the caller holds the lock.
 */
export function ensureInstalled({ dev, folder = '.', locked = false }) {
  const at = join(root, folder);
  const modules = join(at, 'node_modules');
  const marker = join(modules, '.evenburn-installed');
  const lockFile = join(at, 'package-lock.json');
  const lock = createHash('sha256').update(readFileSync(lockFile)).digest('hex');
  const have = existsSync(marker) ? readFileSync(marker, 'utf8') : '';
  if (have === `${lock} all` || (!dev && have === `${lock} run`)) return;
  // Installed by hand since the lock file last changed: npm keeps its own copy of the lock there, written moments apart.
  const npmLock = join(modules, '.package-lock.json');
  const byHand = existsSync(npmLock) && statSync(npmLock).mtimeMs >= statSync(lockFile).mtimeMs - 10_000;
  if (byHand && (!dev || folder !== '.' || existsSync(join(modules, 'vitest')))) return;
  if (!locked) {
    // npm empties node_modules first: a second start meanwhile must wait and look again, or each would undo the other's work.
    withLock('.installing', () => ensureInstalled({ dev, folder, locked: true }));
    return;
  }
  const withDev = dev || have.endsWith(' all') || existsSync(join(modules, 'vitest'));
  process.stderr.write('Installing packages (once, a minute or two) ...\n');
  const done = npm(['ci', '--prefix', at, '--no-audit', '--no-fund', '--ignore-scripts=false', withDev ? '--include=dev' : '--omit=dev']);
  if (done.failed) {
    const compiler = /gyp|g\+\+|make: not found|python/i.test(done.output)
      ? ' A C++ compiler, make and Python are needed to build better-sqlite3 here.'
      : '';
    fail(`the packages could not be installed.${compiler} Last words of npm: ${done.output.split('\n').slice(-8).join(' | ')}`);
  }
  writeFileSync(marker, `${lock} ${withDev ? 'all' : 'run'}`);
}

/** When the youngest file below these folders was saved, in milliseconds of the epoch. */
function newest(folders) {
  return Math.max(...folders.map(newestIn));
}

function newestIn(folder) {
  let latest = 0;
  for (const entry of readdirSync(folder, { withFileTypes: true })) {
    if (entry.name === 'node_modules' || entry.name.startsWith('.')) continue;
    const path = join(folder, entry.name);
    latest = Math.max(latest, entry.isDirectory() ? newestIn(path) : statSync(path).mtimeMs);
  }
  return latest;
}

function builtAfter(stamp, time) {
  return existsSync(stamp) && statSync(stamp).mtimeMs > time;
}

/** Runs `work` while no other process holds the lock of this name. */
function withLock(name, work) {
  mkdirSync(dist, { recursive: true });
  const lock = join(dist, name);
  const release = () => rmSync(lock, { force: true });
  for (;;) {
    try {
      writeFileSync(lock, String(process.pid), { flag: 'wx' });
      break;
    } catch {
      // Another process is at work; one that was killed leaves its lock behind.
      if (existsSync(lock) && !isAlive(lock)) release();
      else Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, 100);
    }
  }
  process.once('exit', release);
  try {
    work();
  } finally {
    process.off('exit', release);
    release();
  }
}

/** Whether the process whose number stands in the lock still runs; true while the number is not written yet. */
function isAlive(lock) {
  try {
    const holder = Number(readFileSync(lock, 'utf8'));
    if (holder > 0) process.kill(holder, 0);
    return true;
  } catch (error) {
    return error.code !== 'ESRCH';
  }
}

/** Builds one product unless it is younger than its sources: what to call it, their folders, the newest of them, the tool, and a file of it. */
function build({ what, folders, changedMs, program, args, product }) {
  const stamp = join(dist, `.built-${what}`);
  if (builtAfter(stamp, changedMs)) return;
  withLock('.building', () => {
    const began = Date.now();
    if (builtAfter(stamp, newest(folders))) return;
    const done = run(what, process.execPath, [join(root, 'node_modules', program), ...args]);
    // Types are a gate of their own (npm run types): what could be emitted is emitted, and the errors are shown.
    if (done.failed) process.stderr.write(`${done.output}\n`);
    if (done.failed && !existsSync(join(dist, product))) fail(`the ${what} could not be built (see above).`);
    writeFileSync(stamp, new Date(began).toISOString());
    // What was saved while the build ran may not be in it: the stamp is as old as the build's beginning.
    utimesSync(stamp, began / 1000, began / 1000);
  });
}

/** Brings `dist` up to date with the sources. */
export function ensureBuilt() {
  const vite = 'vite/bin/vite.js';
  const server = sources('server');
  build({ ...server, what: 'server', program: 'typescript/bin/tsc', args: ['-p', 'server/tsconfig.json'], product: 'server/main.js' });
  build({ ...server, what: 'program', program: vite, args: viteBuild('server'), product: 'program/main.js' });
  const web = sources('web', 'server/contract');
  build({ ...web, what: 'web', program: vite, args: viteBuild('web'), product: 'web/index.html' });
}

function sources(...names) {
  const folders = names.map((name) => join(root, name));
  return { folders, changedMs: newest(folders) };
}

function viteBuild(folder) {
  return ['build', '--config', `${folder}/vite.config.ts`, '--logLevel', 'warn'];
}

async function main() {
  checkNode();
  ensureInstalled({ dev: false });
  ensureBuilt();
  if (process.argv[2] === '--build-only') return;
  const { main: program } = await import(pathToFileURL(join(dist, 'program', 'main.js')).href);
  await program(process.argv.slice(2));
}

if (process.argv[1] && realpathSync(process.argv[1]) === fileURLToPath(import.meta.url)) await main();
