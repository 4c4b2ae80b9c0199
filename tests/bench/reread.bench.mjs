// `npm run bench -- reread [SECONDS]`: re-reading at full load of 1 Mbit/s beside real time, computing only and with the reading written. A
// stretch (60 s unless said) stands for the hour: a slice takes the same time wherever in a session it lies.
import { copyFileSync, mkdtempSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { parseVehicle } from '../../dist/server/definitions/load-vehicle.js';
import { makeDataFolder, sessionPath } from '../../dist/server/recording/data-folder.js';
import { importFrames } from '../../dist/server/recording/import-session.js';
import { PipelineRun } from '../../dist/server/recording/pipeline-run.js';
import { rereadSession } from '../../dist/server/recording/reread.js';
import { SessionFile } from '../../dist/server/recording/session-file.js';
import { busTrace, part, traceFiles } from './bus-trace.mjs';
import { compareInterleaved, median } from './interleaved.mjs';

const seconds = Number(process.argv[2] ?? 60);
const rounds = 5;
/** 60 ids that come 2.83 times as often as in the other benches: some 8,500 frames/s, 300 signals. */
const times = 2.83;
const derivedChannels = 20;
const alarmCount = 10;
const folder = mkdtempSync(join(tmpdir(), 'evenburn-bench-'));
const data = join(folder, 'data');

/** Derived channels and alarms as an engine's vehicle file has them, over the trace's signals. */
function vehicleText() {
  const formulas = (i) =>
    [`level_${i} - level_${i + 1}`, `smooth(noisy_${i}, 0.2)`, `rate(level_${i}, 0.5)`, `max(noisy_${i}, noisy_${i + 3})`][i % 4];
  const derived = Array.from({ length: derivedChannels }, (_, i) => `  - { name: d${i}, formula: "${formulas(i)}" }`);
  const alarms = Array.from(
    { length: alarmCount },
    (_, i) => `  - { name: a${i}, when: "d${i} > 2000", for: 300 ms, severity: caution, advice: Look }`,
  );
  return `derived:\n${derived.join('\n')}\nalarms:\n${alarms.join('\n')}\n`;
}

function benchVehicle() {
  const [vehicleFile, deviceFile] = traceFiles(60);
  const { vehicle, problems } = parseVehicle([{ ...vehicleFile, text: vehicleFile.text + vehicleText() }, deviceFile]);
  if (!vehicle) throw new Error(JSON.stringify(problems));
  return vehicle;
}

function* parts(trace) {
  for (let from = 0; from < trace.count; from += 4096) yield part(trace, from, Math.min(trace.count, from + 4096));
}

/** Seconds of session time for a second on the clock, and for a second of processor time of all threads: the latter on a busy machine. */
async function timed(work) {
  const from = performance.now();
  const cpu = process.cpuUsage();
  await work();
  const { user, system } = process.cpuUsage(cpu);
  return { clock: (seconds * 1000) / (performance.now() - from), cpu: (seconds * 1e6) / (user + system) };
}

function computeOnly(vehicle) {
  const file = SessionFile.open(data, 1);
  const run = new PipelineRun(vehicle);
  let isFirst = true;
  for (const input of file.record()) {
    if (!isFirst) run.take(input);
    isFirst = false;
  }
  run.finish();
  file.close();
  if (run.failure) throw run.failure;
}

async function writeToo(vehicle, round) {
  const copy = join(folder, `round-${round}`);
  makeDataFolder(copy);
  copyFileSync(sessionPath(data, 1), sessionPath(copy, 1));
  const rates = await timed(() => rereadSession(copy, 1, { vehicle, nowWallMs: 0 }));
  rmSync(copy, { recursive: true });
  return rates;
}

try {
  const vehicle = benchVehicle();
  makeDataFolder(data);
  const trace = busTrace({ seed: 7, seconds, times });
  await importFrames(data, vehicle, { frames: parts(trace), origin: 'bench', remarks: () => [] }, 0);
  const file = SessionFile.open(data, 1);
  const samples = file.db.prepare('SELECT sum(samples) FROM reading_slice').pluck().get();
  file.close();
  const about = `${seconds} s, ${Math.round(trace.count / seconds)} frames/s, ${Math.round(samples / seconds)} samples/s, file ${(statSync(sessionPath(data, 1)).size / 1e6).toFixed(1)} MB`;
  // Both in turn: what else the machine does meanwhile meets both.
  const computing = [];
  const writing = [];
  for (let round = 0; round < rounds; round++) {
    computing.push(await timed(() => computeOnly(vehicle)));
    writing.push(await writeToo(vehicle, round));
  }
  const told = (title, rates, floor, goal) => {
    const next = rates.values();
    compareInterleaved(`${title} (${about})`, {
      rounds,
      floor,
      goal,
      unit: `s of session time a second: real time. By processor time ${median(rates.map(({ cpu }) => cpu)).toFixed(0)}`,
      ours: () => next.next().value.clock,
      reference: () => 1,
    });
  };
  told('re-reading at full load, computing only', computing, 150, 400);
  told('re-reading at full load, the reading written too', writing, 40, 100);
} finally {
  rmSync(folder, { recursive: true, force: true });
}
