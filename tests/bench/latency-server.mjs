// The server's side of the latency benchmark, a process of its own: the real gateway over a store that 64 channels fill at 50 Hz.
import { createServer } from 'node:http';
import { streamAllowed } from '../../dist/server/http/guard.js';
import { LiveGateway } from '../../dist/server/live/gateway.js';
import { RollingStore } from '../../dist/server/live/rolling-store.js';

const channels = 64;
const samplePeriodMs = 20;
const monotonicMs = () => Number(process.hrtime.bigint()) / 1e6;
const store = new RollingStore(channels);
const feed = {
  store,
  epoch: 1,
  alarmVersion: 0,
  alarmSequence: 0,
  // The packet's label carries when it was made, by the clock that all processes of a machine share.
  wallMs: monotonicMs,
  monotonicMs,
  alarms: () => ({ sequence: 0, active: [] }),
  status: () => ({ mode: 'live', buses: [], recording: { state: 'off', session: null, startedWallMs: null, detail: '' } }),
};
const http = createServer();
const gateway = new LiveGateway(http, feed, { allow: streamAllowed });
let samples = 0;
const startMs = monotonicMs();
setInterval(() => {
  const nowUs = Math.round((monotonicMs() - startMs) * 1000);
  for (let c = 0; c < channels; c++) store.add(c, nowUs, Math.sin(samples / 50 + c) * 100, 0);
  samples++;
}, samplePeriodMs);
http.listen(0, '127.0.0.1', () => process.send({ port: http.address().port }));
process.on('message', (ask) => {
  const { user, system } = process.cpuUsage();
  process.send({ ask, cpuMs: (user + system) / 1000, atMs: monotonicMs(), clients: gateway.clientCount });
});
process.on('disconnect', () => process.exit());
