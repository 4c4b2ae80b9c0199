// `npm run fault [KILLS]`: kills the recorder at so many random instants at full bus load (200 unless said), every fourth with its log cut or
// garbled, and prints what each lost.
import { mkdtempSync, readFileSync, rmSync, statSync, truncateSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { ensureBuilt } from '../../server/start.mjs';

await ensureBuilt();
const { killTrial } = await import('./kill-trial.mjs');
const { getVehicle } = await import('../../dist/server/definitions/load-vehicle.js');

const kills = Number(process.argv[2] ?? 200);
const vehicle = await getVehicle(new URL('../../bus-definitions/garganey', import.meta.url).pathname);
const allowedMs = 250;
let worst = 0;
let failed = 0;

function tamperOf(n) {
  if (n % 8 === 3) return (path) => truncateSync(`${path}-wal`, Math.floor(statSync(`${path}-wal`).size * Math.random()));
  if (n % 8 === 7) return garbleTail;
  return undefined;
}

function garbleTail(path) {
  const bytes = readFileSync(`${path}-wal`);
  for (let i = Math.floor(bytes.length * Math.random()); i < bytes.length; i++) bytes[i] ^= 0xa5;
  writeFileSync(`${path}-wal`, bytes);
}

for (let n = 0; n < kills; n++) {
  const data = mkdtempSync(join(tmpdir(), 'evenburn-fault-'));
  const tamper = tamperOf(n);
  // One in five around the moment at which the first slice is written.
  const killAfterMs = n % 5 === 0 ? 10_000 + Math.random() * 600 : 300 + Math.random() * 3000;
  try {
    const trial = await killTrial({ data, vehicle, framesPerSecond: 8500, killAfterMs, ...(tamper ? { tamper } : {}) });
    const isSound = trial.damage.length === 0 && (tamper !== undefined || trial.missingMs <= allowedMs);
    if (!isSound) failed++;
    if (!tamper) worst = Math.max(worst, trial.missingMs);
    const how = tamper ? (n % 8 === 3 ? 'log cut' : 'log garbled') : 'kill';
    const found = `${trial.recorded} of ${trial.sent} frames, the oldest missing one ${trial.missingMs.toFixed(0)} ms before the kill`;
    process.stdout.write(
      `${n + 1}: ${how} after ${killAfterMs.toFixed(0)} ms: ${found}${isSound ? '' : `  FAILED ${JSON.stringify(trial.damage)}`}\n`,
    );
  } catch (error) {
    failed++;
    process.stdout.write(`${n + 1}: FAILED ${error.stack}\n`);
  } finally {
    rmSync(data, { recursive: true, force: true });
  }
}
process.stdout.write(`${kills} kills, ${failed} failed; most that a kill lost: ${worst.toFixed(0)} ms of frames (allowed ${allowedMs})\n`);
process.exitCode = failed > 0 ? 1 : 0;
