// Who may ask: the Host and Origin of every request and of the live stream's handshake.
import type { IncomingMessage } from 'node:http';

/** Headers that say where a request comes from and whom it means. */
export interface Asking {
  host: string | undefined;
  origin: string | undefined;
}

/** Names under which this computer may be asked while the server listens on loopback only. Others are a rebound name of a foreign page. */
const loopbackNames = new Set(['localhost', '127.0.0.1', '[::1]']);

/** Host name of a `Host` header without its port, lower case; undefined when it isn't one. */
function hostName(host: string): string | undefined {
  return /^(\[[0-9a-f:]+\]|[a-z0-9.-]+)(:\d{1,5})?$/i.exec(host)?.[1]?.toLowerCase();
}

/** The request means this server by a name that only this computer has. */
export function hostAllowed(host: string | undefined): boolean {
  const name = host === undefined ? undefined : hostName(host);
  return name !== undefined && loopbackNames.has(name);
}

/** The page that asks was served by this very host and port. */
function sameOrigin(asking: Asking): boolean {
  return asking.origin === `http://${asking.host?.toLowerCase()}`;
}

/**
 * An HTTP request is allowed from a page of ours, and from programs, which send no Origin. Browsers send Origin with every request that
 * could change something, and with cross-origin ones that could read.
 */
export function requestAllowed(asking: Asking): boolean {
  return hostAllowed(asking.host) && (asking.origin === undefined || sameOrigin(asking));
}

/** A stream is opened only by a page of ours: a browser always sends Origin with it, so one without is refused. */
export function streamAllowed(request: IncomingMessage): boolean {
  const asking = { host: request.headers.host, origin: request.headers.origin };
  return hostAllowed(asking.host) && sameOrigin(asking);
}
