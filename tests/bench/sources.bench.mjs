// `npm run bench -- sources`: twice a fully loaded 1 Mbit/s bus through a reader's way out, the pipe and the server's end, with eight pages' worth of
// decoding beside it: frames a second, what the reader costs, and that sent − delivered − counted as lost is zero.
//
// The kernel of most test machines has no CAN, so frames are made inside the reader's process; SocketCAN itself is judged by tests/socketcan.
import { spawn } from 'node:child_process';
import { fileURLToPath } from 'node:url';
import { PacketReader } from '../../dist/server/bus/batch-wire.js';
import { Merge } from '../../dist/server/bus/merge.js';
import { ReaderOutlet } from '../../dist/server/bus/reader-outlet.js';
import { AdapterStamps, SerialLineParser } from '../../dist/server/bus/serial-protocol.js';
import { SessionClock } from '../../dist/server/clock.js';
import { median } from './interleaved.mjs';

const framesPerSecond = 17_000;
const seconds = Number(process.argv.at(-1).match(/^\d+$/)?.[0] ?? 60);
/** Every frame is walked once for each page: more than a page costs, since pages get values and not frames. */
const clients = 8;
const stallEverySeconds = 5;

function reader(startUs) {
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
      outlet.frame(Math.max(outlet.floorUs, began + Math.floor((sent * 1e6) / framesPerSecond)), 0x100 + (sent % 60), 0, bytes, 8);
    }
    if (sent < total) return;
    clearInterval(timer);
    stop();
    const { user, system } = process.cpuUsage();
    outlet.note({ note: 'status', status: { sent, cpuUs: user + system } });
  }, 1);
}

async function server() {
  const clock = new SessionClock();
  const child = spawn(process.execPath, [fileURLToPath(import.meta.url), 'as-reader', String(clock.startUs), String(seconds)], {
    stdio: ['ignore', 'pipe', 'inherit'],
  });
  const packets = new PacketReader(0);
  const merge = new Merge([0]);
  const lateness = [];
  let [delivered, dropped, walked, cpuUs, sent] = [0, 0, 0, 0, 0];
  const walk = (batch) => {
    for (let client = 0; client < clients; client++) for (let i = 0; i < batch.count; i++) walked += batch.data[batch.offset[i]];
  };
  const step = () =>
    merge.step(clock.nowUs(), (input) => {
      if (input.kind !== 'frames') return;
      delivered += input.batch.count;
      lateness.push(clock.nowUs() - input.batch.timeUs[0]);
      walk(input.batch);
    });
  const timer = setInterval(step, 5);
  // A busy moment of the server, as an export or a garbage collection makes it.
  const stall = setInterval(() => {
    const end = performance.now() + 300;
    while (performance.now() < end);
  }, stallEverySeconds * 1000);
  child.stdout.on('data', (chunk) => {
    for (const packet of packets.push(chunk)) {
      if (packet.kind === 'note') ({ cpuUs, sent } = packet.note.status);
      else {
        dropped = packet.dropped;
        merge.add(0, packet.batch, packet.watermarkUs);
      }
    }
  });
  await new Promise((resolve) => child.on('close', resolve));
  clearInterval(stall);
  await new Promise((resolve) => setTimeout(resolve, 100));
  clearInterval(timer);
  merge.end(0);
  step();
  const uncounted = sent - delivered - dropped;
  lateness.sort((a, b) => a - b);
  const at = (share) => (lateness[Math.floor(lateness.length * share)] / 1000).toFixed(1);
  process.stdout.write(
    `pipe: ${framesPerSecond} frames/s for ${seconds} s, ${clients} pages' worth of walking, a stall of 300 ms every ${stallEverySeconds} s\n`,
  );
  process.stdout.write(`  sent ${sent}, delivered ${delivered}, dropped and counted ${dropped}, uncounted ${uncounted} (must be 0)\n`);
  process.stdout.write(
    `  reader CPU ${(cpuUs / 1e4 / seconds).toFixed(1)} % of one core; first frame of a batch out of the merge after ${at(0.5)} ms, p99 ${at(0.99)} ms\n`,
  );
  if (uncounted !== 0 || dropped !== 0 || walked < 0) process.exitCode = 1;
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

if (process.argv[2] === 'as-reader') reader(Number(process.argv[3]));
else {
  serialRate();
  await server();
}
