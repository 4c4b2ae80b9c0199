// What may be held open at the port: connections by address, bodies that never come, downloads that nobody takes.
import { EventEmitter } from 'node:events';
import { createServer, request, type Server } from 'node:http';
import { type AddressInfo, connect } from 'node:net';
import { Readable } from 'node:stream';
import Fastify, { type FastifyInstance } from 'fastify';
import { afterEach, describe, expect, it } from 'vitest';
import type { EvenburnError } from '../../server/errors.ts';
import { boundArrival, boundConnections, boundSilence, boundTaking } from '../../server/http/connections.ts';
import { HeldOpen } from '../../server/http/held-open.ts';
import { connectionsMax, connectionsPerAddressMax } from '../../server/limits.ts';
import { until } from '../waiting.ts';

describe('what is held open', () => {
  it('is bounded by holder and in all, and given back once', () => {
    const open = new HeldOpen(3, 2);
    const first = open.take('a');
    expect(open.take('a')).toBeDefined();
    expect(open.take('a')).toBeUndefined();
    expect(open.take('b')).toBeDefined();
    expect(open.take(undefined)).toBeUndefined();
    first?.();
    first?.();
    expect(open.take(undefined)).toBeDefined();
    expect(open.take('b')).toBeUndefined();
  });
});

/** A socket as a server sees it, by its address alone. */
class AddressOnly extends EventEmitter {
  readonly remoteAddress: string;
  written = '';
  isDestroyed = false;

  constructor(remoteAddress: string) {
    super();
    this.remoteAddress = remoteAddress;
  }

  write(text: string): void {
    this.written += text;
  }

  destroySoon(): void {
    this.isDestroyed = true;
    this.emit('close');
  }
}

describe('connections', () => {
  const server: Server = createServer();
  boundConnections(server, false);
  const come = (address: string) => {
    const socket = new AddressOnly(address);
    server.emit('connection', socket);
    return socket;
  };

  it('are refused to an address that holds too many, with the reason; others and this computer come in', () => {
    const held = Array.from({ length: connectionsPerAddressMax }, () => come('192.0.2.20'));
    expect(held.filter(({ isDestroyed }) => isDestroyed)).toEqual([]);
    const refused = come('192.0.2.20');
    expect(refused.isDestroyed).toBe(true);
    expect(refused.written).toMatch(/^HTTP\/1\.1 503 [\s\S]*"error":"CONNECTIONS_TOO_MANY"/);
    expect(come('192.0.2.21').isDestroyed).toBe(false);
    held[0]?.emit('close');
    expect(come('192.0.2.20').isDestroyed).toBe(false);
    const others = Array.from({ length: connectionsMax }, (_, i) => come(`198.51.100.${i}`));
    expect(others.at(-1)?.isDestroyed).toBe(true);
    for (const address of ['127.0.0.1', '::1', '::ffff:127.0.0.1']) expect(come(address).isDestroyed).toBe(false);
  });
});

describe('a body', () => {
  let app: FastifyInstance;
  afterEach(() => app.close());

  const listen = async () => {
    await app.listen({ host: '127.0.0.1', port: 0 });
    return (app.server.address() as AddressInfo).port;
  };

  it('that is dripped is answered with what is wrong and its connection closed; one that comes is taken', async () => {
    app = Fastify();
    app.addHook('onRequest', async (asked, reply) => boundArrival(asked, reply, 200));
    app.setErrorHandler((error, _, reply) => {
      const { code, httpStatus } = error as EvenburnError;
      return reply.code(httpStatus).send({ error: code });
    });
    app.post('/', async ({ body }) => body);
    const port = await listen();
    const whole = await fetch(`http://127.0.0.1:${port}/`, {
      method: 'POST',
      headers: { 'content-type': 'application/json' },
      body: '{"a":1}',
    });
    expect(await whole.json()).toEqual({ a: 1 });
    const socket = connect(port, '127.0.0.1');
    let heard = '';
    let closed = false;
    socket.on('data', (bytes) => {
      heard += bytes;
    });
    socket.on('error', () => undefined);
    socket.on('close', () => {
      closed = true;
    });
    socket.write('POST / HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 6000\r\n\r\n{"a');
    const drip = setInterval(() => socket.write('x'), 20);
    await until(() => closed, 'the connection is closed');
    clearInterval(drip);
    expect(heard).toMatch(/^HTTP\/1\.1 408 [\s\S]*REQUEST_SLOW/);
  });

  it('of a recorded file may last, and is given up when nothing comes any more', async () => {
    app = Fastify();
    app.addContentTypeParser('application/octet-stream', (_, payload, done) => done(null, payload));
    let given: unknown;
    let bytes = 0;
    app.post('/', async (asked) => {
      const stop = boundSilence(asked, 300);
      try {
        for await (const chunk of asked.body as Readable) bytes += (chunk as Buffer).length;
      } catch (error) {
        given = error;
      } finally {
        stop();
      }
      return { bytes };
    });
    const port = await listen();
    const sending = request({ port, host: '127.0.0.1', method: 'POST', headers: { 'content-type': 'application/octet-stream' } });
    sending.on('error', () => undefined);
    // Longer than the silence altogether, but never silent.
    const drip = setInterval(() => sending.write('x'), 30);
    await until(() => bytes >= 20, 'it still comes');
    expect(given).toBeUndefined();
    clearInterval(drip);
    await until(() => given !== undefined, 'it is given up');
  });
});

describe('a download', () => {
  it('that nobody takes is given up; one that is taken comes whole', async () => {
    const endless = () =>
      Readable.from(
        (function* () {
          for (;;) yield Buffer.alloc(64 * 1024);
        })(),
      );
    const app = Fastify();
    let cut = false;
    app.get('/', (_, reply) => {
      boundTaking(reply, 200);
      const bytes = endless();
      bytes.once('close', () => {
        cut = true;
      });
      return reply.type('application/octet-stream').send(bytes);
    });
    app.get('/whole', (_, reply) => {
      boundTaking(reply, 200);
      return reply.type('application/octet-stream').send(Readable.from([Buffer.alloc(3_000_000)]));
    });
    await app.listen({ host: '127.0.0.1', port: 0 });
    const { port } = app.server.address() as AddressInfo;
    expect((await (await fetch(`http://127.0.0.1:${port}/whole`)).arrayBuffer()).byteLength).toBe(3_000_000);
    const socket = connect(port, '127.0.0.1');
    socket.pause();
    socket.on('error', () => undefined);
    socket.write('GET / HTTP/1.1\r\nHost: localhost\r\n\r\n');
    await until(() => cut, 'the download is given up');
    socket.destroy();
    await app.close();
  });
});
