// `npm run fault [KILLS [SEED]]`: kills `serve` with its whole tree at so many random instants at full bus load (200 unless said), one in four with
// its log cut or garbled, one in five while a slice is written, and prints what each lost; then the tests of a disk that refuses.
import { spawnSync } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync, statSync, truncateSync, writeFileSync } from 'node:fs';
import { loadavg, tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { ensureBuilt } from '../../server/start.mjs';
import { randomFrom } from '../bench/bus-trace.mjs';

await ensureBuilt();
const { killTrial } = await import('./kill-trial.mjs');
const { serveTrial, whyNoServeTrial } = await import('./serve-trial.mjs');
const { getVehicle } = await import('../../dist/server/definitions/load-vehicle.js');

const root = join(dirname(fileURLToPath(import.meta.url)), '..', '..');
const kills = Number(process.argv[2] ?? 200);
const seed = Number(process.argv[3] ?? 20_261);
const random = randomFrom(seed);
const framesPerSecond = 8500;
const allowedMs = 250;
const whyNot = whyNoServeTrial();
const vehicle = await getVehicle(join(root, 'bus-definitions', 'garganey'));
const say = (line) => process.stdout.write(`${line}\n`);

say(`${kills} kills, seed ${seed}, ${framesPerSecond} frames/s; load of the machine ${loadavg()[0].toFixed(1)}`);
if (whyNot) say(`The recorder alone is killed, not the server: ${whyNot}.`);

function cutTail(path) {
  truncateSync(`${path}-wal`, Math.floor(statSync(`${path}-wal`).size * random()));
}

function garbleTail(path) {
  const bytes = readFileSync(`${path}-wal`);
  for (let i = Math.floor(bytes.length * random()); i < bytes.length; i++) bytes[i] ^= 0xa5;
  writeFileSync(`${path}-wal`, bytes);
}

/** What is done to the files between kill and start. */
function tamperOf(n) {
  if (n % 8 === 3) return { how: 'log cut', tamper: cutTail };
  if (n % 8 === 7) return { how: 'log garbled', tamper: garbleTail };
  return { how: 'kill' };
}

/** Whether it was sound; and how much a plain kill lost. */
async function killOnce(n) {
  const data = mkdtempSync(join(tmpdir(), 'evenburn-fault-'));
  const { how, tamper } = tamperOf(n);
  // One in five around the moment at which the first slice is written.
  const killAfterMs = n % 5 === 0 ? 10_000 + random() * 600 : 300 + random() * 3000;
  const trial = { data, vehicle, framesPerSecond, killAfterMs, ...(tamper ? { tamper } : {}) };
  try {
    const { recorded, sent, missingMs, damage } = await (whyNot ? killTrial(trial) : serveTrial(trial));
    const isSound = damage.length === 0 && (tamper !== undefined || missingMs <= allowedMs);
    const found = `${recorded} of ${sent} frames, the oldest missing one ${missingMs.toFixed(0)} ms before the kill`;
    say(`${n + 1}: ${how} after ${killAfterMs.toFixed(0)} ms: ${found}${isSound ? '' : `  FAILED ${JSON.stringify(damage)}`}`);
    return { isSound, lostMs: tamper ? 0 : missingMs };
  } catch (error) {
    say(`${n + 1}: FAILED ${error.stack}`);
    return { isSound: false, lostMs: 0 };
  } finally {
    rmSync(data, { recursive: true, force: true });
  }
}

const lost = [];
let failed = 0;
for (let n = 0; n < kills; n++) {
  const { isSound, lostMs } = await killOnce(n);
  if (!isSound) failed++;
  lost.push(lostMs);
}
lost.sort((a, b) => a - b);
const worst = lost.at(-1) ?? 0;
say(`${kills} kills, ${failed} failed; most that a kill lost: ${worst.toFixed(0)} ms of frames (allowed ${allowedMs})`);

const vitest = join(root, 'node_modules', 'vitest', 'vitest.mjs');
const disk = spawnSync(process.execPath, [vitest, 'run', '--config', 'tests/vitest.config.ts', 'tests/recording/disk.test.ts'], {
  cwd: root,
  stdio: 'inherit',
});
process.exitCode = failed > 0 || disk.status !== 0 ? 1 : 0;
