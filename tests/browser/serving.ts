// A real server as a process of its own, on a free port, with a data folder that goes away with it.
import { type ChildProcess, spawn } from 'node:child_process';
import { mkdtempSync, rmSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';

const start = fileURLToPath(new URL('../../server/start.mjs', import.meta.url));
const startTimeoutMs = 90_000;
const stopTimeoutMs = 45_000;

/** Below the ports that systems give away by themselves: nobody takes one of these while a server that will come back to it is away. */
const ownPorts = { from: 18_000, count: 12_000 };

/** A free port to which a server may come back after its end. */
export async function freePort(): Promise<number> {
  for (;;) {
    const port = ownPorts.from + Math.floor(Math.random() * ownPorts.count);
    const tried = createServer();
    const isFree = await new Promise<boolean>((done) => {
      tried.once('error', () => done(false));
      tried.listen(port, '127.0.0.1', () => tried.close(() => done(true)));
    });
    if (isFree) return port;
  }
}

export interface ServingOptions {
  /** Arguments of `serve` beside data folder and port. */
  args?: string[];
  /** 0 takes a free one. */
  port?: number;
  /** Kept on stop when given. */
  data?: string;
}

export class Serving {
  readonly url: string;
  readonly port: number;
  private readonly child: ChildProcess;
  private readonly scrap: string | undefined;

  private constructor(child: ChildProcess, url: string, scrap: string | undefined) {
    this.child = child;
    this.url = url.replace('localhost', '127.0.0.1');
    this.port = Number(new URL(url).port);
    this.scrap = scrap;
  }

  /** Of the process that runs it, workers included. */
  get pid(): number {
    return this.child.pid as number;
  }

  /** Resolves when the server has printed its address; rejects with its last words. */
  static start({ args = [], port = 0, data }: ServingOptions = {}): Promise<Serving> {
    const scrap = data === undefined ? mkdtempSync(join(tmpdir(), 'evenburn-browser-')) : undefined;
    const folder = data ?? scrap ?? '';
    const child = spawn(process.execPath, [start, 'serve', '--port', String(port), '--data', folder, ...args], {
      stdio: ['ignore', 'pipe', 'pipe'],
    });
    let words = '';
    return new Promise((resolve, reject) => {
      const give = (text: string) => {
        child.kill('SIGKILL');
        reject(new Error(`${text}: ${words}`));
      };
      const timer = setTimeout(() => give('the server did not start in time'), startTimeoutMs);
      const hear = (chunk: Buffer) => {
        words += chunk.toString();
        const url = /at (https?:\/\/\S+?)\/?\s/.exec(words)?.[1];
        if (!url) return;
        clearTimeout(timer);
        resolve(new Serving(child, url, scrap));
      };
      child.stdout?.on('data', hear);
      child.stderr?.on('data', hear);
      child.once('exit', (code) => {
        clearTimeout(timer);
        reject(new Error(`the server ended with ${code}: ${words}`));
      });
    });
  }

  /** Ends the server and waits for its end; one that doesn't end in time is killed, and the test fails. */
  async stop(signal: 'SIGTERM' | 'SIGKILL' = 'SIGTERM'): Promise<void> {
    if (this.child.exitCode === null && this.child.signalCode === null) {
      const ended = new Promise<boolean>((done) => this.child.once('exit', () => done(true)));
      const late = new Promise<boolean>((done) => setTimeout(done, stopTimeoutMs, false));
      this.child.kill(signal);
      if (!(await Promise.race([ended, late]))) {
        this.child.kill('SIGKILL');
        throw new Error(`the server did not end within ${stopTimeoutMs} ms of ${signal}`);
      }
    }
    if (this.scrap) rmSync(this.scrap, { recursive: true, force: true });
  }
}
