// The certificates that `--https` makes, kept in the data folder: the authority once, the server's anew when its names or its time have run out.
import { createPrivateKey, createPublicKey, X509Certificate } from 'node:crypto';
import { mkdir, open, readFile, rename } from 'node:fs/promises';
import { isIP } from 'node:net';
import { hostname } from 'node:os';
import { join } from 'node:path';
import { machineClock } from '../clock.ts';
import { EvenburnError } from '../errors.ts';
import { type KeptCertificate, makeAuthority, makeServerCertificate } from './certificate.ts';
import { ownAddresses } from './guard.ts';

const ownerOnly = 0o600;
/** A server certificate is made anew this long before it runs out. */
const renewBeforeMs = 30 * 24 * 3600 * 1000;

export interface OwnCertificate extends KeptCertificate {
  /** The authority's certificate, PEM: what a tablet is told to trust. */
  authority: string;
  /** The authority was made just now: tablets that trusted an earlier one have to be told again. */
  isNew: boolean;
}

/** Names and addresses by which this computer is asked on its network, IPv6 without brackets. */
export function namesToCertify(given: readonly string[], computer = hostname(), addresses = ownAddresses()): string[] {
  const [short = ''] = computer.toLowerCase().split('.');
  const names = ['localhost', computer.toLowerCase(), short, `${short}.local`, ...given.map((one) => one.toLowerCase())];
  const plain = addresses.map((address) => address.replace(/^\[|\]$/g, ''));
  return [...new Set([...names.filter((name) => /^[a-z0-9.-]+$/.test(name)), '127.0.0.1', '::1', ...plain])];
}

/**
 * Reads what is there, and makes what is missing or has run out.
 * @throws EvenburnError DATA_UNWRITABLE, CERTIFICATE_REFUSED when a kept file is damaged
 */
export async function openOwnCertificate(folder: string, names: readonly string[], nowMs = machineClock.wallMs()): Promise<OwnCertificate> {
  const at = join(folder, 'https');
  const computer = hostname();
  const keptAuthority = await readKept(at, 'authority');
  const isNew = keptAuthority === undefined || runsOut(keptAuthority, nowMs) || !mayCertify(keptAuthority, names);
  const authority = isNew ? await keep(at, 'authority', makeAuthority(computer, names.filter(isOutside), nowMs)) : keptAuthority;
  const kept = isNew ? undefined : await readKept(at, 'server');
  if (kept && !runsOut(kept, nowMs) && names.every((name) => certifies(kept, name))) return { ...kept, authority: authority.cert, isNew };
  const key = createPrivateKey(authority.key);
  const signer = { computer: nameOf(authority), key, publicKey: createPublicKey(key) };
  return { ...(await keep(at, 'server', makeServerCertificate(signer, names, nowMs))), authority: authority.cert, isNew };
}

/** Not among the names and networks that every authority of ours may sign for. */
function isOutside(name: string): boolean {
  if (isIP(name) === 4) return !/^(127|10|192\.168|169\.254|172\.(1[6-9]|2\d|3[01]))\./.test(name);
  if (isIP(name) === 6) return !/^(::1$|f[cd]|fe[89ab])/i.test(name);
  return !/(^|\.)(localhost|local|lan|home\.arpa|internal)$/.test(name);
}

/** What an authority may sign for is fixed when it is made; its own words are searched, as Node reads no name constraints. */
function mayCertify({ cert }: KeptCertificate, names: readonly string[]): boolean {
  const { raw } = new X509Certificate(cert);
  return names.filter(isOutside).every((name) => raw.includes(isIP(name) === 4 ? Buffer.from(name.split('.').map(Number)) : name));
}

function certifies({ cert }: KeptCertificate, name: string): boolean {
  const read = new X509Certificate(cert);
  return (isIP(name) === 0 ? read.checkHost(name, { wildcards: false }) : read.checkIP(name)) !== undefined;
}

function runsOut({ cert }: KeptCertificate, nowMs: number): boolean {
  return new Date(new X509Certificate(cert).validTo).getTime() < nowMs + renewBeforeMs;
}

/** The computer's name that the authority carries: it may have been renamed since. */
function nameOf({ cert }: KeptCertificate): string {
  return /CN=Evenburn of (.*)/.exec(new X509Certificate(cert).subject)?.[1] ?? hostname();
}

async function readKept(folder: string, name: string): Promise<KeptCertificate | undefined> {
  try {
    const [cert, key] = await Promise.all([
      readFile(join(folder, `${name}.pem`), 'utf8'),
      readFile(join(folder, `${name}-key.pem`), 'utf8'),
    ]);
    if (!new X509Certificate(cert).checkPrivateKey(createPrivateKey(key))) throw new Error('the key belongs to another certificate');
    return { cert, key };
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === 'ENOENT') return undefined;
    throw new EvenburnError('CERTIFICATE_REFUSED', { why: `${join(folder, name)}: ${(error as Error).message}` }, error);
  }
}

/** The key first: a certificate without its key is made anew. */
async function keep(folder: string, name: string, made: KeptCertificate): Promise<KeptCertificate> {
  try {
    await mkdir(folder, { recursive: true, mode: 0o700 });
    await write(join(folder, `${name}-key.pem`), made.key);
    await write(join(folder, `${name}.pem`), made.cert);
  } catch (error) {
    throw new EvenburnError('DATA_UNWRITABLE', { path: folder, why: (error as Error).message }, error);
  }
  return made;
}

async function write(path: string, text: string): Promise<void> {
  const file = await open(`${path}.new`, 'w', ownerOnly);
  await file.chmod(ownerOnly);
  await file.writeFile(text);
  await file.sync();
  await file.close();
  await rename(`${path}.new`, path);
}
