// Who may ask: the Host, Origin and Sec-Fetch-Site of every request and of the live stream's handshake.
import type { IncomingHttpHeaders, IncomingMessage } from 'node:http';
import { hostname, networkInterfaces } from 'node:os';
import { machineClock } from '../clock.ts';
import { ownAddressesLastMs } from '../limits.ts';

/** Headers that say where a request comes from and whom it means. */
export interface Asking {
  host: string | undefined;
  origin: string | undefined;
  /** Sec-Fetch-Site of newer browsers. */
  site?: string | undefined;
  /** The request could change something. */
  changes?: boolean;
  /** It asks for what only our own pages and programs have to know: an address of /api. */
  data?: boolean;
}

/** By what the server may be asked. */
export interface Door {
  scheme: 'http' | 'https';
  /** Lower case, IPv6 in brackets. */
  hasName(name: string): boolean;
}

/** Names under which this computer may be asked while the server listens on loopback only. Others are a rebound name of a foreign page. */
const loopbackNames = new Set(['localhost', '127.0.0.1', '[::1]']);

export function isLoopbackName(name: string | undefined): boolean {
  return name !== undefined && loopbackNames.has(name);
}

export const loopbackDoor: Door = { scheme: 'http', hasName: isLoopbackName };

/** The door of a server on the network: loopback, the computer's own addresses and host name, and names given by hand. */
export function openLanDoor(scheme: Door['scheme'], given: readonly string[], own: () => string[] = ownNames): Door {
  let names = new Set<string>();
  let readMs = Number.NEGATIVE_INFINITY;
  return {
    scheme,
    hasName(name) {
      const nowMs = machineClock.monotonicUs() / 1000;
      if (nowMs - readMs > ownAddressesLastMs) {
        names = new Set([...loopbackNames, ...own(), ...given].map((one) => one.toLowerCase()));
        readMs = nowMs;
      }
      return names.has(name);
    },
  };
}

/** Addresses by which others on the network reach this computer, IPv4 first. Link-local IPv6 is left out: browsers can't use it. */
export function ownAddresses(): string[] {
  const all = Object.values(networkInterfaces()).flatMap((addresses) => addresses ?? []);
  const outer = all.filter(({ internal, address }) => !internal && !address.startsWith('fe80'));
  return [...outer.filter(({ family }) => family === 'IPv4'), ...outer.filter(({ family }) => family === 'IPv6')].map(
    ({ family, address }) => (family === 'IPv6' ? `[${address}]` : address),
  );
}

function ownNames(): string[] {
  const [name = ''] = hostname().split('.');
  return [...ownAddresses(), hostname(), name, `${name}.local`];
}

/** Host name of a `Host` header without its port, lower case; undefined when it isn't one. */
export function hostName(host: string | undefined): string | undefined {
  return host === undefined ? undefined : /^(\[[0-9a-f:]+\]|[a-z0-9.-]+)(:\d{1,5})?$/i.exec(host)?.[1]?.toLowerCase();
}

/** The request means this server by a name that only this computer has. */
export function hostAllowed(host: string | undefined, door: Door = loopbackDoor): boolean {
  const name = hostName(host);
  return name !== undefined && door.hasName(name);
}

/** The page that asks was served by this very host and port. */
function sameOrigin(asking: Asking, door: Door): boolean {
  return asking.origin === `${door.scheme}://${asking.host?.toLowerCase()}`;
}

/** Headers and method of a request as what the guard judges. */
export function askingOf(headers: IncomingHttpHeaders, method: string, data = false): Asking {
  const site = headers['sec-fetch-site'];
  return {
    host: headers.host,
    origin: headers.origin,
    site: typeof site === 'string' ? site : undefined,
    changes: method !== 'GET' && method !== 'HEAD' && method !== 'OPTIONS',
    data,
  };
}

/**
 * An HTTP request is allowed from a page of ours, and from programs, which send no Origin. Browsers send Origin with every request that
 * could change something, and with cross-origin ones that could read.
 */
export function requestAllowed(asking: Asking, door: Door = loopbackDoor): boolean {
  if (!hostAllowed(asking.host, door)) return false;
  const { site } = asking;
  if (asking.changes && site !== undefined && site !== 'same-origin') return false;
  // A foreign page can't read an answer, and must not keep the server busy with making it. `none` is an address that somebody typed.
  if (asking.data && site !== undefined && site !== 'same-origin' && site !== 'none') return false;
  return asking.origin === undefined || sameOrigin(asking, door);
}

/** A stream is opened only by a page of ours: a browser always sends Origin with it, so one without is refused. */
export function streamAllowed(request: IncomingMessage, door: Door = loopbackDoor): boolean {
  const asking = askingOf(request.headers, 'GET');
  return hostAllowed(asking.host, door) && sameOrigin(asking, door) && (asking.site === undefined || asking.site === 'same-origin');
}
