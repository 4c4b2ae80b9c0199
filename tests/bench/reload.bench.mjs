// From a save of a vehicle folder to the new vehicle at the watcher's caller: `npm run bench -- reload`. Goal: within 300 ms.
import { appendFileSync, cpSync, mkdtempSync, readFileSync, renameSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { loadVehicle } from '../../dist/server/definitions/load-vehicle.js';
import { watchVehicle } from '../../dist/server/definitions/watch-vehicle.js';

const savesCount = 40;
const goalMs = 300;
const root = mkdtempSync(join(tmpdir(), 'evenburn-reload-'));
const dir = join(root, 'boat');
cpSync(fileURLToPath(new URL('../../bus-definitions/garganey', import.meta.url)), dir, { recursive: true });

/** Adds signals until the folder is as large as a big boat's: 2,400 signals in 400 frames. */
function enlarge() {
  const frames = Array.from({ length: 400 }, (_, f) => {
    const signals = Array.from({ length: 6 }, (_, s) => `      - { name: big_${f}_${s}, bytes: ${s}, factor: 0.5, unit: kPa }`);
    return `  - name: big_${f}\n    id: ${0x1000 + f}\n    extended: true\n    length: 8\n    period: 1 s\n    signals:\n${signals.join('\n')}`;
  });
  writeFileSync(join(dir, 'devices', 'big.yaml'), `device: big\nframes:\n${frames.join('\n')}\n`);
  const path = join(dir, 'vehicle.yaml');
  writeFileSync(path, readFileSync(path, 'utf8').replace('pressure-node] }', 'pressure-node, big] }'));
}

async function measure(name) {
  let told;
  const watching = await watchVehicle(dir, await loadVehicle(dir), (loaded) => told?.(loaded));
  const delays = [];
  for (let i = 0; i < savesCount; i++) {
    const next = new Promise((resolve) => {
      told = resolve;
    });
    const path = join(dir, 'vehicle.yaml');
    const began = performance.now();
    if (i % 2 === 0) appendFileSync(path, `# save ${i}\n`);
    else {
      writeFileSync(`${path}~`, `${readFileSync(path, 'utf8')}# save ${i}\n`);
      renameSync(`${path}~`, path);
    }
    const { vehicle } = await next;
    if (!vehicle) throw new Error('the saved vehicle is broken');
    delays.push(performance.now() - began);
  }
  await watching.close();
  // The first save comes while the watcher's worker still loads: nobody saves within a second of the start of the server.
  const [first, ...warm] = delays;
  warm.sort((a, b) => a - b);
  const at = (share) => warm[Math.min(warm.length - 1, Math.floor(warm.length * share))];
  process.stdout.write(
    `${name}: median ${at(0.5).toFixed(0)} ms, p95 ${at(0.95).toFixed(0)} ms, worst ${at(1).toFixed(0)} ms (goal ${goalMs} ms); at once after the start ${first.toFixed(0)} ms\n`,
  );
  return at(0.95);
}

const small = await measure('Garganey, 38 signals');
enlarge();
const large = await measure('with 2,400 signals more');
rmSync(root, { recursive: true });
process.exitCode = Math.max(small, large) <= goalMs ? 0 : 1;
