// Entry of the reader process: one live bus, read apart from the server, so that an add-on's crash or stall stops nothing else.
//
// Its only argument is a ReaderOrder as JSON. Frames leave on descriptor 3; it ends when its standard input does, and so with its parent.
import { Socket } from 'node:net';
import { machineClock, SessionClock } from '../clock.ts';
import { EvenburnError } from '../errors.ts';
import type { ReaderOrder } from './reader-order.ts';
import { ReaderOutlet } from './reader-outlet.ts';
import { SerialLineDriver } from './serial-line.ts';
import { openPort } from './serial-port.ts';
import { loadOpenChannel, SocketcanDriver } from './socketcan-driver.ts';
import { StampClock } from './stamp-clock.ts';

interface RunningDriver {
  /** True: frames wait that haven't been taken yet. */
  beforeFlush(): boolean;
  stop(): Promise<void>;
}

const framesDescriptor = 3;

async function startDriver(order: ReaderOrder, outlet: ReaderOutlet, clock: SessionClock): Promise<RunningDriver> {
  if (order.kind === 'socketcan') {
    const driver = new SocketcanDriver(order, await loadOpenChannel(), outlet, new StampClock(machineClock, clock));
    driver.start();
    return { beforeFlush: () => driver.beforeFlush(), stop: () => driver.drain().then(() => driver.stop()) };
  }
  const driver = new SerialLineDriver(order, openPort, outlet, () => clock.nowUs());
  driver.start();
  return { beforeFlush: () => false, stop: () => driver.stop() };
}

async function run(order: ReaderOrder): Promise<void> {
  const clock = new SessionClock(machineClock, order.sessionStartUs);
  const socket = new Socket({ fd: framesDescriptor, readable: false, writable: true });
  socket.on('error', () => process.exit(0));
  const outlet = new ReaderOutlet({ write: (bytes, done) => void socket.write(bytes, () => done()) }, () => clock.nowUs());
  let driver: RunningDriver;
  try {
    driver = await startDriver(order, outlet, clock);
  } catch (error) {
    if (!(error instanceof EvenburnError)) throw error;
    outlet.note({ note: 'failed', code: error.code, details: { ...error.details } });
    return;
  }
  const stopFlushing = outlet.run(() => driver.beforeFlush());
  process.stdin.resume();
  process.stdin.on('error', () => process.exit(0));
  process.stdin.on('end', async () => {
    await driver.stop();
    stopFlushing();
    await outlet.finish();
    socket.end(() => process.exit(0));
  });
  // The server decides when a reader ends: an interrupt from the terminal goes to the whole group.
  process.on('SIGINT', () => {});
  process.on('SIGTERM', () => {});
}

await run(JSON.parse(process.argv[2] as string) as ReaderOrder);
