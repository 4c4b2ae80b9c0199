// Who this browser is to the server, and what it does about it: logging in and out.
import { effect, signal } from '@preact/signals';
import type { AccessView } from '../../server/contract/access.ts';
import { getJson, sendJson } from '../stream/api.ts';
import type { Feed } from '../stream/feed.ts';

/** Undefined until the server has answered. */
export const access = signal<AccessView | undefined>(undefined);

const askAgainMs = 1000;

/** Asks now, and again while the live stream is gone: the server may have ended this login. */
export function lookAtAccess(feed: Feed): void {
  const ask = async () => {
    try {
      access.value = await getJson<AccessView>('/api/access');
    } catch {
      // The server is away; the stream's state says so.
    }
  };
  void ask();
  effect(() => {
    if (feed.link.value !== 'lost') return undefined;
    const timer = setInterval(ask, askAgainMs);
    return () => clearInterval(timer);
  });
}

/** Begins anew as somebody else. @throws ApiError when the passphrase is wrong */
export async function logIn(passphrase: string): Promise<void> {
  await sendJson<AccessView>('POST', '/api/access/login', { passphrase });
  location.reload();
}

/** @throws ApiError */
export async function logOut(everybody: boolean): Promise<void> {
  await sendJson<AccessView>('POST', everybody ? '/api/access/logout-everybody' : '/api/access/logout', {});
  location.reload();
}
