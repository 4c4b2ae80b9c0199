// A running server: the station, its pages and the live stream on one port of this computer's loopback.
import type { AddressInfo } from 'node:net';
import { EvenburnError } from '../errors.ts';
import { LiveGateway } from '../live/gateway.ts';
import type { Station } from '../station.ts';
import { type App, type AppParts, buildApp } from './app.ts';
import { streamAllowed } from './guard.ts';

/** Loopback only: nobody else on the network can reach it. */
const loopback = '127.0.0.1';

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
  const { station } = parts;
  const app = await buildApp(parts);
  const gateway = new LiveGateway(app.server, station, { allow: streamAllowed });
  try {
    await app.listen({ host: loopback, port });
  } catch (error) {
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
    url: `http://localhost:${taken}/`,
    async close() {
      await gateway.close();
      await app.close();
      await station.stop();
    },
  };
}
