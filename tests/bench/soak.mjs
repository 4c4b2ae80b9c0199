// `npm run soak`: a real server reads a long simulated evening at fifty times real time for ten minutes, with pages on the stream; prints
// memory, handles and loop delay as it goes. `-- --minutes 2 --speed 20` for a shorter one. Exit 1 when memory, handles or losses grow.
import { spawn, spawnSync } from 'node:child_process';
import { mkdtempSync, readdirSync, readFileSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { createInterface } from 'node:readline';
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { parseArgs } from 'node:util';
import { io } from 'socket.io-client';
import { ensureBuilt, ensureInstalled } from '../../server/start.mjs';

const { values } = parseArgs({
  options: {
    minutes: { type: 'string', default: '10' },
    speed: { type: 'string', default: '50' },
    pages: { type: 'string', default: '4' },
  },
});
const minutes = Number(values.minutes);
const speed = Number(values.speed);
const root = join(dirname(fileURLToPath(import.meta.url)), '..', '..');
const vehicle = join(root, 'bus-definitions', 'garganey');
const start = join(root, 'server', 'start.mjs');

ensureInstalled({ dev: true });
ensureBuilt();
const { decodePacket, livePath } = await import('../../dist/server/contract/packet.js');

const folder = mkdtempSync(join(tmpdir(), 'evenburn-soak-'));
process.on('exit', () => rmSync(folder, { recursive: true, force: true }));
const recording = join(folder, 'evening.log.gz');
const lengthS = Math.ceil((minutes + 1) * 60 * speed);
console.log(`Simulating ${(lengthS / 3600).toFixed(1)} h of the demo scenario ...`);
const made = spawnSync(process.execPath, [start, 'simulate', 'demo', '--vehicle', vehicle, '-o', recording, '--seconds', String(lengthS)], {
  encoding: 'utf8',
});
if (made.status !== 0) throw new Error(made.stderr);

const buses = ['engine', 'hull'].flatMap((bus) => ['--bus', `${bus}=file:${recording}?speed=${speed}`]);
const server = spawn(process.execPath, [start, 'serve', '--vehicle', vehicle, ...buses, '--data', join(folder, 'data'), '--port', '0'], {
  stdio: ['ignore', 'pipe', 'inherit'],
});
const address = await new Promise((resolve, reject) => {
  createInterface({ input: server.stdout }).on('line', (line) => {
    const found = /https?:\/\/\S+/.exec(line);
    if (found) resolve(found[0].replace('localhost', '127.0.0.1').replace(/\/$/, ''));
  });
  server.on('exit', (code) => reject(new Error(`the server ended with ${code}`)));
});

const packets = { count: 0, alarms: 0 };
const sockets = Array.from({ length: Number(values.pages) }, (_, page) => {
  const socket = io(address, { path: livePath, transports: ['websocket'], extraHeaders: { origin: address }, forceNew: true });
  socket.on('packet', (bytes, received) => {
    decodePacket(bytes);
    packets.count++;
    received();
  });
  const plots = [{ plot: 0, channels: [page, page + 1, page + 2], spanUs: 30_000_000, pixels: 600 }];
  socket.on('connect', () => socket.emit('subscribe', { epoch: 1, plots }, () => undefined));
  return socket;
});

/** What the operating system and the server itself say of the server. */
async function look() {
  const health = await (await fetch(`${address}/api/health`)).json();
  const proc = `/proc/${server.pid}`;
  const status = process.platform === 'linux' ? readFileSync(`${proc}/status`, 'utf8') : '';
  const lost = health.status.buses.reduce((sum, bus) => sum + Object.values(bus.loss).reduce((a, b) => a + b, 0), 0);
  return {
    frames: health.status.buses.reduce((sum, bus) => sum + bus.frames, 0),
    lost,
    memoryMb: health.memoryMb,
    threads: Number(/Threads:\s+(\d+)/.exec(status)?.[1] ?? 0),
    handles: process.platform === 'linux' ? readdirSync(`${proc}/fd`).length : 0,
    loopDelayP99Ms: health.loopDelayP99Ms,
    packets: packets.count,
  };
}

const looks = [];
const everyS = Math.max(5, (minutes * 60) / 20);
console.log('  minute   session h   frames     lost   memory MB   threads   handles   loop delay p99 ms   packets');
const began = Date.now();
while (Date.now() - began < minutes * 60_000) {
  await sleep(everyS * 1000);
  const now = await look();
  looks.push(now);
  const minute = (Date.now() - began) / 60_000;
  const columns = [
    minute.toFixed(1).padStart(8),
    ((minute * speed) / 60).toFixed(2).padStart(12),
    String(now.frames).padStart(9),
    String(now.lost).padStart(9),
    now.memoryMb.toFixed(0).padStart(12),
    String(now.threads).padStart(10),
    String(now.handles).padStart(10),
    now.loopDelayP99Ms.toFixed(1).padStart(20),
    String(now.packets).padStart(10),
  ];
  console.log(columns.join(''));
}
for (const socket of sockets) socket.close();
server.removeAllListeners('exit');
const ended = new Promise((resolve) => server.on('exit', resolve));
server.kill('SIGTERM');
await ended;

const third = Math.max(1, Math.floor(looks.length / 3));
const mean = (part, key) => part.reduce((sum, look) => sum + look[key], 0) / part.length;
const early = looks.slice(third, 2 * third).length > 0 ? looks.slice(third, 2 * third) : looks;
const late = looks.slice(-third);
const memory = mean(late, 'memoryMb') / mean(early, 'memoryMb');
const handles = mean(late, 'handles') / mean(early, 'handles');
const last = looks.at(-1);
const bytes = readdirSync(join(folder, 'data', 'sessions')).reduce(
  (sum, file) => sum + statSync(join(folder, 'data', 'sessions', file)).size,
  0,
);
console.log(`memory, last third beside middle third: ${memory.toFixed(3)} x; handles ${handles.toFixed(3)} x`);
console.log(`frames ${last.frames}, lost ${last.lost}, ${(bytes / last.frames).toFixed(2)} bytes a frame on disk, reading included`);
const grown = memory > 1.15 || handles > 1.1;
if (grown) console.log('Something grows.');
process.exitCode = grown ? 1 : 0;
