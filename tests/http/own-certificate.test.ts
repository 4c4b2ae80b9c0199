// Certificates of our own, judged by others: OpenSSL's verification and Node's TLS; what the authority may not sign for, nobody accepts.
import { execFileSync, spawnSync } from 'node:child_process';
import { createPrivateKey, createPublicKey, X509Certificate } from 'node:crypto';
import { mkdtempSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { get, type RequestOptions } from 'node:https';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { makeAuthority, makeServerCertificate } from '../../server/http/certificate.ts';
import { namesToCertify, openOwnCertificate } from '../../server/http/own-certificate.ts';

const nowMs = Date.now();
const day = 24 * 3600 * 1000;
let dir: string;
beforeEach(() => {
  dir = mkdtempSync(join(tmpdir(), 'evenburn-https-'));
});
afterEach(() => rmSync(dir, { recursive: true, force: true }));

const openssl = spawnSync('openssl', ['version']).status === 0;
if (!openssl) console.warn('skipped in part: there is no openssl here');

function issue(names: readonly string[], allowed: readonly string[] = []) {
  const authority = makeAuthority('bench', allowed, nowMs);
  const key = createPrivateKey(authority.key);
  return { authority, server: makeServerCertificate({ computer: 'bench', key, publicKey: createPublicKey(key) }, names, nowMs) };
}

/** OpenSSL's words on the chain, for a server of this name. */
function verify({ authority, server }: ReturnType<typeof issue>, ...asked: string[]): string {
  writeFileSync(join(dir, 'ca.pem'), authority.cert);
  writeFileSync(join(dir, 'server.pem'), server.cert);
  const done = spawnSync('openssl', [
    'verify',
    '-x509_strict',
    '-purpose',
    'sslserver',
    ...asked,
    '-CAfile',
    join(dir, 'ca.pem'),
    join(dir, 'server.pem'),
  ]);
  return `${done.stdout}${done.stderr}`;
}

describe('a certificate made here', () => {
  it('carries its names and addresses, and is no authority itself', () => {
    const { authority, server } = issue(['bench.local', '192.168.1.20', 'fd00::1:20', '::1']);
    const read = new X509Certificate(server.cert);
    expect(read.subjectAltName).toBe(
      'DNS:bench.local, IP Address:192.168.1.20, IP Address:FD00:0:0:0:0:0:1:20, IP Address:0:0:0:0:0:0:0:1',
    );
    expect([read.ca, new X509Certificate(authority.cert).ca]).toEqual([false, true]);
    expect(read.verify(new X509Certificate(authority.cert).publicKey)).toBe(true);
    expect(read.keyUsage).toEqual(['1.3.6.1.5.5.7.3.1']);
    const lasts = new Date(read.validTo).getTime() - new Date(read.validFrom).getTime();
    expect(lasts).toBeLessThanOrEqual(398 * day);
  });

  it.skipIf(!openssl)('is verified by OpenSSL, strictly, for each of its names and addresses', () => {
    const chain = issue(['bench.local', '192.168.1.20', 'fd00::1:20', 'localhost']);
    for (const asked of [
      ['-verify_hostname', 'bench.local'],
      ['-verify_ip', '192.168.1.20'],
      ['-verify_ip', 'fd00::1:20'],
      ['-verify_hostname', 'localhost'],
    ]) {
      expect(verify(chain, ...asked)).toMatch(/server\.pem: OK/);
    }
    expect(verify(chain, '-verify_hostname', 'other.local')).toMatch(/hostname mismatch/i);
  });

  it.skipIf(!openssl)('is refused by OpenSSL for whatever the authority may not sign for', () => {
    for (const name of ['example.com', '203.0.113.7', '2001:db8::1']) expect(verify(issue([name]))).toMatch(/permitted subtree violation/);
    expect(verify(issue(['workshop.example.org', '203.0.113.7'], ['workshop.example.org', '203.0.113.7']))).toMatch(/OK/);
  });

  it.skipIf(!openssl)('has a serial, times and extensions that OpenSSL reads as they were meant', () => {
    const { server } = issue(['bench.local']);
    writeFileSync(join(dir, 'one.pem'), server.cert);
    const text = execFileSync('openssl', ['x509', '-in', join(dir, 'one.pem'), '-noout', '-text']).toString();
    for (const wanted of [
      'Version: 3',
      'ecdsa-with-SHA256',
      'Issuer: CN = Evenburn of bench',
      'CA:FALSE',
      'Digital Signature',
      'TLS Web Server Authentication',
    ]) {
      expect(text.replace(/CN=/g, 'CN = ')).toContain(wanted);
    }
  });
});

describe('the certificates kept in the data folder', () => {
  it('are made once, readable by their owner only, and come back as they are', async () => {
    const first = await openOwnCertificate(dir, ['localhost', '127.0.0.1'], nowMs);
    expect(first.isNew).toBe(true);
    for (const name of ['authority', 'authority-key', 'server', 'server-key'])
      expect(statSync(join(dir, 'https', `${name}.pem`)).mode & 0o77).toBe(0);
    const again = await openOwnCertificate(dir, ['localhost', '127.0.0.1'], nowMs + day);
    expect(again).toEqual({ ...first, isNew: false });
  });

  it('get a new server certificate by the same authority for another address, and before the time runs out', async () => {
    const first = await openOwnCertificate(dir, ['localhost'], nowMs);
    const moved = await openOwnCertificate(dir, ['localhost', '10.0.0.7'], nowMs + day);
    expect([moved.isNew, moved.authority === first.authority, moved.cert === first.cert]).toEqual([false, true, false]);
    expect(new X509Certificate(moved.cert).checkIP('10.0.0.7')).toBe('10.0.0.7');
    const later = await openOwnCertificate(dir, ['localhost', '10.0.0.7'], nowMs + 370 * day);
    expect([later.authority === first.authority, later.cert === moved.cert]).toEqual([true, false]);
  });

  it('get a new authority, and say so, for a name that the old one may not sign for', async () => {
    const first = await openOwnCertificate(dir, ['localhost'], nowMs);
    const named = await openOwnCertificate(dir, ['localhost', 'workshop.example.org'], nowMs);
    expect([named.isNew, named.authority === first.authority]).toEqual([true, false]);
    expect((await openOwnCertificate(dir, ['localhost', 'workshop.example.org'], nowMs)).isNew).toBe(false);
  });

  it('are refused when one was damaged', async () => {
    await openOwnCertificate(dir, ['localhost'], nowMs);
    writeFileSync(join(dir, 'https', 'server.pem'), readFileSync(join(dir, 'https', 'authority.pem')));
    await expect(openOwnCertificate(dir, ['localhost'], nowMs)).rejects.toMatchObject({ code: 'CERTIFICATE_REFUSED' });
  });

  it('name this computer in every way it is asked', () => {
    expect(namesToCertify(['Dyno.Lan'], 'Bench.example', ['192.168.1.20', '[fd00::20]'])).toEqual([
      'localhost',
      'bench.example',
      'bench',
      'bench.local',
      'dyno.lan',
      '127.0.0.1',
      '::1',
      '192.168.1.20',
      'fd00::20',
    ]);
  });
});

describe('a server started with --https', () => {
  it('is reached by whoever trusts the authority that it hands out, and by nobody else without a warning', async () => {
    const { Serving } = await import('../browser/serving.ts');
    const serving = await Serving.start({ data: dir, args: ['--https'] });
    const ask = (path: string, options: RequestOptions) =>
      new Promise<{ status: number; type: string; body: string }>((resolve, reject) => {
        get(`https://localhost:${serving.port}${path}`, options, (response) => {
          let body = '';
          response.on('data', (chunk) => {
            body += chunk;
          });
          response.on('end', () => resolve({ status: response.statusCode ?? 0, type: response.headers['content-type'] ?? '', body }));
        }).on('error', reject);
      });
    await expect(ask('/api/access', {})).rejects.toThrow(/self-signed|unable to (get|verify)/);
    // The first look, as a person does who compares the fingerprint.
    const handed = await ask('/api/access/certificate', { rejectUnauthorized: false });
    expect([handed.status, handed.type]).toEqual([200, 'application/x-x509-ca-cert']);
    expect(handed.body).toBe(readFileSync(join(dir, 'https', 'authority.pem'), 'utf8'));
    expect(handed.body).not.toContain('PRIVATE');
    const trusted = await ask('/api/access', { ca: handed.body });
    expect(JSON.parse(trusted.body)).toMatchObject({ lan: false, role: 'crew' });
    await serving.stop();
  });
});
