// What `doctor` says about the computer itself: versions, disk, clock, and the address of the pages.
import { execFile } from 'node:child_process';
import { closeSync, existsSync, fdatasyncSync, mkdirSync, openSync, rmSync, writeSync } from 'node:fs';
import { createServer } from 'node:net';
import { dirname, join } from 'node:path';
import type { Finding } from '../bus/finding.ts';
import { machineClock } from '../clock.ts';
import { EvenburnError } from '../errors.ts';
import { defaultPort, diskReserveBytes, diskWarningBytes } from '../limits.ts';

const neededNode = [20, 19] as const;
/** What a commit writes at full load, and the number of tries. */
const commitBytes = 48 * 1024;
const commits = 20;
const commitMsMax = 100;
const streamBytes = 8 << 20;
/** A clock before this has never been set: the program is younger. */
const youngestMs = Date.UTC(2026, 0, 1);
const askWaitMs = 1000;

/** Versions, disk, clock and address, for the data folder `data`. */
export async function machineFindings(data: string): Promise<Finding[]> {
  return [
    nodeFinding(process.versions.node),
    await sqliteFinding(),
    ...(await diskFindings(data)),
    await clockFinding(),
    await addressFinding(defaultPort),
  ];
}

export function nodeFinding(version: string): Finding {
  const [major = 0, minor = 0] = version.split('.').map(Number);
  const isEnough = major > neededNode[0] || (major === neededNode[0] && minor >= neededNode[1]);
  if (isEnough) return { code: 'node', state: 'ok', say: `Node ${version}.`, measured: { version } };
  return {
    code: 'node',
    state: 'wrong',
    say: `Node ${version} is too old.`,
    fix: `Install Node ${neededNode.join('.')} or later.`,
    measured: { version },
  };
}

async function sqliteFinding(): Promise<Finding> {
  try {
    const { refuseOldSqlite, sqliteVersion } = await import('../recording/database.ts');
    const version = sqliteVersion();
    refuseOldSqlite(version);
    return { code: 'sqlite', state: 'ok', say: `SQLite ${version}.`, measured: { version } };
  } catch (error) {
    if (error instanceof EvenburnError) return { code: 'sqlite', state: 'wrong', say: `${error.message}.`, fix: error.cure };
    return {
      code: 'sqlite',
      state: 'wrong',
      say: `better-sqlite3 does not load: ${(error as Error).message.split('\n')[0]}`,
      fix: 'npm rebuild better-sqlite3',
    };
  }
}

/** Space and speed of the disk that sessions are recorded to. A data folder that isn't there yet stays so. */
export async function diskFindings(data: string): Promise<Finding[]> {
  const folder = nearestFolder(data);
  try {
    const { freeBytes } = await import('../recording/data-folder.ts');
    return [spaceFinding(data, freeBytes(folder)), speedFinding(data, measureDisk(folder))];
  } catch (error) {
    const say = `${data} can't be written: ${(error as Error).message}.`;
    return [{ code: 'data-folder', state: 'wrong', subject: data, say, fix: 'Choose another with --data DIR, or mend its permissions.' }];
  }
}

function nearestFolder(path: string): string {
  for (let folder = path; ; folder = dirname(folder)) if (existsSync(folder) || folder === dirname(folder)) return folder;
}

export function spaceFinding(data: string, bytes: number): Finding {
  const gigabytes = Math.round(bytes / 1e8) / 10;
  const common = { code: 'disk-space', subject: data, measured: { freeBytes: bytes } };
  const fix = 'Free some, or choose another folder with --data DIR.';
  if (bytes < diskReserveBytes) return { ...common, state: 'wrong', say: `Only ${gigabytes} GB are free: nothing can be recorded.`, fix };
  if (bytes < diskWarningBytes) return { ...common, state: 'note', say: `${gigabytes} GB are free: recording will warn.`, fix };
  return { ...common, state: 'ok', say: `${gigabytes} GB are free.` };
}

interface DiskSpeed {
  commitMsMedian: number;
  commitMsWorst: number;
  bytesPerSecond: number;
}

export function speedFinding(data: string, speed: DiskSpeed): Finding {
  const megabytes = Math.round(speed.bytesPerSecond / 1e6);
  const say = `A save takes ${speed.commitMsMedian} ms, ${speed.commitMsWorst} ms at worst; ${megabytes} MB/s.`;
  const common = { code: 'disk-speed', subject: data, measured: { ...speed } };
  if (speed.commitMsMedian <= commitMsMax) return { ...common, state: 'ok', say };
  return {
    ...common,
    state: 'note',
    say: `${say} The last 250 ms before a power cut may be lost.`,
    fix: 'Record to a faster disk with --data DIR.',
  };
}

/** Writes as the recorder does: small pieces, each on the disk before the next; then one large one. */
function measureDisk(folder: string): DiskSpeed {
  const place = join(folder, `.evenburn-doctor-${process.pid}`);
  mkdirSync(place);
  try {
    const file = openSync(join(place, 'try'), 'w');
    const took = Array.from({ length: commits }, () => timeOf(file, commitBytes)).sort((a, b) => a - b);
    const streamMs = timeOf(file, streamBytes);
    closeSync(file);
    return {
      commitMsMedian: round(took[commits >> 1] as number),
      commitMsWorst: round(took[commits - 1] as number),
      bytesPerSecond: Math.round((streamBytes * 1000) / Math.max(streamMs, 0.001)),
    };
  } finally {
    rmSync(place, { recursive: true, force: true });
  }
}

function timeOf(file: number, bytes: number): number {
  const piece = Buffer.alloc(bytes, 0x5a);
  const began = performance.now();
  writeSync(file, piece);
  fdatasyncSync(file);
  return performance.now() - began;
}

const round = (ms: number) => Math.round(ms * 100) / 100;

async function clockFinding(): Promise<Finding> {
  const wallMs = machineClock.wallMs();
  const now = new Date(wallMs).toISOString();
  const measured = { now };
  const fix =
    process.platform === 'linux'
      ? 'sudo timedatectl set-ntp true (or set it: sudo date -s "2026-01-31 12:00")'
      : 'Set it in the system settings.';
  if (wallMs < youngestMs)
    return {
      code: 'clock',
      state: 'note',
      say: `The clock says ${now} and has never been set: sessions would carry that date.`,
      fix,
      measured,
    };
  if (process.platform === 'linux' && (await isSynchronised()) === false) {
    return { code: 'clock', state: 'note', say: `The clock says ${now} and nothing keeps it right.`, fix, measured };
  }
  return { code: 'clock', state: 'ok', say: `The clock says ${now}.`, measured };
}

/** Undefined when this system can't tell. */
function isSynchronised(): Promise<boolean | undefined> {
  return new Promise((resolve) => {
    execFile('timedatectl', ['show', '-p', 'NTPSynchronized', '--value'], { timeout: askWaitMs }, (error, stdout) => {
      const answer = stdout.trim();
      resolve(error || (answer !== 'yes' && answer !== 'no') ? undefined : answer === 'yes');
    });
  });
}

/** Whether the port of the pages is free; a server that runs there already may well be ours. */
export function addressFinding(port: number): Promise<Finding> {
  const url = `http://localhost:${port}`;
  return new Promise((resolve) => {
    const server = createServer();
    server.once('error', (error: NodeJS.ErrnoException) => {
      const say = `${url} is taken (${error.code}): by a server that runs already, or another program.`;
      resolve({ code: 'address', state: 'note', subject: url, say, fix: `Open ${url}, or start with --port N.` });
    });
    server.listen(port, '127.0.0.1', () => {
      server.close(() =>
        resolve({ code: 'address', state: 'ok', subject: url, say: `The pages will be at ${url}, on this computer only.` }),
      );
    });
  });
}
