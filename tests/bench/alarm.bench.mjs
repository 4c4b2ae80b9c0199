// `npm run bench -- alarm [TRIALS]`: from a frame on a serial line to the alarm's row in the page of a real browser, through the whole server.
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';
import { ensureInstalled } from '../../server/start.mjs';

const frameMs = 16.7;
const floor = 4;
const goal = 2;
const trials = Number(process.argv.at(-1).match(/^\d+$/)?.[0] ?? 200);
const framesPerSecond = 6000;
const here = (name) => fileURLToPath(new URL(name, import.meta.url));

ensureInstalled({ dev: true, folder: 'tests/browser' });
const require = createRequire(here('../browser/package.json'));
const { default: packaged } = await import(require.resolve('@sparticuz/chromium'));
const { chromium } = require('playwright-core');

/** The sender numbers its frames; the alarm is a bit of that number, which is set for 1,024 frames and clear for as many. */
const bit = 10;
const idsOfSender = 60;
const files = {
  'vehicle.yaml': `vehicle: Bench
buses: { main: { bit_rate: 1 Mbit/s, devices: [sender] } }
alarms:
  - { name: hot, when: "beat == 1", severity: caution, advice: None }
`,
  'devices/sender.yaml': `device: sender
title: Sender
frames:
  - { name: beats, id: 0x100, length: 8, period: 10 ms, signals: [{ name: beat, start_bit: ${bit}, bit_length: 1, byte_order: little }] }
`,
};

const data = mkdtempSync(join(tmpdir(), 'evenburn-bench-'));
mkdirSync(join(data, 'vehicle', 'devices'), { recursive: true });
for (const [path, text] of Object.entries(files)) writeFileSync(join(data, 'vehicle', path), text);

const sender = spawn('python3', [here('../fault/serial-sender.py'), String(framesPerSecond)], { stdio: ['pipe', 'pipe', 'inherit'] });
const lines = createInterface({ input: sender.stdout });
/** When frame `n` with the bit newly set had gone out: milliseconds of the monotonic clock, by its place among those frames. */
const sentMs = [];
const terminal = await new Promise((resolve) => lines.once('line', resolve));
lines.on('line', (line) => {
  const [count, ns] = line.split(' ').map(Number);
  if (count > firstWithBit(sentMs.length)) sentMs.push(ns / 1e6);
});

function firstWithBit(k) {
  return Math.ceil((2 ** bit * (2 * k + 1)) / idsOfSender) * idsOfSender;
}

const args = ['--port', '0', '--vehicle', join(data, 'vehicle'), '--data', data, '--bus', `main=serial:${terminal}?baud=3000000`];
const server = spawn(process.execPath, [here('../fault/serve-built.mjs'), ...args], {
  stdio: ['ignore', 'pipe', 'inherit'],
  env: { ...process.env, npm_lifecycle_event: '' },
});
const url = await new Promise((resolve) => {
  let text = '';
  server.stdout.on('data', (chunk) => {
    text += chunk;
    const found = /http:\S+/.exec(text);
    if (found) resolve(new URL(found[0]).origin);
  });
});

const browser = await chromium.launch({ executablePath: await packaged.executablePath(), args: ['--no-sandbox', '--headless'] });
const page = await browser.newPage({ viewport: { width: 1366, height: 768 } });
await page.goto(`${url}/#/live`);
await page.waitForSelector('[data-alarm="hot"]');
await page.evaluate(() => {
  window.shownMs = [];
  let isShown = false;
  const look = () => {
    const now = document.querySelector('[data-alarm="hot"]') !== null;
    if (now && !isShown) window.shownMs.push(performance.timeOrigin + performance.now());
    isShown = now;
  };
  look();
  new MutationObserver(look).observe(document.body, { subtree: true, childList: true });
});
await page.waitForFunction((wanted) => window.shownMs.length > wanted, trials, { timeout: 600_000 });
const shownMs = await page.evaluate(() => window.shownMs);
/** From the monotonic clock to the wall clock that the page reads. */
const offsetMs = performance.timeOrigin + performance.now() - Number(process.hrtime.bigint()) / 1e6;
await browser.close();
server.kill('SIGTERM');
await once(server, 'exit');
sender.stdin.end();
rmSync(data, { recursive: true });

/** The first row may have stood already when the page began to look. */
const latenciesMs = shownMs.slice(1).map((ms) => ms - offsetMs - Math.max(...sentMs.filter((sent) => sent + offsetMs <= ms)));
latenciesMs.sort((a, b) => a - b);
const quantile = (q) => latenciesMs[Math.min(latenciesMs.length - 1, Math.ceil(q * latenciesMs.length) - 1)];
const ratio = quantile(0.99) / frameMs;
const verdict = ratio <= goal ? 'goal reached' : ratio <= floor ? 'floor reached' : 'ABOVE THE FLOOR';
process.stdout.write(`frame at the adapter to the alarm in the page, p99 of ${latenciesMs.length}
  ratio ${ratio.toFixed(2)} (median ${quantile(0.5).toFixed(1)} ms, p99 ${quantile(0.99).toFixed(1)} ms, worst ${latenciesMs.at(-1).toFixed(1)} ms); floor ${floor}, goal ${goal}: ${verdict}
  reference ${frameMs} ms, a frame of the screen; an instant of 10 ms and a later frame are in it
`);
process.exitCode = ratio > floor ? 1 : 0;
