// The browsers' side of the latency benchmark, a process of its own: N pages with two plots each, acknowledging as pages do.
import { io } from 'socket.io-client';
import { decodePacket, livePath } from '../../dist/server/contract/packet.js';

const [port, count] = process.argv.slice(2).map(Number);
const url = `http://127.0.0.1:${port}`;
const monotonicMs = () => Number(process.hrtime.bigint()) / 1e6;
const plots = [0, 1].map((plot) => ({
  plot,
  channels: Array.from({ length: 8 }, (_, i) => plot * 8 + i),
  spanUs: 30_000_000,
  pixels: 600,
}));
let latenciesMs = [];
for (let i = 0; i < count; i++) {
  const socket = io(url, { path: livePath, transports: ['websocket'], extraHeaders: { origin: url }, forceNew: true });
  socket.on('packet', (bytes, received) => {
    latenciesMs.push(monotonicMs() - decodePacket(bytes).wallMs);
    received();
  });
  socket.on('connect', () => socket.emit('subscribe', { epoch: 1, plots }, () => undefined));
}
process.on('message', () => {
  process.send({ latenciesMs });
  latenciesMs = [];
});
process.on('disconnect', () => process.exit());
