// What anybody may hold open at this server's port: connections, requests whose body never comes, downloads that nobody takes.
import type { Server } from 'node:http';
import type { Socket } from 'node:net';
import type { FastifyReply, FastifyRequest } from 'fastify';
import { EvenburnError } from '../errors.ts';
import { connectionsMax, connectionsPerAddressMax, exportSilenceMaxMs, httpBodyArrivesMaxMs, importSilenceMaxMs } from '../limits.ts';
import { HeldOpen } from './held-open.ts';
import { isLoopbackAddress, toSource } from './login-tries.ts';

/**
 * Refuses connections beyond what one address, and all of them together, may hold. This computer's own are never refused: whoever sits at it
 * must reach the program.
 */
export function boundConnections(server: Server, isTls: boolean): void {
  const open = new HeldOpen(connectionsMax, connectionsPerAddressMax);
  server.on('connection', (socket: Socket) => {
    const { remoteAddress = '' } = socket;
    if (isLoopbackAddress(remoteAddress)) return;
    const giveBack = open.take(toSource(remoteAddress));
    if (giveBack) socket.once('close', giveBack);
    else refuse(socket, isTls);
  });
}

function refuse(socket: Socket, isTls: boolean): void {
  // Who speaks TLS would not understand it.
  if (!isTls) socket.write(refusal);
  socket.destroySoon();
}

const refusal = (() => {
  const { code, message, cure } = new EvenburnError('CONNECTIONS_TOO_MANY');
  const body = JSON.stringify({ error: code, message, cure });
  return `HTTP/1.1 503 Service Unavailable\r\ncontent-type: application/json\r\ncontent-length: ${body.length}\r\nconnection: close\r\n\r\n${body}`;
})();

/**
 * Answers a request whose body takes longer than it should, and closes its connection: many of those at once would hold all connections for
 * nothing.
 */
export function boundArrival({ raw }: FastifyRequest, reply: FastifyReply, arrivesMaxMs = httpBodyArrivesMaxMs): void {
  if (raw.headers['content-length'] === undefined && raw.headers['transfer-encoding'] === undefined) return;
  const timer = setTimeout(() => {
    if (!raw.complete && !reply.sent) void reply.header('connection', 'close').send(new EvenburnError('REQUEST_SLOW'));
  }, arrivesMaxMs);
  raw.once('close', () => clearTimeout(timer));
}

/** Gives up a body that is taken as it comes, once no byte has come for too long. Call what is returned when it is there. */
export function boundSilence({ raw: { socket } }: FastifyRequest, silenceMaxMs = importSilenceMaxMs): () => void {
  let before = socket.bytesRead;
  const timer = setInterval(() => {
    if (socket.bytesRead === before) socket.destroy();
    before = socket.bytesRead;
  }, silenceMaxMs);
  return () => clearInterval(timer);
}

/** Gives up a download of which no byte has been taken for too long, while some wait: whoever waits for its worker gets it. */
export function boundTaking({ raw }: FastifyReply, silenceMaxMs = exportSilenceMaxMs): void {
  const { socket } = raw;
  if (!socket) return;
  const taken = () => socket.bytesWritten - socket.writableLength;
  let before = taken();
  const timer = setInterval(() => {
    if (socket.writableLength > 0 && taken() === before) raw.destroy();
    before = taken();
  }, silenceMaxMs);
  raw.once('close', () => clearInterval(timer));
}
