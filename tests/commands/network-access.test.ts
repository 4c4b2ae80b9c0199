// Passphrases as `serve --lan` takes them at its start: which start ends logins, and which does not.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, it } from 'vitest';
import { openNetwork } from '../../server/commands/network-access.ts';
import type { Access } from '../../server/http/access.ts';

let folder: string;
let passphraseFile: string;

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-network-'));
  passphraseFile = join(folder, 'passphrases.txt');
});
afterEach(() => rmSync(folder, { recursive: true }));

const write = (crew: string, viewer: string) => writeFileSync(passphraseFile, `crew: ${crew}\nviewer: ${viewer}\n`);

async function start(options: { passphraseFile?: string; newPassphrases?: boolean } = {}) {
  const { access, made, given } = await openNetwork({ lan: true, ...options }, folder);
  return { access: access as Access, made, given };
}

const roleIn = (access: Access, value: string) =>
  access.roleOf({ headers: { cookie: `evenburn=${encodeURIComponent(value)}` }, remoteAddress: '192.0.2.20' });

it('the same file of passphrases at every start logs nobody out; other ones do', async () => {
  write('grey heron wades', 'reeds in the wind');
  const first = await start({ passphraseFile });
  expect([first.made, first.given]).toEqual([undefined, true]);
  const login = await first.access.logIn('reeds in the wind', '192.0.2.20');
  const second = await start({ passphraseFile });
  expect([second.given, roleIn(second.access, login)]).toEqual([undefined, 'viewer']);
  expect(roleIn((await start()).access, login)).toBe('viewer');
  write('grey heron wades', 'reeds in the rain');
  const third = await start({ passphraseFile });
  expect([third.given, roleIn(third.access, login)]).toEqual([true, undefined]);
});

it('passphrases that are given replace a file of them that can not be read', async () => {
  write('grey heron wades', 'reeds in the wind');
  writeFileSync(join(folder, 'access.json'), '{"format":');
  await expect(start()).rejects.toThrow(/can not be read/);
  const { access } = await start({ passphraseFile });
  expect(await access.hasPassphrases({ crew: 'grey heron wades', viewer: 'reeds in the wind' })).toBe(true);
});
