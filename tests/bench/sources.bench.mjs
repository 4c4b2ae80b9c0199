// `npm run bench -- sources [SECONDS] [files|reader|serial|kernel]...`: what each kind of source carries through the whole server,
// recorded, with eight pages on it; that sent − recorded − counted as lost is zero; what the reader costs. And how fast files are read.
//
// - reader: twice a fully loaded 1 Mbit/s bus from a reader process. Its frames are made in that process, since the kernel of most
//   machines has no CAN: everything behind the driver is measured, at a rate that a slow virtual machine can't carry.
// - serial: an adapter at the far end of a pair of pseudo terminals (socat), as full as a serial line gets, and as fast as USB proper.
// - kernel: a virtual interface of a real kernel (user-mode Linux), read through the add-on; falling rates until all is delivered.
import { spawn } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { open } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { PacketReader } from '../../dist/server/bus/batch-wire.js';
import { FrameBatch } from '../../dist/server/bus/frame-batch.js';
import { ReaderSource } from '../../dist/server/bus/reader.js';
import { ReaderOutlet } from '../../dist/server/bus/reader-outlet.js';
import { AdapterStamps, SerialLineParser } from '../../dist/server/bus/serial-protocol.js';
import { SessionClock } from '../../dist/server/clock.js';
import { findObstacle, runInside } from '../socketcan/user-mode-linux.mjs';
import { median } from './interleaved.mjs';
import { accountOf, benchIds, benchVehicle, until } from './source-account.mjs';

const framesPerSecond = 17_000;
const words = process.argv.slice(2);
const seconds = Number(words.findLast((word) => /^\d+$/.test(word)) ?? 60);
const clients = 8;
const stallEverySeconds = 5;
const fileFrames = 200_000;
const self = fileURLToPath(import.meta.url);
const say = (text) => process.stdout.write(`${text}\n`);

/** As a driver does it: frames come, and are handed over in the next thousandth of a second. Begins when it hears of it. */
function reader(startUs, ids) {
  const clock = new SessionClock(undefined, startUs);
  const bytes = new Uint8Array(8);
  const outlet = new ReaderOutlet({ write: (packet, done) => void process.stdout.write(packet, () => done()) }, () => clock.nowUs());
  let sent = 0;
  const total = framesPerSecond * seconds;
  const stop = outlet.run(() => false);
  process.stdin.once('data', () => {
    const began = clock.nowUs();
    const timer = setInterval(() => {
      const due = Math.min(total, Math.floor(((clock.nowUs() - began) * framesPerSecond) / 1e6));
      for (; sent < due; sent++) {
        bytes[0] = sent;
        bytes[1] = sent >> 8;
        outlet.frame(Math.max(outlet.floorUs, began + Math.floor((sent * 1e6) / framesPerSecond)), ids[sent % ids.length], 0, bytes, 8);
      }
      if (sent < total) return;
      clearInterval(timer);
      outlet.note({ note: 'status', status: { sent } });
    }, 1);
  });
  process.stdin.once('end', () => {
    stop();
    process.exit(0);
  });
}

/** A source as the server sees one: the reader's pipe, its frames counted as they come. */
class PipedSource {
  bus = 0;
  description = 'bench';
  stampQuality = 'process';
  dropped = 0;

  constructor(clock, frames) {
    this.order = [self, 'as-reader', String(clock.startUs), JSON.stringify(frames), String(seconds)];
    this.ended = new Promise((resolve) => {
      this.resolveEnded = resolve;
    });
  }

  get readerId() {
    return this.child.pid;
  }

  start(listener) {
    this.child = spawn(process.execPath, this.order, { stdio: ['pipe', 'pipe', 'inherit'] });
    const packets = new PacketReader(this.bus);
    listener.state('up', 'bench');
    this.child.stdout.on('data', (chunk) => {
      for (const packet of packets.push(chunk)) {
        if (packet.kind === 'note') {
          this.resolveEnded(packet.note.status.sent);
          continue;
        }
        listener.frames(packet.batch, packet.watermarkUs);
        if (packet.dropped > this.dropped) listener.loss('queue', packet.dropped - this.dropped);
        this.dropped = packet.dropped;
      }
    });
  }

  async traffic() {
    this.child.stdin.write('begin');
    return { sent: await this.ended, seconds };
  }

  async stop() {
    this.child.stdin.end();
  }
}

async function readerAccount() {
  const account = await accountOf({
    clients,
    stallEverySeconds,
    open: async (clock, vehicle) => new PipedSource(clock, benchIds(vehicle)),
    traffic: (source) => source.traffic(),
  });
  tell(`reader: ${framesPerSecond} frames/s made in the reader process`, account);
  if (account.sent < framesPerSecond * seconds || lostInAll(account) > 0) process.exitCode = 1;
}

/**
 * An adapter at the far end of a line: answers what it is asked, and when it hears `begin` says numbered frames, with its stamps, as
 * fast as the line carries; then how many they were.
 */
async function adapter(far, bytesPerSecond, ids) {
  const line = await open(far, 'r+');
  let writing = Promise.resolve();
  const write = (text) => {
    writing = writing.then(() => line.write(text));
    return writing;
  };
  process.on('message', async () => {
    const began = performance.now();
    let [bytes, sent] = [0, 0];
    const elapsed = () => performance.now() - began;
    while (elapsed() < seconds * 1000) {
      const due = (elapsed() * bytesPerSecond) / 1000;
      let text = '';
      for (; bytes < due; sent++) {
        const id = ids[sent % ids.length].toString(16).padStart(3, '0');
        const stamp = (Math.floor(elapsed()) % 60_000).toString(16).padStart(4, '0');
        const frame = `t${id}8${sent.toString(16).padStart(16, '0')}${stamp}\r`;
        bytes += frame.length;
        text += frame;
      }
      if (text !== '') await write(text);
      await new Promise((resolve) => setTimeout(resolve, 1));
    }
    process.send({ sent, seconds: elapsed() / 1000 });
  });
  process.on('disconnect', () => process.exit());
  const buffer = Buffer.alloc(64);
  for (;;) {
    const { bytesRead } = await line.read(buffer, 0, buffer.length, null);
    for (const command of buffer.toString('latin1', 0, bytesRead).split('\r').slice(0, -1)) {
      await write(command === 'V' ? 'V1013\r' : command === 'F' ? 'F00\r' : '\r');
    }
  }
}

/** @param bytesPerSecond What the adapter says; a line of `baud` carries a tenth of it. */
async function serialAccount(title, baud, bytesPerSecond) {
  const folder = mkdtempSync(join(tmpdir(), 'evenburn-line-'));
  const [near, far] = [join(folder, 'near'), join(folder, 'far')];
  const pair = spawn(socat, [`pty,raw,echo=0,link=${near}`, `pty,raw,echo=0,link=${far}`], { stdio: 'ignore' });
  let child;
  try {
    await until(() => existsSync(near) && existsSync(far), 'the pair of pseudo terminals');
    const ids = JSON.stringify(benchIds(await benchVehicle()));
    child = spawn(process.execPath, [self, 'as-adapter', far, String(bytesPerSecond), ids, String(seconds)], {
      stdio: ['ignore', 'inherit', 'inherit', 'ipc'],
    });
    const order = { kind: 'serial', port: near, baud, bitRate: 1_000_000, acknowledges: false };
    const account = await accountOf({
      clients,
      stallEverySeconds,
      open: async (clock) => new ReaderSource(0, `serial:${near}`, order, clock),
      traffic: () =>
        new Promise((resolve) => {
          child.once('message', resolve);
          child.send('begin');
        }),
    });
    tell(title, account);
    if (lostInAll(account) > 0) process.exitCode = 1;
  } finally {
    child?.kill();
    pair.kill();
    rmSync(folder, { recursive: true, force: true });
  }
}

const socat = '/usr/bin/socat';
/** `t`, id, length, eight bytes, stamp, return. */
const serialFrameBytes = 26;
const fastBaud = 921_600;

async function serialAccounts() {
  if (!existsSync(socat)) return say(`serial: not measured, ${socat} is not installed`);
  await serialAccount(`serial, ${fastBaud} baud: a full line`, fastBaud, fastBaud / 10);
  await serialAccount(`serial, USB proper: ${framesPerSecond} frames/s`, 115_200, framesPerSecond * serialFrameBytes);
}

/** Rates that are tried inside, frames a second, from twice a full 1 Mbit/s bus down. */
const kernelRates = [17_000, 8_500, 4_250, 2_000, 1_000, 500, 250];
const kernelBootMs = 120_000;

async function kernelAccounts() {
  const obstacle = findObstacle();
  if (obstacle !== undefined) return say(`kernel: not measured, ${obstacle}`);
  const each = Math.min(seconds, 20);
  // A round takes its time, twice where the generator can't keep up, and as much again to start and to read back.
  const timeoutMs = kernelBootMs + 3 * kernelRates.length * (each * 8 + 60) * 1000;
  const { alone, buffered, whole } = await runInside(
    `tests/bench/kernel-source.mjs ${each} ${clients} ${kernelRates.join(' ')}`,
    timeoutMs,
  );
  tellKernel('reader alone', alone);
  tellKernel('reader alone', buffered);
  tellKernel('whole server', whole);
}

function tellKernel(what, accounts) {
  for (const account of accounts) {
    tell(`kernel (user-mode Linux), ${what}: ${account.asked} frames/s asked, socket buffer ${account.bufferBytes} bytes`, account);
  }
  const carried = accounts.find((account) => lostInAll(account) === 0);
  if (!carried) process.exitCode = 1;
  else say(`  the most that this guest delivered to the ${what} without loss: ${Math.round(carried.sent / carried.seconds)} frames/s`);
}

const lostInAll = ({ lost }) => Object.values(lost).reduce((sum, count) => sum + count, 0);

/** The account of one source; what must not be makes the benchmark fail. */
function tell(title, account) {
  const { sent, recorded, taken, lost, late, uncounted, seconds: took, joined, packetsASecond, readerCpu, serverCpu } = account;
  const places = Object.entries(lost).map(([place, count]) => `${count} ${place}`);
  const isWhole = recorded !== undefined;
  say(`${title}; ${took.toFixed(1)} s${isWhole ? `, recorded, ${joined} pages on it` : ''}`);
  const came = isWhole ? `recorded ${recorded}` : `taken ${taken}`;
  say(
    `  sent ${sent}, ${Math.round(sent / took)} a second; ${came}; counted as lost ${places.join(', ') || 0}; uncounted ${uncounted} (must be 0)`,
  );
  const server = isWhole ? `, server with recorder ${serverCpu} %; ${packetsASecond.toFixed(1)} packets/s to each page` : '';
  say(`  reader CPU ${readerCpu} % of one core${server}`);
  if (isWhole) say(`  late for their instant, and recorded all the same ${late}`);
  if (uncounted !== 0 || sent === 0 || (isWhole && (joined !== clients || packetsASecond === 0))) process.exitCode = 1;
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

const measures = {
  files: async () => {
    serialRate();
    await fileRates();
  },
  reader: readerAccount,
  serial: serialAccounts,
  kernel: kernelAccounts,
};

if (words[0] === 'as-reader') reader(Number(words[1]), JSON.parse(words[2]));
else if (words[0] === 'as-adapter') await adapter(words[1], Number(words[2]), JSON.parse(words[3]));
else {
  const chosen = Object.keys(measures).filter((name) => words.includes(name));
  for (const name of chosen.length > 0 ? chosen : Object.keys(measures)) await measures[name]();
}
