// One kill of the whole tree of `serve` (server, reader process, workers): frames come through a serial line from a process outside of it, which
// logs each send. Then the session is finished as at the next start, checked, and compared with the log of what was sent.
import { spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, mkdirSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';
import { traceFiles } from '../bench/bus-trace.mjs';
import { finishAndCompare } from './kill-trial.mjs';

const here = dirname(fileURLToPath(import.meta.url));

/** Why such a trial can't be made here; undefined: it can. */
export function whyNoServeTrial() {
  if (process.platform === 'win32') return 'there are no pseudo-terminals here';
  if (spawnSync('python3', ['-c', 'import pty']).status !== 0)
    return 'python3 does not run here, which stands in for a serial-line adapter';
  if (!existsSync(join(here, '..', '..', 'node_modules', 'serialport'))) return "the optional package 'serialport' is not installed";
  return undefined;
}

/** The other end of the serial line. */
class Sender {
  /** How many frames had gone out, and when: milliseconds of the monotonic clock. */
  log = [];

  constructor(framesPerSecond) {
    this.child = spawn('python3', [join(here, 'serial-sender.py'), String(framesPerSecond)], { stdio: ['pipe', 'pipe', 'inherit'] });
    const lines = createInterface({ input: this.child.stdout });
    this.terminal = new Promise((resolve) => lines.once('line', resolve));
    this.flowing = new Promise((resolve) => {
      this.flow = resolve;
    });
    lines.on('line', (line) => {
      const [count, ns] = line.split(' ');
      if (ns === undefined) return;
      this.log.push({ count: Number(count), ms: Number(ns) / 1e6 });
      this.flow();
    });
  }

  /** When each frame that went out before `untilMs` had gone. */
  sentMs(untilMs) {
    const sent = [];
    for (const { count, ms } of this.log) {
      if (ms > untilMs) break;
      while (sent.length < count) sent.push(ms);
    }
    return sent;
  }

  async end() {
    this.child.stdin.end();
    if (this.child.exitCode === null) await once(this.child, 'exit');
  }
}

/** Vehicle folder of the bus that the sender plays: 60 ids, 300 signals. */
function writeVehicle(data) {
  const folder = join(data, 'vehicle');
  for (const { path, text } of traceFiles()) {
    mkdirSync(dirname(join(folder, path)), { recursive: true });
    writeFileSync(join(folder, path), text);
  }
  return folder;
}

function startServe(data, terminal, vehicle) {
  const args = ['--port', '0', '--vehicle', vehicle, '--data', data, '--bus', `main=serial:${terminal}?baud=3000000`];
  return spawn(process.execPath, [join(here, 'serve-built.mjs'), ...args], {
    stdio: ['ignore', 'pipe', 'inherit'],
    detached: true,
    env: { ...process.env, npm_lifecycle_event: '' },
  });
}

/**
 * As `killTrial`, with the whole server.
 * @param {{ data: string, framesPerSecond: number, killAfterMs: number, tamper?: (path: string) => void }} trial
 *   `killAfterMs` is counted from the first frame.
 */
export async function serveTrial({ data, framesPerSecond, killAfterMs, tamper }) {
  const sender = new Sender(framesPerSecond);
  const server = startServe(data, await sender.terminal, writeVehicle(data));
  try {
    await Promise.race([sender.flowing, once(server, 'exit').then(() => Promise.reject(new Error('the server ended by itself')))]);
    await new Promise((resolve) => setTimeout(resolve, killAfterMs));
  } finally {
    process.kill(-server.pid, 'SIGKILL');
    sender.killedMs = Number(process.hrtime.bigint()) / 1e6;
    if (server.exitCode === null && server.signalCode === null) await once(server, 'exit');
    await sender.end();
  }
  return finishAndCompare({ data, sentMs: sender.sentMs(sender.killedMs), killedMs: sender.killedMs, tamper });
}
