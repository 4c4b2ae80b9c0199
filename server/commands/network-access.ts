// What `evenburn serve` needs to be reachable from the network: passphrases, names, certificate, and what it prints about them.
import { X509Certificate } from 'node:crypto';
import { readFile } from 'node:fs/promises';
import { createInterface } from 'node:readline';
import { createSecureContext } from 'node:tls';
import type { Command } from 'commander';
import { EvenburnError } from '../errors.ts';
import type { Access, Passphrases } from '../http/access.ts';
import type { Door } from '../http/guard.ts';

export interface NetworkOptions {
  lan?: boolean;
  passphraseFile?: string;
  askPassphrases?: boolean;
  newPassphrases?: boolean;
  hostName?: string[];
  https?: boolean;
  cert?: string;
  key?: string;
}

export function addNetworkOptions(command: Command): Command {
  return command
    .option('--lan', 'listen on the network too, with passphrases (docs/access.md)')
    .option('--passphrase-file <path>', 'with --lan: take the passphrases from a file with a line `crew: …` and a line `viewer: …`')
    .option('--ask-passphrases', 'with --lan: ask for them in this terminal')
    .option('--new-passphrases', 'with --lan: make new passphrases and log everybody out')
    .option('--host-name <name...>', 'with --lan: another name under which this server is asked; then this computer logs in as well')
    .option('--https', 'serve by https with a certificate made for this computer; tablets are told to trust it once (docs/access.md)')
    .option('--cert <file>', 'serve by https with this certificate (PEM)')
    .option('--key <file>', 'the key of the certificate (PEM)');
}

/** What the server is started with. */
export interface Network {
  door: Door;
  access?: Access;
  tls?: { cert: string; key: string };
  /** Certificate of the authority made here, PEM, for tablets to trust; `isNew` when none was there, or the one before could not go on. */
  authority?: { cert: string; isNew: boolean };
  /** Passphrases that were made just now: to be told once, and kept nowhere. */
  made?: Passphrases;
  /** Passphrases that were given by hand and are other ones than before. */
  given?: boolean;
}

/**
 * @param folder The data folder, where hashes are kept.
 * @throws EvenburnError USAGE_WRONG, CERTIFICATE_REFUSED, INPUT_FILE_MISSING, INPUT_FILE_UNREADABLE, ACCESS_PASSPHRASE_REFUSED,
 * ACCESS_FILE_DAMAGED, DATA_UNWRITABLE
 */
export async function openNetwork(options: NetworkOptions, folder: string): Promise<Network> {
  checkTogether(options);
  const made = options.https ? await makeTls(options, folder) : undefined;
  const tls = made?.tls ?? (await readTls(options));
  const { loopbackDoor, openLanDoor } = await import('../http/guard.ts');
  const scheme = tls ? 'https' : 'http';
  const common = { ...(tls ? { tls } : {}), ...(made ? { authority: made.authority } : {}) };
  if (!options.lan) return { ...common, door: { ...loopbackDoor, scheme } };
  const { Access, makePassphrase } = await import('../http/access.ts');
  const names = options.hostName ?? [];
  const how = { secure: tls !== undefined, loopbackIsCrew: names.length === 0 };
  const door = openLanDoor(scheme, names);
  const given = await givenPassphrases(options);
  const before = options.newPassphrases ? undefined : await openBefore(() => Access.open(folder, how), given);
  if (before) return { ...common, door, access: before };
  const fresh = { crew: makePassphrase(), viewer: makePassphrase() };
  const access = await Access.create(folder, given ?? fresh, how);
  return { ...common, door, access, ...(given ? { given: true } : { made: fresh }) };
}

/** What was set before, unless other passphrases are given now: the same ones at every start log nobody out. */
async function openBefore(open: () => Promise<Access | undefined>, given: Passphrases | undefined): Promise<Access | undefined> {
  if (!given) return open();
  // What can't be read is replaced by what is given.
  const before = await open().catch(() => undefined);
  return before && (await before.hasPassphrases(given)) ? before : undefined;
}

function checkTogether(options: NetworkOptions): void {
  const { lan, passphraseFile, askPassphrases, newPassphrases, hostName, cert, key } = options;
  const usage = (what: string) => new EvenburnError('USAGE_WRONG', { what });
  if (!lan && (passphraseFile !== undefined || askPassphrases || newPassphrases || hostName))
    throw usage('--passphrase-file, --ask-passphrases, --new-passphrases and --host-name go with --lan');
  if ([passphraseFile !== undefined, askPassphrases, newPassphrases].filter(Boolean).length > 1)
    throw usage('--passphrase-file, --ask-passphrases and --new-passphrases exclude one another');
  if ((cert === undefined) !== (key === undefined)) throw usage('--cert and --key go together');
  if (options.https && cert !== undefined) throw usage('--https makes a certificate: it excludes --cert and --key');
  const wrong = hostName?.find((name) => !/^([a-z0-9-]+\.)*[a-z0-9-]+$/i.test(name));
  if (wrong !== undefined) throw usage(`--host-name '${wrong}' is no host name (no scheme, no port)`);
}

async function makeTls({ hostName = [] }: NetworkOptions, folder: string): Promise<Required<Pick<Network, 'tls' | 'authority'>>> {
  const { namesToCertify, openOwnCertificate } = await import('../http/own-certificate.ts');
  const { cert, key, authority, isNew } = await openOwnCertificate(folder, namesToCertify(hostName));
  return { tls: { cert, key }, authority: { cert: authority, isNew } };
}

async function readTls({ cert, key }: NetworkOptions): Promise<{ cert: string; key: string } | undefined> {
  if (cert === undefined || key === undefined) return undefined;
  const pair = { cert: await readText(cert), key: await readText(key) };
  try {
    createSecureContext(pair);
  } catch (error) {
    throw new EvenburnError('CERTIFICATE_REFUSED', { why: (error as Error).message }, error);
  }
  if (new Date(new X509Certificate(pair.cert).validTo).getTime() < (await import('../clock.ts')).machineClock.wallMs())
    throw new EvenburnError('CERTIFICATE_REFUSED', { why: 'the certificate has run out' });
  return pair;
}

async function readText(path: string): Promise<string> {
  try {
    return await readFile(path, 'utf8');
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === 'ENOENT') throw new EvenburnError('INPUT_FILE_MISSING', { path }, error);
    throw new EvenburnError('INPUT_FILE_UNREADABLE', { path, why: (error as Error).message }, error);
  }
}

async function givenPassphrases({ passphraseFile, askPassphrases }: NetworkOptions): Promise<Passphrases | undefined> {
  if (passphraseFile !== undefined) return readPassphrases(passphraseFile, await readText(passphraseFile));
  if (!askPassphrases) return undefined;
  if (!process.stdin.isTTY) throw new EvenburnError('USAGE_WRONG', { what: '--ask-passphrases needs a terminal; use --passphrase-file' });
  return { crew: await ask('Passphrase for the crew: '), viewer: await ask('Passphrase for viewers: ') };
}

function readPassphrases(path: string, text: string): Passphrases {
  const find = (whose: string) => new RegExp(`^${whose}:[ \\t]*(.+?)[ \\t]*$`, 'm').exec(text)?.[1];
  const [crew, viewer] = [find('crew'), find('viewer')];
  if (crew === undefined || viewer === undefined)
    throw new EvenburnError('INPUT_FILE_UNREADABLE', { path, why: 'a line `crew: …` and a line `viewer: …` are needed' });
  return { crew, viewer };
}

/** Asks without showing what is typed. */
async function ask(question: string): Promise<string> {
  process.stderr.write(question);
  const lines = createInterface({ input: process.stdin, terminal: true });
  try {
    return await new Promise<string>((resolve, reject) => {
      lines.once('line', resolve);
      lines.once('close', () => reject(new EvenburnError('USAGE_WRONG', { what: 'no passphrase was given' })));
    });
  } finally {
    lines.close();
    process.stderr.write('\n');
  }
}

/** Addresses on the network with the first as a QR code on standard output; passphrases, once, on standard error. */
export async function tellNetwork({ door, access, made, given, authority }: Network, port: number): Promise<void> {
  if (authority) tellAuthority(authority);
  if (!access) return;
  const { ownAddresses } = await import('../http/guard.ts');
  const addresses = ownAddresses().map((address) => `${door.scheme}://${address}:${port}/`);
  for (const address of addresses) process.stdout.write(`On the network: ${address}\n`);
  const [first] = addresses;
  if (first === undefined) process.stderr.write('This computer has no address on a network now.\n');
  else process.stdout.write(await drawQr(first));
  if (made)
    process.stderr.write(`Passphrase for the crew:  ${made.crew}\nPassphrase for viewers:   ${made.viewer}\nThey are shown this once.\n`);
  else if (given) process.stderr.write('The passphrases are those that were given now; whoever was logged in logs in again.\n');
  else process.stderr.write('The passphrases are those set before; --new-passphrases makes new ones and logs everybody out.\n');
  if (door.scheme === 'http')
    process.stderr.write('Without --https whoever listens in on the network can read along, passphrases included.\n');
}

function tellAuthority({ cert, isNew }: NonNullable<Network['authority']>): void {
  const { fingerprint256 } = new X509Certificate(cert);
  process.stderr.write(
    `${isNew ? 'A new authority was made: each' : 'Each'} tablet opens /api/access/certificate of this server once and trusts it (docs/access.md). Its SHA-256 fingerprint: ${fingerprint256}\n`,
  );
}

/** Two modules a character, dark on light by half blocks, with the quiet margin of four modules that readers need. */
async function drawQr(text: string): Promise<string> {
  const { default: qrcode } = await import('qrcode-generator');
  const code = qrcode(0, 'M');
  code.addData(text);
  code.make();
  const count = code.getModuleCount();
  const dark = (row: number, column: number) => row >= 0 && column >= 0 && row < count && column < count && code.isDark(row, column);
  let drawn = '';
  // Light on dark terminals without colours; a terminal that can is told, as its own ground may be light.
  const [light, plain] = process.stdout.isTTY ? ['\u001b[97;40m', '\u001b[0m'] : ['', ''];
  for (let row = -4; row < count + 4; row += 2) {
    drawn += light;
    for (let column = -4; column < count + 4; column++) {
      drawn += [' ', '▄', '▀', '█'][(dark(row, column) ? 0 : 2) + (dark(row + 1, column) ? 0 : 1)];
    }
    drawn += `${plain}\n`;
  }
  return drawn;
}
