// Recorder: bytes on disk, the writer's CPU a frame beside a SQLite row a frame, and commit latency beside a bare write and fdatasync.
import { closeSync, fdatasyncSync, mkdtempSync, openSync, rmSync, statSync, writeFileSync, writeSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { gzipSync } from 'node:zlib';
import Database from 'better-sqlite3';
import { parseVehicle } from '../../dist/server/definitions/load-vehicle.js';
import { toTextLog } from '../../dist/server/exchange/text-log-writer.js';
import { makeDataFolder, sessionPath } from '../../dist/server/recording/data-folder.js';
import { importFrames } from '../../dist/server/recording/import-session.js';
import { JournalWriter } from '../../dist/server/recording/journal.js';
import { startingFacts } from '../../dist/server/recording/session-facts.js';
import { SessionFile } from '../../dist/server/recording/session-file.js';
import { SessionWriter } from '../../dist/server/recording/session-writer.js';
import { busTrace, commitsOf, part, traceFiles } from './bus-trace.mjs';
import { median } from './interleaved.mjs';

const folder = mkdtempSync(join(tmpdir(), 'evenburn-bench-'));
let files = 0;
const newFile = () => join(folder, `${++files}.sqlite`);

function told(title, ratio, { floor, goal, less, reference }) {
  const isAt = (limit) => (less ? ratio <= limit : ratio >= limit);
  const verdict = isAt(goal) ? 'goal reached' : isAt(floor) ? 'floor reached' : 'BELOW THE FLOOR';
  process.stdout.write(`${title}\n  ratio ${ratio.toFixed(3)}; floor ${floor}, goal ${goal}: ${verdict}\n  reference ${reference}\n`);
  if (!isAt(floor)) process.exitCode = 1;
}

function newWriter(path) {
  writeFileSync(path, '');
  return SessionWriter.create(path, startingFacts(1, 'bench'), undefined, { wallMs: 0, program: 'bench' });
}

const noVehicle = () => {
  throw new Error('no definitions in this trace');
};

/** Records a trace as the recorder does, 100 ms a commit. Returns CPU microseconds a frame, and the times of the commits. */
async function record(path, commits) {
  const writer = newWriter(path);
  const journal = new JournalWriter();
  const commitMs = [];
  let frames = 0;
  const began = process.cpuUsage();
  for (const batch of commits) {
    journal.clear();
    journal.take({ kind: 'frames', batch });
    const bytes = journal.out.taken();
    const from = performance.now();
    writer.commitJournal([bytes], []);
    commitMs.push(performance.now() - from);
    writer.take(bytes, noVehicle);
    if (writer.sliceDue) await writer.writeSlice();
    frames += batch.count;
  }
  await writer.close('closed');
  const { user, system } = process.cpuUsage(began);
  return { cpuUs: (user + system) / frames, commitMs, frames };
}

/** The same frames as rows, the same durability and the same commits. */
function recordRows(path, commits) {
  const db = new Database(path);
  db.pragma('journal_mode = WAL');
  db.pragma('synchronous = FULL');
  db.exec(
    'CREATE TABLE frame (time_us INTEGER NOT NULL, bus INTEGER NOT NULL, can_id INTEGER NOT NULL, flags INTEGER NOT NULL, data BLOB NOT NULL)',
  );
  const insert = db.prepare('INSERT INTO frame VALUES (?, ?, ?, ?, ?)');
  let frames = 0;
  const began = process.cpuUsage();
  for (const batch of commits) {
    db.transaction(() => {
      for (let i = 0; i < batch.count; i++) insert.run(batch.timeUs[i], batch.bus[i], batch.id[i], batch.flags[i], batch.bytesOf(i));
    })();
    frames += batch.count;
  }
  db.pragma('wal_checkpoint(TRUNCATE)');
  const { user, system } = process.cpuUsage(began);
  db.close();
  return { cpuUs: (user + system) / frames };
}

async function benchBytes() {
  const trace = busTrace({ seed: 1, seconds: 300 });
  const path = newFile();
  await record(path, commitsOf(trace));
  const bytes = statSync(path).size / trace.count;
  const text = Buffer.concat(
    Array.from({ length: Math.ceil(trace.count / 8192) }, (_, k) =>
      toTextLog(part(trace, k * 8192, Math.min(trace.count, (k + 1) * 8192)), ['can0']),
    ),
  );
  const gzip = gzipSync(text, { level: 6 }).length / trace.count;
  told(`bytes a frame on disk, closed file: ${bytes.toFixed(2)} (${trace.count} frames)`, bytes / gzip, {
    floor: 0.42,
    goal: 0.33,
    less: true,
    reference: `gzip -6 of the text log: ${gzip.toFixed(2)} bytes a frame`,
  });
}

async function benchSamples() {
  const { vehicle } = parseVehicle(traceFiles());
  const data = join(folder, 'data');
  makeDataFolder(data);
  const trace = busTrace({ seed: 2, seconds: 120 });
  const session = await importFrames(data, vehicle, { frames: [trace], origin: 'bench', remarks: () => [] }, 0);
  const file = SessionFile.open(data, session);
  const sum = (sql) => file.db.prepare(sql).pluck().get();
  const samples = sum('SELECT sum(samples) FROM reading_slice');
  // Rows' own overhead is in: pages of the tables, not blobs alone.
  const kept = sum('SELECT sum(length(data) + 12) FROM (SELECT data FROM chunk UNION ALL SELECT data FROM times)');
  const heads = sum('SELECT sum(length(before) + length(state) + 24) FROM reading_slice');
  const bins = sum('SELECT sum(length(data)) FROM bins');
  file.close();
  const bytes = (kept + heads) / samples;
  told(
    `bytes a sample on disk, pyramid left out: ${bytes.toFixed(2)} (${samples} samples; pyramid ${(bins / samples).toFixed(2)})`,
    bytes / 16,
    {
      floor: 0.3,
      goal: 0.15,
      less: true,
      reference: '16 bytes (time and double)',
    },
  );
  process.stdout.write(`  whole session file ${(statSync(sessionPath(data, session)).size / samples).toFixed(2)} bytes a sample\n`);
}

async function benchCpu() {
  // 8,500 frames/s: a bus of 1 Mbit/s that is full.
  const commits = commitsOf(busTrace({ seed: 3, seconds: 25, ids: 170 }));
  await record(newFile(), commits);
  const ratios = [];
  const references = [];
  const owns = [];
  for (let round = 0; round < 5; round++) {
    const first = round % 2 === 0 ? (await record(newFile(), commits)).cpuUs : undefined;
    const rows = recordRows(newFile(), commits).cpuUs;
    const own = first ?? (await record(newFile(), commits)).cpuUs;
    ratios.push(rows / own);
    references.push(rows);
    owns.push(own);
  }
  told(`writer CPU a frame, journal and slice: ${median(owns).toFixed(2)} us`, median(ratios), {
    floor: 1.5,
    goal: 2.5,
    reference: `SQLite row a frame: ${median(references).toFixed(2)} us CPU a frame (median of 5 rounds, ratios ${ratios.map((r) => r.toFixed(2)).join(' ')})`,
  });
}

async function benchCommit() {
  const commits = commitsOf(busTrace({ seed: 4, seconds: 40, ids: 150 }));
  const ratios = [];
  const references = [];
  const p99 = (times) => [...times].sort((a, b) => a - b)[Math.floor(times.length * 0.99)];
  for (let round = 0; round < 5; round++) {
    const { commitMs } = await record(newFile(), commits);
    const bare = bareWrites(commits);
    ratios.push(p99(commitMs) / p99(bare));
    references.push(p99(bare));
  }
  told('commit, p99', median(ratios), {
    floor: 3,
    goal: 1.5,
    less: true,
    reference: `bare write and fdatasync of the same bytes: ${median(references).toFixed(2)} ms (ratios ${ratios.map((r) => r.toFixed(2)).join(' ')})`,
  });
}

function bareWrites(commits) {
  const file = openSync(join(folder, `${++files}.bin`), 'w');
  const times = commits.map((batch) => {
    const journal = new JournalWriter();
    journal.take({ kind: 'frames', batch });
    const bytes = journal.out.taken();
    const from = performance.now();
    writeSync(file, bytes);
    fdatasyncSync(file);
    return performance.now() - from;
  });
  closeSync(file);
  return times;
}

try {
  await benchBytes();
  await benchSamples();
  await benchCpu();
  await benchCommit();
} finally {
  rmSync(folder, { recursive: true, force: true });
}
