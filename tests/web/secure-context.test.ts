// Features that exist on secure pages alone would break every tablet on plain http: they may be touched in web/capabilities.ts only.
import { readdirSync, readFileSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';

const web = new URL('../../web/', import.meta.url).pathname;
const secureOnly =
  /navigator\.(wakeLock|clipboard|serviceWorker|share|mediaDevices|geolocation|storage)|crypto\.(randomUUID|subtle)|\bcaches\.|\bNotification\(/;
const outside = /https?:\/\/(?!www\.w3\.org\/)/;

function sources(folder: string): string[] {
  return readdirSync(folder).flatMap((name) => {
    const path = join(folder, name);
    if (statSync(path).isDirectory()) return sources(path);
    return /\.(tsx?|css|html|svg|webmanifest)$/.test(name) && name !== 'vite.config.ts' ? [path] : [];
  });
}

it('touches what needs a secure page in one file alone', () => {
  const found = sources(web).filter((path) => secureOnly.test(readFileSync(path, 'utf8')));
  expect(found.map((path) => path.slice(web.length))).toEqual(['capabilities.ts']);
});

it('names no address outside', () => {
  expect(sources(web).filter((path) => outside.test(readFileSync(path, 'utf8')))).toEqual([]);
});
