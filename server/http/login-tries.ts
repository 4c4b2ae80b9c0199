// Slows down who guesses: wrong passphrases are counted by address, and one is looked at at a time.
import type { Clock } from '../clock.ts';
import { EvenburnError } from '../errors.ts';
import { loginAddressesMax, loginsWaitingMax, loginWrongMax, loginWrongWindowMs } from '../limits.ts';

interface Wrong {
  count: number;
  untilUs: number;
}

export class LoginTries {
  private readonly clock: Clock;
  private readonly wrong = new Map<string, Wrong>();
  private readonly trying = new Set<string>();
  private last: Promise<unknown> = Promise.resolve();

  constructor(clock: Clock) {
    this.clock = clock;
  }

  /**
   * Runs `look` when it is this address's turn. An address that was wrong too often, or has one try waiting already, is refused at once and
   * at no cost; others are not held up by it.
   * @throws EvenburnError ACCESS_TRIES_TOO_MANY
   */
  async take<T>(remoteAddress: string, look: () => Promise<T | undefined>): Promise<T | undefined> {
    const from = toSource(remoteAddress);
    const nowUs = this.clock.monotonicUs();
    const known = this.wrong.get(from);
    if (known && known.untilUs <= nowUs) this.wrong.delete(from);
    else if (known && known.count >= loginWrongMax) throw tooMany(known.untilUs - nowUs);
    if (this.trying.has(from) || this.trying.size >= loginsWaitingMax) throw tooMany(60e6);
    this.trying.add(from);
    const turn = this.last.then(look, look);
    this.last = turn.catch(() => undefined);
    try {
      const found = await turn;
      if (found === undefined) this.count(from);
      else this.wrong.delete(from);
      return found;
    } finally {
      this.trying.delete(from);
    }
  }

  private count(from: string): void {
    const untilUs = this.clock.monotonicUs() + loginWrongWindowMs * 1000;
    const count = (this.wrong.get(from)?.count ?? 0) + 1;
    this.wrong.delete(from);
    this.wrong.set(from, { count, untilUs });
    const [oldest] = this.wrong.keys();
    if (this.wrong.size > loginAddressesMax && oldest !== undefined) this.wrong.delete(oldest);
  }
}

/** One computer has a whole /64 of IPv6 addresses: its first four groups say whose they are. */
export function toSource(address: string): string {
  const plain = address.replace(/^::ffff:(?=\d+\.)/, '');
  return plain.includes(':') ? plain.split(':').slice(0, 4).join(':') : plain;
}

/** @param address As a socket gives it. */
export function isLoopbackAddress(address: string): boolean {
  const plain = address.replace(/^::ffff:/, '');
  return plain === '::1' || plain.startsWith('127.');
}

function tooMany(waitUs: number): EvenburnError {
  return new EvenburnError('ACCESS_TRIES_TOO_MANY', { minutes: Math.max(1, Math.ceil(waitUs / 60e6)) });
}
