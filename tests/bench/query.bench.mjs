// Windows for plots beside a table with a row a sample: an hour and half a minute of sixteen channels at 1,000 pixels, warm.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { SampleBatch } from '../../dist/server/channels/sample-batch.js';
import { parseVehicle } from '../../dist/server/definitions/load-vehicle.js';
import { slicesPerBlock, writeBins } from '../../dist/server/recording/bins-store.js';
import { makeDataFolder, sessionPath } from '../../dist/server/recording/data-folder.js';
import { closeAsOneFile, openToWrite } from '../../dist/server/recording/database.js';
import { ReadingFile } from '../../dist/server/recording/reading-file.js';
import { ReadingWriter } from '../../dist/server/recording/reading-writer.js';
import { startingFacts, writeFacts, writeFactsNow } from '../../dist/server/recording/session-facts.js';
import { SessionFile } from '../../dist/server/recording/session-file.js';
import { traceFiles } from './bus-trace.mjs';
import { compareInterleaved } from './interleaved.mjs';

const channelsCount = 16;
const hourUs = 3_600_000_000;
const periodUs = 20_000;
const pixels = 1000;
const folder = mkdtempSync(join(tmpdir(), 'evenburn-bench-'));
const channels = Array.from({ length: channelsCount }, (_, index) => ({
  index,
  name: `c${index}`,
  kind: 'derived',
  unit: 'degC',
  inputs: [],
}));
const names = channels.map(({ name }) => name);

/** A wave with noise in steps of 0.1; every thousandth sample is bad. */
function sampleOf(channel, i) {
  const noise = (Math.imul(i * 16 + channel, 0x9e3779b1) >>> 0) / 2 ** 32;
  return { value: Math.round((600 + 200 * Math.sin(i / 5000 + channel) + noise * 4) * 10) / 10, quality: noise < 0.001 ? 2 : 0 };
}

async function makeSession(data) {
  makeDataFolder(data);
  const path = sessionPath(data, 1);
  writeFileSync(path, '');
  const db = openToWrite(path, 'session');
  const facts = { ...startingFacts(1, 'bench'), state: 'closed' };
  writeFacts(db, facts);
  writeFactsNow(db, facts);
  const writer = ReadingWriter.begin(db, { wallMs: 0, program: 'bench', hash: '', note: '' });
  writer.adopt(parseVehicle(traceFiles(1)).vehicle, channels);
  const perSlice = 10_000_000 / periodUs;
  const slices = hourUs / 10_000_000;
  for (let slice = 0; slice < slices; slice++) {
    const batch = new SampleBatch(perSlice * channelsCount);
    for (let i = slice * perSlice; i < (slice + 1) * perSlice; i++) {
      for (let c = 0; c < channelsCount; c++) {
        const { value, quality } = sampleOf(c, i);
        batch.push(c, i * periodUs + c, quality > 1 ? 0 : value, quality);
      }
    }
    writer.samples(batch);
    const encoded = await writer.encode(writer.cut(slice, undefined));
    db.transaction(() => writer.store(encoded))();
    const behind = slice + 1;
    if (behind % slicesPerBlock === 0 || behind === slices)
      await writeBins(db, writer.id, Math.floor(slice / slicesPerBlock) * slicesPerBlock, behind);
  }
  writer.end('complete');
  closeAsOneFile(db);
}

function makeRows(path) {
  const db = new Database(path);
  db.pragma('journal_mode = WAL');
  db.exec(
    'CREATE TABLE sample (channel INTEGER, time_us INTEGER, value REAL, quality INTEGER, PRIMARY KEY (channel, time_us)) WITHOUT ROWID',
  );
  const insert = db.prepare('INSERT INTO sample VALUES (?, ?, ?, ?)');
  db.transaction(() => {
    for (let c = 0; c < channelsCount; c++) {
      for (let i = 0; i < hourUs / periodUs; i++) {
        const { value, quality } = sampleOf(c, i);
        insert.run(c, BigInt(i * periodUs + c), quality > 1 ? null : value, quality);
      }
    }
  })();
  db.pragma('wal_checkpoint(TRUNCATE)');
  db.pragma('cache_size = -400000');
  return db;
}

/** The same bins by SQL. Times and widths are bound as BigInt, so that the division is one of whole numbers. */
function rowWindow(db) {
  const query = db.prepare(
    'SELECT time_us / ? AS bin, min(value) AS low, max(value) AS high, count(value) AS numbers, max(quality) AS worst FROM sample WHERE channel = ? AND time_us >= ? AND time_us < ? GROUP BY bin',
  );
  return (fromUs, toUs, widthUs) => names.map((_, c) => query.all(BigInt(widthUs), c, BigInt(fromUs), BigInt(toUs)));
}

/** Windows a second: several, so that one isn't too short to time. */
function rate(times, work) {
  const from = performance.now();
  for (let i = 0; i < times; i++) work(i);
  return (times * 1000) / (performance.now() - from);
}

/** Both must say the same, or the comparison means nothing. */
function checkSame(window, rows) {
  for (const [c, trace] of window.traces.entries()) {
    for (const { bin, low, high, numbers, worst } of rows[c]) {
      const i = bin - window.first;
      const isSame =
        trace.numbers[i] === numbers &&
        (numbers === 0 || (trace.min[i] === low && trace.max[i] === high)) &&
        31 - Math.clz32(trace.qualities[i]) === worst;
      if (!isSame) throw new Error(`channel ${c}, bin ${bin}: the two windows differ`);
    }
  }
}

try {
  const data = join(folder, 'data');
  await makeSession(data);
  const rows = rowWindow(makeRows(join(folder, 'rows.sqlite')));
  const reading = new ReadingFile(SessionFile.open(data, 1), 1);
  const cases = [
    { title: 'window of 1 h, 16 channels, 1,000 px', lengthUs: hourUs, floor: 150, goal: 500, ours: 50, theirs: 1 },
    { title: 'window of 30 s', lengthUs: 30_000_000, floor: 8, goal: 25, ours: 200, theirs: 8 },
  ];
  for (const { title, lengthUs, floor, goal, ours, theirs } of cases) {
    const fromUs = (hourUs - lengthUs) / 2;
    const asked = { channels: names, fromUs, toUs: fromUs + lengthUs, pixels };
    const coldFrom = performance.now();
    const window = reading.window(asked);
    const coldMs = performance.now() - coldFrom;
    const startUs = window.first * window.widthUs;
    const endUs = startUs + window.count * window.widthUs;
    checkSame(window, rows(startUs, endUs, window.widthUs));
    compareInterleaved(`${title} (${window.count} bins of ${window.widthUs / 1000} ms; the first one, cold, ${coldMs.toFixed(1)} ms)`, {
      floor,
      goal,
      unit: 'windows/s by rows WITHOUT ROWID (channel, time)',
      rounds: 5,
      ours: () => rate(ours, () => reading.window(asked)),
      reference: () => rate(theirs, () => rows(startUs, endUs, window.widthUs)),
    });
  }
} finally {
  rmSync(folder, { recursive: true, force: true });
}
