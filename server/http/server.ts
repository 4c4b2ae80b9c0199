// A running server: the station, its pages and the live stream on one port: of this computer's loopback, or of every address once logins exist.
import type { IncomingMessage } from 'node:http';
import type { AddressInfo } from 'node:net';
import { EvenburnError } from '../errors.ts';
import { streamRecheckMs } from '../limits.ts';
import { LiveGateway } from '../live/gateway.ts';
import type { Station } from '../station.ts';
import type { Asker } from './access.ts';
import { type App, type AppParts, buildApp } from './app.ts';
import { boundConnections } from './connections.ts';
import { loopbackDoor, ownAddresses, streamAllowed } from './guard.ts';

/** Loopback only: nobody else on the network can reach it. */
const loopback = '127.0.0.1';
/** By IPv6's address of all, IPv4 comes too, but only where there is IPv6. */
const everyAddress = () => (ownAddresses().some((address) => address.startsWith('[')) ? '::' : '0.0.0.0');

function askerOf({ headers, socket }: IncomingMessage): Asker {
  return { headers, remoteAddress: socket.remoteAddress };
}

export interface RunningServer {
  app: App;
  gateway: LiveGateway;
  port: number;
  /** Address to open in a browser. */
  url: string;
  /** Ends the stream, the pages, the sources and the session, in this order. */
  close(): Promise<void>;
}

/**
 * Listens, then opens the station's sources. Port 0 takes a free one.
 * @throws EvenburnError PORT_IN_USE
 */
export async function startServer(parts: AppParts & { station: Station }, port: number): Promise<RunningServer> {
  const { station, access, door = loopbackDoor } = parts;
  const app = await buildApp(parts);
  boundConnections(app.server, parts.tls !== undefined);
  const gateway = new LiveGateway(app.server, station, {
    allow: (request) => streamAllowed(request, door) && (access === undefined || access.roleOf(askerOf(request)) !== undefined),
    holderOf: (request) => access?.holderOf(askerOf(request)),
  });
  const recheck = setInterval(() => {
    gateway.recheck();
    access?.recheck();
  }, streamRecheckMs);
  recheck.unref();
  if (access) access.onEnded = () => gateway.recheck();
  try {
    await app.listen({ host: access ? everyAddress() : loopback, port });
  } catch (error) {
    clearInterval(recheck);
    await gateway.close();
    await app.close();
    if ((error as NodeJS.ErrnoException).code === 'EADDRINUSE') throw new EvenburnError('PORT_IN_USE', { port }, error);
    throw error;
  }
  station.clients = () => gateway.clientCount;
  station.start({
    alarmChanged: () => gateway.alarmChanged(),
    statusChanged: () => gateway.statusChanged(),
    definitionsChanged: () => gateway.channelsChanged(),
  });
  const taken = (app.server.address() as AddressInfo).port;
  return {
    app,
    gateway,
    port: taken,
    url: `${door.scheme}://localhost:${taken}/`,
    async close() {
      clearInterval(recheck);
      const ended = gateway.close();
      // Streams of a check or a shared replay stay open for as long as their page does: they end here, or the port never would.
      setImmediate(() => app.server.closeAllConnections());
      await ended;
      await app.close();
      await station.stop();
    },
  };
}
