// A feed for the gateway whose values, alarms and clock a test sets by hand, on a real HTTP server with a free port.
import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { io, type Socket } from 'socket.io-client';
import type { AlarmsView } from '../../server/contract/alarms.ts';
import type { ClientEvents, ServerEvents, SubscribeAnswer, Subscription } from '../../server/contract/live.ts';
import { decodePacket, type LivePacket, livePath } from '../../server/contract/packet.ts';
import type { StationStatus } from '../../server/contract/status.ts';
import { streamAllowed } from '../../server/http/guard.ts';
import { type LiveFeed, LiveGateway } from '../../server/live/gateway.ts';
import { RollingStore } from '../../server/live/rolling-store.ts';

export class ScriptedFeed implements LiveFeed {
  store: RollingStore;
  epoch = 1;
  alarmVersion = 0;
  alarmSequence = 0;
  /** Added to the real monotonic clock, so that a test can let seconds pass. */
  aheadMs = 0;
  active: AlarmsView['active'] = [];

  constructor(channels: number) {
    this.store = new RollingStore(channels);
  }

  wallMs(): number {
    return 1_800_000_000_000;
  }

  monotonicMs(): number {
    return performance.now() + this.aheadMs;
  }

  alarms(): AlarmsView {
    return { sequence: this.alarmSequence, active: this.active };
  }

  status(): StationStatus {
    return {
      mode: 'live',
      buses: [],
      recording: { state: 'off', session: null, startedWallMs: null, detail: '' },
      definitionProblems: 0,
      clients: 0,
    };
  }
}

export interface LiveRig {
  feed: ScriptedFeed;
  gateway: LiveGateway;
  url: string;
  close(): Promise<void>;
}

export async function startLiveRig(channels: number): Promise<LiveRig> {
  const http = createServer();
  const feed = new ScriptedFeed(channels);
  const gateway = new LiveGateway(http, feed, { allow: streamAllowed });
  await new Promise<void>((resolve) => http.listen(0, '127.0.0.1', resolve));
  const url = `http://127.0.0.1:${(http.address() as AddressInfo).port}`;
  return {
    feed,
    gateway,
    url,
    async close() {
      await gateway.close();
      http.close();
    },
  };
}

/** A browser page's side of the stream. */
export class LivePage {
  readonly packets: LivePacket[] = [];
  /** Answers to packets that are held back while `isSlow`. */
  readonly owed: (() => void)[] = [];
  isSlow = false;
  closed = false;
  readonly socket: Socket<ServerEvents, ClientEvents>;

  constructor(url: string, headers: Record<string, string> = { origin: url }) {
    this.socket = io(url, { path: livePath, transports: ['websocket'], extraHeaders: headers, reconnection: false, forceNew: true });
    this.socket.on('packet', (bytes, received) => {
      this.packets.push(decodePacket(bytes));
      if (this.isSlow) this.owed.push(received);
      else received();
    });
    this.socket.on('disconnect', () => {
      this.closed = true;
    });
  }

  get last(): LivePacket {
    return this.packets.at(-1) as LivePacket;
  }

  /** Resolves to whether the connection was accepted. */
  opened(): Promise<boolean> {
    return new Promise((resolve) => {
      this.socket.once('connect', () => resolve(true));
      this.socket.once('connect_error', () => resolve(false));
    });
  }

  subscribe(wanted: Subscription): Promise<SubscribeAnswer> {
    return new Promise((resolve) => this.socket.emit('subscribe', wanted, resolve));
  }

  close(): void {
    this.socket.close();
  }
}
