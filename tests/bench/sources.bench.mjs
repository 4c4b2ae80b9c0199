// `npm run bench -- sources [SECONDS]`: twice a fully loaded 1 Mbit/s bus from a reader process through the whole server, recorded, with eight pages
// on it: that sent − recorded − counted as lost is zero, and lost too; what the reader costs. And how fast serial lines and files are read.
//
// The kernel of most test machines has no CAN, so frames are made inside the reader's process; SocketCAN itself is judged by tests/socketcan.
import { fork, spawn } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { PacketReader } from '../../dist/server/bus/batch-wire.js';
import { FrameBatch } from '../../dist/server/bus/frame-batch.js';
import { ReaderOutlet } from '../../dist/server/bus/reader-outlet.js';
import { AdapterStamps, SerialLineParser } from '../../dist/server/bus/serial-protocol.js';
import { SessionClock } from '../../dist/server/clock.js';
import { median } from './interleaved.mjs';

const framesPerSecond = 17_000;
const seconds = Number(process.argv.at(-1).match(/^\d+$/)?.[0] ?? 60);
const clients = 8;
const stallEverySeconds = 5;
const stallMs = 300;
const fileFrames = 200_000;

/** As a driver does it: frames come, and are handed over in the next thousandth of a second. */
function reader(startUs, ids) {
  const clock = new SessionClock(undefined, startUs);
  const began = clock.nowUs();
  const bytes = new Uint8Array(8);
  const outlet = new ReaderOutlet({ write: (packet, done) => void process.stdout.write(packet, () => done()) }, () => clock.nowUs());
  let sent = 0;
  const total = framesPerSecond * seconds;
  const stop = outlet.run(() => false);
  // A thousandth of a second is how soon a driver hands a frame over.
  const timer = setInterval(() => {
    const due = Math.min(total, Math.floor(((clock.nowUs() - began) * framesPerSecond) / 1e6));
    for (; sent < due; sent++) {
      bytes[0] = sent;
      bytes[1] = sent >> 8;
      outlet.frame(Math.max(outlet.floorUs, began + Math.floor((sent * 1e6) / framesPerSecond)), ids[sent % ids.length], 0, bytes, 8);
    }
    if (sent < total) return;
    clearInterval(timer);
    stop();
    const { user, system } = process.cpuUsage();
    outlet.note({ note: 'status', status: { sent, cpuUs: user + system } });
  }, 1);
}

/** A source as the server sees one: the reader's pipe, its frames counted as they come. */
class PipedSource {
  bus = 0;
  description = 'bench';
  stampQuality = 'process';
  delivered = 0;
  dropped = 0;
  sent = 0;
  cpuUs = 0;

  constructor(clock, frames) {
    const order = [fileURLToPath(import.meta.url), 'as-reader', String(clock.startUs), JSON.stringify(frames), String(seconds)];
    this.order = order;
    this.ended = new Promise((resolve) => {
      this.resolveEnded = resolve;
    });
  }

  start(listener) {
    const child = spawn(process.execPath, this.order, { stdio: ['ignore', 'pipe', 'inherit'] });
    const packets = new PacketReader(this.bus);
    listener.state('up', 'bench');
    child.stdout.on('data', (chunk) => {
      for (const packet of packets.push(chunk)) {
        if (packet.kind === 'note') {
          ({ cpuUs: this.cpuUs, sent: this.sent } = packet.note.status);
          continue;
        }
        this.delivered += packet.batch.count;
        listener.frames(packet.batch, packet.watermarkUs);
        if (packet.dropped > this.dropped) listener.loss('queue', packet.dropped - this.dropped);
        this.dropped = packet.dropped;
      }
    });
    child.on('close', () => {
      listener.state('down', 'bench');
      listener.end();
      this.resolveEnded();
    });
  }

  async stop() {}
}

/** Eight pages in a process of their own, as browsers are. */
async function openPages(port) {
  const child = fork(fileURLToPath(new URL('latency-pages.mjs', import.meta.url)), [String(port), String(clients)]);
  return {
    packets: () =>
      new Promise((resolve) => {
        child.once('message', ({ latenciesMs }) => resolve(latenciesMs.length));
        child.send('how many');
      }),
    close: () => child.disconnect(),
  };
}

/** Frames and counted losses that the session files of a folder hold. Late frames are recorded, and no loss. */
async function readBack(data) {
  const { SessionFile } = await import('../../dist/server/recording/session-file.js');
  const { sessionNumbers } = await import('../../dist/server/recording/data-folder.js');
  let [frames, lost, late] = [0, 0, 0];
  for (const session of sessionNumbers(data)) {
    const file = SessionFile.open(data, session);
    for (const input of file.record()) {
      if (input.kind === 'frames') frames += input.batch.count;
      else if (input.kind === 'loss' && input.place === 'late') late += input.count;
      else if (input.kind === 'loss') lost += input.count;
    }
    file.close();
  }
  return { frames, lost, late };
}

/** Everything that runs in a car: reader process, merge, pipeline, recorder, pages. */
async function server() {
  const [{ getVehicle }, { Station }, { Recorder }, { startServer }] = await Promise.all([
    import('../../dist/server/definitions/load-vehicle.js'),
    import('../../dist/server/station.js'),
    import('../../dist/server/recording/recorder.js'),
    import('../../dist/server/http/server.js'),
  ]);
  const vehicle = await getVehicle(fileURLToPath(new URL('../../bus-definitions/garganey', import.meta.url)));
  const frames = vehicle.buses[0].frames.filter(({ id, extended }) => id !== undefined && !extended).map(({ id }) => id);
  const data = mkdtempSync(join(tmpdir(), 'evenburn-sources-'));
  try {
    const clock = new SessionClock();
    const source = new PipedSource(clock, frames);
    const recorder = await Recorder.open(data, vehicle);
    const station = new Station({ vehicle, sources: [source], session: clock, recorder });
    const began = process.cpuUsage();
    const running = await startServer({ station, version: 'bench' }, 0);
    const pages = await openPages(running.port);
    // A busy moment of the server, as a garbage collection makes it.
    const stall = setInterval(() => {
      const end = performance.now() + stallMs;
      while (performance.now() < end);
    }, stallEverySeconds * 1000);
    await source.ended;
    clearInterval(stall);
    const { user, system } = process.cpuUsage(began);
    const [packets, joined] = [await pages.packets(), running.gateway.clientCount];
    pages.close();
    await running.close();
    await recorder.stop();
    const recorded = await readBack(data);
    tellServer({ source, packets, joined, recorded, cpuUs: user + system });
  } finally {
    rmSync(data, { recursive: true, force: true });
  }
}

function tellServer({ source, packets, joined, recorded, cpuUs }) {
  const { sent, delivered, dropped } = source;
  const uncounted = sent - recorded.frames - recorded.lost;
  const percent = (us) => (us / 1e4 / seconds).toFixed(1);
  const say = (text) => process.stdout.write(`${text}\n`);
  say(
    `server: ${framesPerSecond} frames/s for ${seconds} s, recorded, ${joined} pages on it, a stall of ${stallMs} ms every ${stallEverySeconds} s`,
  );
  say(
    `  sent ${sent}, delivered ${delivered}, recorded ${recorded.frames}, counted as lost ${recorded.lost} (queue ${dropped}; must be 0)`,
  );
  say(`  uncounted ${uncounted} (must be 0); late for their instant, and recorded all the same ${recorded.late}`);
  say(`  reader CPU ${percent(source.cpuUs)} % of one core, server with recorder ${percent(cpuUs)} %`);
  say(`  ${(packets / joined / seconds).toFixed(1)} packets a second to each page`);
  if (uncounted !== 0 || recorded.lost !== 0 || joined !== clients || packets === 0 || sent < framesPerSecond * seconds)
    process.exitCode = 1;
}

/** How fast recorded files are read to frames, by form. */
async function fileRates() {
  const [{ createFrameWriter }, { openRecordedFile }] = await Promise.all([
    import('../../dist/server/exchange/frame-writer.js'),
    import('../../dist/server/exchange/recorded-file.js'),
  ]);
  const buses = [{ name: 'engine', index: 0, interface: 'can0' }];
  const batch = new FrameBatch(fileFrames);
  const bytes = Uint8Array.of(1, 2, 3, 4, 5, 6, 7, 8);
  for (let i = 0; i < fileFrames; i++) {
    bytes[0] = i;
    batch.push(1.7e15 + i * 120, 0, 0x100 + (i % 60), 0, bytes, 0, 8);
  }
  const folder = mkdtempSync(join(tmpdir(), 'evenburn-files-'));
  try {
    for (const format of ['log', 'pcapng']) {
      const path = join(folder, format);
      const writer = createFrameWriter(format, buses);
      writeFileSync(path, Buffer.concat([writer.begin(), writer.frames(batch)]));
      const rates = [];
      for (let round = 0; round < 5; round++) {
        const file = openRecordedFile(path, { buses });
        const began = performance.now();
        for await (const _ of file);
        if (file.counts.frames !== fileFrames) throw new Error(`${file.counts.frames} of ${fileFrames} frames read`);
        rates.push((fileFrames * 1000) / (performance.now() - began));
      }
      process.stdout.write(`file, ${format}: ${Math.round(median(rates))} frames/s (median of 5)\n`);
    }
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

/** How fast the serial-line parser reads, beside the bytes of the fastest common link (921,600 baud). */
function serialRate() {
  const line = Buffer.from('T12345678811223344AABBCCDD0001\r'.repeat(2000), 'latin1');
  let count = 0;
  const stamps = new AdapterStamps();
  const parser = new SerialLineParser({
    frame(_id, _flags, _data, _length, stamp) {
      count++;
      stamps.toSessionUs(stamp, count);
    },
    answer() {},
    version() {},
    flags() {},
    state() {},
    errors() {},
    malformed() {},
  });
  const rates = [];
  for (let round = 0; round < 7; round++) {
    const began = performance.now();
    for (let k = 0; k < 20; k++) parser.push(line);
    rates.push((40_000 * 1000) / (performance.now() - began));
  }
  const link = 92_160 / 31;
  process.stdout.write(
    `serial line: parser ${Math.round(median(rates))} frames/s (median of 7), a full 921,600 baud link carries ${Math.round(link)}\n`,
  );
}

if (process.argv[2] === 'as-reader') reader(Number(process.argv[3]), JSON.parse(process.argv[4]));
else {
  serialRate();
  await fileRates();
  await server();
}
