// One trial of the kill test: frames come from a process outside the killed tree, which logs each send; the recorder is killed at some
// instant; then the session is finished as at the next start, checked, and compared with the log of what was sent.
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { existsSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { sessionPath } from '../../dist/server/recording/data-folder.js';
import { findUnfinished, finishKilled } from '../../dist/server/recording/recovery.js';
import { checkSession } from '../../dist/server/recording/repair.js';
import { loadStored, SessionFile } from '../../dist/server/recording/session-file.js';

const here = dirname(fileURLToPath(import.meta.url));

/** Sends frames at an even rate into a pipe and notes when each went; its own process could not be outside the tree more than a parent is. */
class Sender {
  constructor(pipe, framesPerSecond) {
    this.pipe = pipe;
    this.framesPerSecond = framesPerSecond;
    this.sentMs = [];
    this.startedMs = performance.now();
    this.timer = setInterval(() => this.send(), 2);
  }

  send() {
    const due = Math.floor(((performance.now() - this.startedMs) / 1000) * this.framesPerSecond);
    const bytes = Buffer.alloc(Math.max(0, due - this.sentMs.length) * 8);
    const nowMs = performance.now();
    for (let at = 0; at < bytes.length; at += 8) {
      bytes.writeUInt32LE(this.sentMs.length, at);
      bytes.writeUInt32LE(Math.imul(this.sentMs.length, 0x9e3779b1) >>> 0, at + 4);
      this.sentMs.push(nowMs);
    }
    if (bytes.length > 0 && !this.pipe.destroyed) this.pipe.write(bytes);
  }

  stop() {
    clearInterval(this.timer);
  }
}

/**
 * @param {{ data: string, vehicle: { files: object[] }, framesPerSecond: number, killAfterMs: number, tamper?: (path: string) => void }} trial
 *   `tamper` may damage the files between kill and start.
 * @returns {Promise<{ sent: number, recorded: number, missing: number, missingMs: number, damage: object[], state: string, session: number }>}
 *   `missing` frames at the end, the oldest of which was sent `missingMs` before the kill. Throws when a frame is missing in the middle.
 */
export async function killTrial({ data, vehicle, framesPerSecond, killAfterMs, tamper }) {
  const child = spawn(process.execPath, [join(here, 'kill-harness.mjs'), data, JSON.stringify(vehicle.files)], {
    stdio: ['pipe', 'pipe', 'inherit'],
    detached: true,
  });
  child.stdin.on('error', () => {});
  await once(child.stdout, 'data');
  const sender = new Sender(child.stdin, framesPerSecond);
  await new Promise((resolve) => setTimeout(resolve, killAfterMs));
  process.kill(-child.pid, 'SIGKILL');
  const killedMs = performance.now();
  sender.stop();
  await once(child, 'exit');
  return finishAndCompare({ data, sentMs: sender.sentMs, killedMs, tamper });
}

/**
 * Finishes what a kill left, as the next start does, and compares it with what was sent.
 * @param {{ data: string, sentMs: number[], killedMs: number, tamper?: (path: string) => void }} left When each frame went out; the kill.
 */
export async function finishAndCompare({ data, sentMs, killedMs, tamper }) {
  const session = findUnfinished(data).at(-1) ?? 0;
  if (session === 0) return { ...compare([], sentMs, killedMs), damage: [], state: 'none', session };
  tamper?.(sessionPath(data, session));
  await finishKilled(sessionPath(data, session), loadStored);
  // With its whole log gone a session has never been.
  if (!existsSync(sessionPath(data, session))) return { ...compare([], sentMs, killedMs), damage: [], state: 'gone', session };
  const { damage } = checkSession(data, session);
  const file = SessionFile.open(data, session);
  const recorded = [...sequenceNumbers(file)];
  const { state } = file.facts;
  file.close();
  return { ...compare(recorded, sentMs, killedMs), damage, state, session };
}

function* sequenceNumbers(file) {
  for (const input of file.record()) {
    if (input.kind !== 'frames') continue;
    const { batch } = input;
    for (let i = 0; i < batch.count; i++) yield batch.view.getUint32(batch.offset[i], true);
  }
}

function compare(recorded, sentMs, killedMs) {
  for (const [i, sequence] of recorded.entries()) {
    if (sequence !== i) throw new Error(`frame ${i} is missing: ${sequence} came in its place`);
  }
  // A send that was logged a moment after the kill may have arrived before it.
  const missing = Math.max(0, sentMs.length - recorded.length);
  const missingMs = missing > 0 ? killedMs - sentMs[recorded.length] : 0;
  return { sent: sentMs.length, recorded: recorded.length, missing, missingMs };
}
