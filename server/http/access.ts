// Who is who on the network: passphrases kept as scrypt hashes, logins as signed cookies, and the one check for HTTP and the live stream.
import { randomBytes, randomInt, scrypt, timingSafeEqual } from 'node:crypto';
import type { IncomingHttpHeaders } from 'node:http';
import cookies from '@fastify/cookie';
import { z } from 'zod';
import { type Clock, machineClock } from '../clock.ts';
import { type Role, role } from '../contract/access.ts';
import { EvenburnError } from '../errors.ts';
import { loginLastsMs, loginsEndedMax, passphraseCharactersMax, passphraseCharactersMin } from '../limits.ts';
import { keepAccessFile, readAccessFile } from './access-file.ts';
import { hostName, isLoopbackName } from './guard.ts';
import { isLoopbackAddress, LoginTries, toSource } from './login-tries.ts';

/** One of each, as people type them. */
export interface Passphrases {
  crew: string;
  viewer: string;
}

/** What of a request says who asks. */
export interface Asker {
  headers: IncomingHttpHeaders;
  remoteAddress: string | undefined;
}

/** What a cookie says. */
const login = z.object({ id: z.string(), role, issuedMs: z.number(), expiresMs: z.number(), generation: z.number() });

/** 2^15 · 8 with 3 rounds: 32 MiB and about a quarter of a second. Source: OWASP Password Storage Cheat Sheet, scrypt (from memory). */
const cost = { N: 2 ** 15, r: 8, p: 3, maxmem: 64 * 1024 * 1024 };
const hashBytes = 32;

/** Letters and digits that nobody mistakes for one another. */
const letters = 'abcdefghjkmnpqrstuvwxyz23456789';

/** Three groups of four of 31 characters: 59 bits. */
export function makePassphrase(): string {
  const group = () => Array.from({ length: 4 }, () => letters[randomInt(letters.length)]).join('');
  return `${group()}-${group()}-${group()}`;
}

/** @throws EvenburnError ACCESS_PASSPHRASE_REFUSED when one is too short or long, or both are the same */
export function checkPassphrases({ crew, viewer }: Passphrases): void {
  const refuse = (why: string) => new EvenburnError('ACCESS_PASSPHRASE_REFUSED', { why });
  for (const [whose, words] of Object.entries({ 'the crew': crew, viewers: viewer })) {
    const { length } = toTyped(words);
    if (length < passphraseCharactersMin || words.length > passphraseCharactersMax)
      throw refuse(
        `the passphrase for ${whose} has ${length} characters: ${passphraseCharactersMin} to ${passphraseCharactersMax} are needed`,
      );
  }
  if (toTyped(crew) === toTyped(viewer)) throw refuse('the crew and viewers need different passphrases: which one is typed says the role');
}

/** The same words from every keyboard: Unicode NFKC, without space around them. */
function toTyped(words: string): string {
  return words.normalize('NFKC').trim();
}

function hash(words: string, salt: Buffer): Promise<Buffer> {
  return new Promise((resolve, reject) =>
    scrypt(toTyped(words), salt, hashBytes, cost, (error, made) => (error ? reject(error) : resolve(made))),
  );
}

/** What is kept on disk: never a passphrase. The key signs cookies, so that logins outlive a new start of the server. */
export const accessRecord = z.object({
  format: z.literal(1),
  salt: z.string(),
  crew: z.string(),
  viewer: z.string(),
  key: z.string(),
  generation: z.number().int(),
  /** Logins that were ended before their time → when they would have run out. */
  ended: z.record(z.string(), z.number()),
});
type AccessRecord = z.infer<typeof accessRecord>;

export class Access {
  private readonly folder: string;
  private readonly clock: Clock;
  private record: AccessRecord;
  private readonly tries: LoginTries;
  /** What is under way to whoever asked, and how it is cut off. */
  private readonly held = new Map<() => void, Asker>();
  /** Told when logins end: the live stream is looked at again. */
  onEnded: () => void = () => {};
  /** A name given by hand means a forwarding server in front: then what comes from loopback may be anybody. */
  readonly loopbackIsCrew: boolean;
  readonly secure: boolean;

  private constructor(folder: string, record: AccessRecord, options: AccessOptions) {
    this.folder = folder;
    this.record = record;
    this.clock = options.clock ?? machineClock;
    this.loopbackIsCrew = options.loopbackIsCrew ?? true;
    this.secure = options.secure ?? false;
    this.tries = new LoginTries(this.clock);
  }

  /** Passphrases as they were set before; undefined when there are none. @throws EvenburnError ACCESS_FILE_DAMAGED, DATA_UNWRITABLE */
  static async open(folder: string, options: AccessOptions = {}): Promise<Access | undefined> {
    const record = await readAccessFile(folder, accessRecord);
    return record && new Access(folder, record, options);
  }

  /** Sets both passphrases anew, with a new key: everybody is logged out. @throws EvenburnError ACCESS_PASSPHRASE_REFUSED, DATA_UNWRITABLE */
  static async create(folder: string, passphrases: Passphrases, options: AccessOptions = {}): Promise<Access> {
    checkPassphrases(passphrases);
    const salt = randomBytes(16);
    const [crew, viewer] = [await hash(passphrases.crew, salt), await hash(passphrases.viewer, salt)];
    const text = (bytes: Buffer) => bytes.toString('base64');
    const key = text(randomBytes(32));
    const record: AccessRecord = { format: 1, salt: text(salt), crew: text(crew), viewer: text(viewer), key, generation: 1, ended: {} };
    await keepAccessFile(folder, record);
    return new Access(folder, record, options);
  }

  /** These are the passphrases that are set. */
  async hasPassphrases({ crew, viewer }: Passphrases): Promise<boolean> {
    return (await this.findRole(crew)) === 'crew' && (await this.findRole(viewer)) === 'viewer';
  }

  /** With https the browser itself holds the cookie to this host, path and scheme. */
  get cookieName(): string {
    return this.secure ? '__Host-evenburn' : 'evenburn';
  }

  /** The role of who asks; undefined: log in first. The one check for HTTP and the live stream. */
  roleOf(asker: Asker): Role | undefined {
    return this.isAtTheComputer(asker) ? 'crew' : this.readLogin(asker)?.role;
  }

  /** Asked from this computer by its loopback name, and by no server that forwards what others ask. */
  isAtTheComputer({ headers, remoteAddress }: Asker): boolean {
    if (!this.loopbackIsCrew || headers.forwarded !== undefined || headers['x-forwarded-for'] !== undefined) return false;
    return isLoopbackAddress(remoteAddress ?? '') && isLoopbackName(hostName(headers.host));
  }

  /**
   * Whose what is held open counts as: the device's address, or the login where a server in front forwards what everybody asks. Undefined:
   * somebody at the computer itself.
   */
  holderOf(asker: Asker): string | undefined {
    if (this.isAtTheComputer(asker)) return undefined;
    const address = asker.remoteAddress ?? '';
    return isLoopbackAddress(address) ? (this.readLogin(asker)?.id ?? 'nobody') : toSource(address);
  }

  /** Cuts off what is under way to `asker` once its login is over. Call what is returned when it has ended by itself. */
  hold(asker: Asker, cutOff: () => void): () => void {
    this.held.set(cutOff, asker);
    return () => this.held.delete(cutOff);
  }

  /** Cuts off whoever may not watch any longer: a login ends by a logout, and by itself when its week is over. */
  recheck(): void {
    for (const [cutOff, asker] of this.held) if (this.roleOf(asker) === undefined) cutOff();
  }

  /**
   * The value of a new login's cookie. One computation, whichever passphrase it may be, and none for an address that was wrong too often.
   * @throws EvenburnError ACCESS_PASSPHRASE_WRONG, ACCESS_TRIES_TOO_MANY
   */
  async logIn(words: string, remoteAddress: string): Promise<string> {
    const found = await this.tries.take(remoteAddress, () => this.findRole(words));
    if (!found) throw new EvenburnError('ACCESS_PASSPHRASE_WRONG');
    const issuedMs = this.clock.wallMs();
    const id = randomBytes(12).toString('base64url');
    const said = { id, role: found, issuedMs, expiresMs: issuedMs + loginLastsMs, generation: this.record.generation };
    return cookies.fastifyCookie.sign(Buffer.from(JSON.stringify(said)).toString('base64url'), this.record.key);
  }

  /** Ends the login of who asks; a copy of its cookie is worth nothing from now on. */
  async logOut(asker: Asker): Promise<void> {
    const said = this.readLogin(asker);
    if (!said) return;
    const now = this.clock.wallMs();
    const ended = Object.entries({ ...this.record.ended, [said.id]: said.expiresMs }).filter(([, expiresMs]) => expiresMs > now);
    if (ended.length > loginsEndedMax) return this.logOutEverybody();
    await this.change({ ended: Object.fromEntries(ended) });
  }

  async logOutEverybody(): Promise<void> {
    await this.change({ generation: this.record.generation + 1, ended: {} });
  }

  private async change(changed: Partial<AccessRecord>): Promise<void> {
    this.record = { ...this.record, ...changed };
    this.recheck();
    this.onEnded();
    await keepAccessFile(this.folder, this.record);
  }

  /** Both are compared in constant time, so that nothing tells which one was nearer. */
  private async findRole(words: string): Promise<Role | undefined> {
    const bytes = (text: string) => Buffer.from(text, 'base64');
    const made = await hash(words, bytes(this.record.salt));
    const crew = timingSafeEqual(made, bytes(this.record.crew));
    const viewer = timingSafeEqual(made, bytes(this.record.viewer));
    if (crew) return 'crew';
    return viewer ? 'viewer' : undefined;
  }

  /** What a cookie of ours says, while it holds; undefined for every other. */
  private readLogin({ headers }: Asker) {
    const value = cookies.fastifyCookie.parse(headers.cookie ?? '')[this.cookieName];
    if (value === undefined) return undefined;
    const signed = cookies.fastifyCookie.unsign(value, this.record.key);
    if (!signed.valid) return undefined;
    const said = parseLogin(signed.value);
    if (!said) return undefined;
    const now = this.clock.wallMs();
    const holds = said.generation === this.record.generation && now < said.expiresMs && this.record.ended[said.id] === undefined;
    return holds ? said : undefined;
  }
}

/** One that another version of the program signed may say other things: it is no login any more. */
function parseLogin(text: string): z.infer<typeof login> | undefined {
  try {
    return login.safeParse(JSON.parse(Buffer.from(text, 'base64url').toString())).data;
  } catch {
    return undefined;
  }
}

export interface AccessOptions {
  clock?: Clock;
  /** Default true. */
  loopbackIsCrew?: boolean;
  /** Pages are served by https. */
  secure?: boolean;
}
