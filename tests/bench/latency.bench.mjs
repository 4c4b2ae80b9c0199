// The live stream: packet emit to receive with 8 clients, the server's CPU for 32 clients beside 1, and start-up to the first packet.
import { fork, spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { io } from 'socket.io-client';
import { livePath } from '../../dist/server/contract/packet.js';
import { livePacketsPerSecondMax } from '../../dist/server/limits.js';
import { median } from './interleaved.mjs';

const here = (name) => fileURLToPath(new URL(name, import.meta.url));
const settleMs = 700;
const roundMs = 2500;
const rounds = 5;

async function ask(child) {
  child.send('now');
  const [answer] = await once(child, 'message');
  return answer;
}

/** Runs `count` pages for a while: the server's CPU share and all latencies. */
async function measure(server, port, count) {
  const pages = count > 0 ? fork(here('latency-pages.mjs'), [String(port), String(count)]) : undefined;
  while ((await ask(server)).clients !== count) await sleep(20);
  await sleep(settleMs);
  if (pages) await ask(pages);
  const before = await ask(server);
  await sleep(roundMs);
  const after = await ask(server);
  const latenciesMs = pages ? (await ask(pages)).latenciesMs : [];
  pages?.disconnect();
  if (pages) await once(pages, 'exit');
  while ((await ask(server)).clients !== 0) await sleep(20);
  return { cpu: (after.cpuMs - before.cpuMs) / (after.atMs - before.atMs), latenciesMs };
}

function quantile(values, q) {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted[Math.min(sorted.length - 1, Math.ceil(q * sorted.length) - 1)];
}

/** Less is better here: the ratio must stay below floor, and should below goal. */
function tell(title, ratios, { floor, goal, reference }) {
  const ratio = median(ratios);
  const verdict = ratio <= goal ? 'goal reached' : ratio <= floor ? 'floor reached' : 'ABOVE THE FLOOR';
  const spread = `${Math.min(...ratios).toFixed(3)} to ${Math.max(...ratios).toFixed(3)}`;
  process.stdout.write(
    `${title}\n  ratio ${ratio.toFixed(3)} (median of ${ratios.length}, ${spread}); floor ${floor}, goal ${goal}: ${verdict}\n`,
  );
  process.stdout.write(`  reference ${reference}\n`);
  if (ratio > floor) process.exitCode = 1;
}

async function stream() {
  const server = fork(here('latency-server.mjs'));
  const [{ port }] = await once(server, 'message');
  const periodMs = 1000 / livePacketsPerSecondMax;
  const latency = [];
  const cpu = [];
  const one = [];
  for (let round = 0; round < rounds; round++) {
    const none = await measure(server, port, 0);
    const single = await measure(server, port, 1);
    const eight = await measure(server, port, 8);
    const many = await measure(server, port, 32);
    latency.push(quantile(eight.latenciesMs, 0.99) / periodMs);
    one.push(single.cpu - none.cpu);
    cpu.push((many.cpu - none.cpu) / (single.cpu - none.cpu));
  }
  server.disconnect();
  tell('live packet, emit to receive, p99, 8 clients, beside the packet period', latency, {
    floor: 0.35,
    goal: 0.2,
    reference: `${periodMs.toFixed(1)} ms`,
  });
  tell('server CPU of 32 clients beside 1, the run without clients subtracted', cpu, {
    floor: 6,
    goal: 4,
    reference: `${(median(one) * 100).toFixed(2)} % of a core for one client`,
  });
}

/** Milliseconds from starting the program to the first packet at a client. */
async function startToPacket() {
  const data = mkdtempSync(join(tmpdir(), 'evenburn-bench-'));
  const begun = performance.now();
  const child = spawn(process.execPath, [here('../../server/start.mjs'), 'serve', '--port', '0', '--data', data], {
    stdio: ['ignore', 'pipe', 'inherit'],
  });
  let text = '';
  for await (const chunk of child.stdout) {
    text += chunk;
    if (/http:\S+/.test(text)) break;
  }
  const url = new URL(/http:\S+/.exec(text)[0]).origin;
  const socket = io(url, { path: livePath, transports: ['websocket'], extraHeaders: { origin: url } });
  await new Promise((resolve) => socket.once('packet', resolve));
  const ms = performance.now() - begun;
  socket.close();
  child.kill();
  await once(child, 'exit');
  rmSync(data, { recursive: true });
  return ms;
}

function bareNode() {
  const begun = performance.now();
  spawnSync(process.execPath, ['-e', '0']);
  return performance.now() - begun;
}

async function startUp() {
  const ratios = [];
  const bare = [];
  for (let round = 0; round < 7; round++) {
    const ours = await startToPacket();
    bare.push(bareNode());
    ratios.push(ours / bare.at(-1));
  }
  tell('start-up: program spawned to first packet at a client, beside node -e 0', ratios, {
    floor: 14,
    goal: 8,
    reference: `${median(bare).toFixed(0)} ms`,
  });
}

await stream();
await startUp();
