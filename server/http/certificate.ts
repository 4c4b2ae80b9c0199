// Certificates of our own for https on a local network: an authority that tablets are told to trust once, and a server's certificate signed by it.
// X.509 version 3 (RFC 5280) in DER (ITU-T X.690), keys and signatures (ECDSA P-256, SHA-256) by Node.
import { createHash, generateKeyPairSync, type KeyObject, randomBytes, sign } from 'node:crypto';
import { isIP } from 'node:net';

/** A certificate with its key, both PEM. */
export interface KeptCertificate {
  cert: string;
  key: string;
}

const authorityLastsMs = 10 * 365 * 24 * 3600 * 1000;
/** Some tablets take no server certificate that lasts longer than 398 days. */
const serverLastsMs = 390 * 24 * 3600 * 1000;
/** A tablet's clock may be behind. */
const backMs = 24 * 3600 * 1000;

const oid = {
  commonName: '2.5.4.3',
  ecdsaSha256: '1.2.840.10045.4.3.2',
  subjectKeyId: '2.5.29.14',
  keyUsage: '2.5.29.15',
  alternativeNames: '2.5.29.17',
  basicConstraints: '2.5.29.19',
  nameConstraints: '2.5.29.30',
  authorityKeyId: '2.5.29.35',
  extendedKeyUsage: '2.5.29.37',
  serverAuth: '1.3.6.1.5.5.7.3.1',
} as const;

/** What the authority may sign for at all, so that its key is worth nothing elsewhere: names of local networks, private and local addresses. */
const localNames = ['localhost', 'local', 'lan', 'home.arpa', 'internal'];
const localNetworks = [
  '127.0.0.0/8',
  '10.0.0.0/8',
  '172.16.0.0/12',
  '192.168.0.0/16',
  '169.254.0.0/16',
  '::1/128',
  'fc00::/7',
  'fe80::/10',
];

/**
 * @param names Names and addresses beside the local ones that it may sign for: this computer's own.
 */
export function makeAuthority(computer: string, names: readonly string[], nowMs: number): KeptCertificate {
  const pair = generateKeyPairSync('ec', { namedCurve: 'P-256' });
  const name = toName(`Evenburn of ${computer}`);
  const extensions = [
    extension(oid.basicConstraints, sequence(boolean(true), integer(Buffer.from([0]))), true),
    // keyCertSign and cRLSign.
    extension(oid.keyUsage, tagged(0x03, Buffer.from([1, 0x06])), true),
    extension(oid.subjectKeyId, tagged(0x04, keyId(pair.publicKey))),
    extension(
      oid.nameConstraints,
      sequence(context(0, ...[...localNames, ...localNetworks, ...names].map((one) => sequence(subtree(one))))),
      true,
    ),
  ];
  const cert = toCertificate({
    issuer: name,
    subject: name,
    key: pair.publicKey,
    signer: pair.privateKey,
    extensions,
    nowMs,
    lastsMs: authorityLastsMs,
  });
  return { cert, key: pair.privateKey.export({ type: 'pkcs8', format: 'pem' }).toString() };
}

/**
 * @param authority Its key object and the name it was made with.
 * @param names Names and addresses (IPv6 without brackets) by which the server is asked.
 */
export function makeServerCertificate(
  authority: { computer: string; key: KeyObject; publicKey: KeyObject },
  names: readonly string[],
  nowMs: number,
): KeptCertificate {
  const pair = generateKeyPairSync('ec', { namedCurve: 'P-256' });
  const extensions = [
    extension(oid.basicConstraints, sequence(), true),
    // digitalSignature.
    extension(oid.keyUsage, tagged(0x03, Buffer.from([7, 0x80])), true),
    extension(oid.extendedKeyUsage, sequence(objectId(oid.serverAuth))),
    extension(oid.subjectKeyId, tagged(0x04, keyId(pair.publicKey))),
    extension(oid.authorityKeyId, sequence(tagged(0x80, keyId(authority.publicKey)))),
    extension(oid.alternativeNames, sequence(...names.map(alternativeName))),
  ];
  const cert = toCertificate({
    issuer: toName(`Evenburn of ${authority.computer}`),
    subject: toName(names[0] ?? authority.computer),
    key: pair.publicKey,
    signer: authority.key,
    extensions,
    nowMs,
    lastsMs: serverLastsMs,
  });
  return { cert, key: pair.privateKey.export({ type: 'pkcs8', format: 'pem' }).toString() };
}

interface Parts {
  issuer: Buffer;
  subject: Buffer;
  key: KeyObject;
  signer: KeyObject;
  extensions: Buffer[];
  nowMs: number;
  lastsMs: number;
}

function toCertificate({ issuer, subject, key, signer, extensions, nowMs, lastsMs }: Parts): string {
  const algorithm = sequence(objectId(oid.ecdsaSha256));
  const body = sequence(
    context(0, integer(Buffer.from([2]))),
    integer(randomBytes(16)),
    algorithm,
    issuer,
    sequence(time(nowMs - backMs), time(nowMs + lastsMs)),
    subject,
    key.export({ type: 'spki', format: 'der' }),
    context(3, sequence(...extensions)),
  );
  const signature = sign('sha256', body, { key: signer, dsaEncoding: 'der' });
  const der = sequence(body, algorithm, tagged(0x03, Buffer.concat([Buffer.from([0]), signature])));
  return `-----BEGIN CERTIFICATE-----\n${(der.toString('base64').match(/.{1,64}/g) ?? []).join('\n')}\n-----END CERTIFICATE-----\n`;
}

function extension(id: string, value: Buffer, critical = false): Buffer {
  return sequence(objectId(id), ...(critical ? [boolean(true)] : []), tagged(0x04, value));
}

/** SHA-1 over the key's bits, as RFC 5280 4.2.1.2 has it: a name, no protection. */
function keyId(key: KeyObject): Buffer {
  const der = key.export({ type: 'spki', format: 'der' });
  // Behind the fixed head of a P-256 key: 65 bytes of its point.
  return createHash('sha1')
    .update(der.subarray(der.length - 65))
    .digest();
}

function alternativeName(name: string): Buffer {
  return isIP(name) === 0 ? tagged(0x82, Buffer.from(name)) : tagged(0x87, addressBytes(name));
}

/** A name with all below it, or a network (a lone address is a network of one). */
function subtree(name: string): Buffer {
  const [address = '', bits] = name.split('/');
  if (isIP(address) === 0) return tagged(0x82, Buffer.from(name));
  const bytes = addressBytes(address);
  const length = bits === undefined ? 8 * bytes.length : Number(bits);
  const mask = Buffer.from(Array.from(bytes, (_, i) => 0xff & (0xff00 >> Math.max(0, Math.min(8, length - 8 * i)))));
  return tagged(0x87, Buffer.concat([bytes, mask]));
}

function addressBytes(address: string): Buffer {
  if (isIP(address) === 4) return Buffer.from(address.split('.').map(Number));
  const [head = '', tail] = address.split('::');
  const words = (text: string) => text.split(':').filter(Boolean);
  const before = words(head);
  const after = tail === undefined ? [] : words(tail);
  const zeros = Array.from({ length: 8 - before.length - after.length }, () => '0');
  return Buffer.from([...before, ...zeros, ...after].flatMap((word) => [Number.parseInt(word, 16) >> 8, Number.parseInt(word, 16) & 0xff]));
}

function toName(commonName: string): Buffer {
  return sequence(tagged(0x31, sequence(objectId(oid.commonName), tagged(0x0c, Buffer.from(commonName.slice(0, 64))))));
}

/** UTCTime up to 2049, GeneralizedTime after it. */
function time(ms: number): Buffer {
  const text = `${new Date(ms).toISOString().replace(/[-:T]|\.\d+/g, '')}`;
  return text < '2050' ? tagged(0x17, Buffer.from(text.slice(2))) : tagged(0x18, Buffer.from(text));
}

function tagged(tag: number, ...parts: Buffer[]): Buffer {
  const content = Buffer.concat(parts);
  const { length } = content;
  const bytes = length > 0xff ? [0x82, length >> 8, length & 0xff] : length > 0x7f ? [0x81, length] : [length];
  return Buffer.concat([Buffer.from([tag, ...bytes]), content]);
}

const sequence = (...parts: Buffer[]) => tagged(0x30, ...parts);
const context = (number: number, ...parts: Buffer[]) => tagged(0xa0 + number, ...parts);
const boolean = (value: boolean) => tagged(0x01, Buffer.from([value ? 0xff : 0]));

/** A whole number that isn't negative: a leading one bit gets a zero byte before it. */
function integer(bytes: Buffer): Buffer {
  const from = bytes.findIndex((byte, i) => byte !== 0 || i === bytes.length - 1);
  const short = bytes.subarray(from);
  return tagged(0x02, (short[0] ?? 0) > 0x7f ? Buffer.from([0]) : Buffer.alloc(0), short);
}

function objectId(id: string): Buffer {
  const [first = 0, second = 0, ...rest] = id.split('.').map(Number);
  const bytes = rest.flatMap((part) => {
    const groups = [part & 0x7f];
    for (let left = part >>> 7; left > 0; left >>>= 7) groups.unshift((left & 0x7f) | 0x80);
    return groups;
  });
  return tagged(0x06, Buffer.from([40 * first + second, ...bytes]));
}
