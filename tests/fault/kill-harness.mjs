// A process to be killed: takes frames from a pipe as they come and records them, as the server does. Runs what is built.
//
// Arguments: data folder, vehicle folder files as JSON. Standard input: per frame 8 bytes of sequence number, little-endian.

import { FrameBatch } from '../../dist/server/bus/frame-batch.js';
import { SessionClock } from '../../dist/server/clock.js';
import { parseVehicle } from '../../dist/server/definitions/load-vehicle.js';
import { Recorder } from '../../dist/server/recording/recorder.js';

const [data, files] = process.argv.slice(2);
const { vehicle } = parseVehicle(JSON.parse(files));
const recorder = await Recorder.open(data, vehicle);
const session = new SessionClock();
recorder.take({ kind: 'clock', timeUs: 0, wallMs: Date.now() });
const batch = new FrameBatch(4096);
let left = Buffer.alloc(0);
let lastUs = 0;
process.stdin.on('data', (bytes) => {
  left = Buffer.concat([left, bytes]);
  batch.clear();
  const whole = left.length - (left.length % 8);
  for (let at = 0; at < whole; at += 8) {
    lastUs = Math.max(lastUs + 1, session.nowUs());
    // Sixty ids, so that slices and readings have the width of a real bus.
    batch.push(lastUs, 0, 0x100 + 7 * (left.readUInt32LE(at) % 60), 0, left, at, 8);
  }
  left = left.subarray(whole);
  if (batch.count > 0) recorder.take({ kind: 'frames', batch });
});
setInterval(() => {
  lastUs = Math.max(lastUs, session.nowUs());
  recorder.take({ kind: 'mark', timeUs: lastUs });
}, 5);
process.on('SIGTERM', async () => {
  await recorder.stop();
  process.exit(0);
});
process.stdout.write('ready\n');
