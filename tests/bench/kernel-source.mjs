// Runs inside user-mode Linux for the benchmark of sources: a virtual interface, at one rate after the other.
//
// First a reader alone, with the kernel's own socket buffer and with the one that `doctor` advises, then the whole server: all of it
// shares the guest's one processor. canplayer plays numbered frames at the rate asked for; what was sent is the interface's own count.
// Prints {alone, buffered, whole}, an array of accounts each, as JSON.
import { spawn } from 'node:child_process';
import { readFileSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { ReaderSource } from '../../dist/server/bus/reader.js';
import { accountAlone, accountOf, benchIds, benchVehicle } from './source-account.mjs';

const name = 'vcan0';
const [seconds, clients, ...rates] = process.argv.slice(2).map(Number);
const frameBytes = 8;

function run(file, args) {
  return new Promise((resolve, reject) => {
    const child = spawn(file, args, { stdio: ['ignore', 'ignore', 'pipe'] });
    let text = '';
    child.stderr.on('data', (chunk) => {
      text += chunk;
    });
    child.on('close', (code) => (code === 0 ? resolve() : reject(new Error(`${file} ${args.join(' ')}: ${text}`))));
  });
}

/** A text log of so many frames a second; each carries its number. */
function writeLog(path, framesPerSecond, ids) {
  const lines = [];
  for (let i = 0; i < framesPerSecond * seconds; i++) {
    const at = i / framesPerSecond;
    const number = i.toString(16).padStart(2 * frameBytes, '0');
    lines.push(`(${(1e9 + at).toFixed(6)}) ${name} ${ids[i % ids.length].toString(16).padStart(3, '0')}#${number}`);
  }
  writeFileSync(path, `${lines.join('\n')}\n`);
}

const countSent = () => Number(readFileSync(`/sys/class/net/${name}/statistics/tx_packets`, 'latin1'));
const bufferSetting = '/proc/sys/net/core/rmem_default';
const bufferBytesAdvised = 4 << 20;

const open = async (clock) => new ReaderSource(0, `socketcan:${name}`, { kind: 'socketcan', interface: name }, clock);

/** Accounts at falling rates, until one loses nothing. */
async function fall(measure) {
  const accounts = [];
  const ids = benchIds(await benchVehicle());
  for (const asked of rates) {
    const log = join(tmpdir(), 'traffic.log');
    writeLog(log, asked, ids);
    const traffic = async () => {
      const [before, began] = [countSent(), performance.now()];
      await run('canplayer', ['-I', log]);
      return { sent: countSent() - before, seconds: (performance.now() - began) / 1000 };
    };
    const account = await measure(traffic);
    accounts.push({ ...account, asked, bufferBytes: Number(readFileSync(bufferSetting, 'latin1')) });
    if (Object.keys(account.lost).length === 0) break;
  }
  return accounts;
}

await run('ip', ['link', 'add', 'dev', name, 'type', 'vcan']);
await run('ip', ['link', 'set', name, 'up']);
const alone = await fall((traffic) => accountAlone({ open, traffic }));
writeFileSync(bufferSetting, String(bufferBytesAdvised));
const buffered = await fall((traffic) => accountAlone({ open, traffic }));
const whole = await fall((traffic) => accountOf({ open, traffic, clients, stallEverySeconds: 0 }));
process.stdout.write(JSON.stringify({ alone, buffered, whole }), () => process.exit(0));
