// No code path can send on a bus: what the sources' text may not hold. That nothing is sent in fact: tests/socketcan, serial-line.test.ts.
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';

const server = new URL('../../server', import.meta.url).pathname;
const files = readdirSync(server, { recursive: true, encoding: 'utf8' }).filter((path) => path.endsWith('.ts'));
const textOf = (path: string) => readFileSync(join(server, path), 'utf8');
const filesWith = (pattern: RegExp) => files.filter((path) => pattern.test(textOf(path)));

describe('no code path can send on a bus', () => {
  it('loads each add-on in one place alone', () => {
    expect(filesWith(/import\('socketcan'\)|from 'socketcan'/)).toEqual([join('bus', 'socketcan-driver.ts')]);
    expect(filesWith(/import\('serialport'\)|from 'serialport'/)).toEqual([join('bus', 'serial-port.ts')]);
  });

  it('knows of the SocketCAN channel only how to listen to it', () => {
    const text = textOf(join('bus', 'socketcan-driver.ts'));
    const channel = /export interface ListeningChannel \{([^}]*)\}/.exec(text)?.[1] ?? '';
    const methods = [...channel.matchAll(/^\s+(\w+)\(/gm)].map((match) => match[1]);
    expect([...new Set(methods)].sort()).toEqual(['addListener', 'start', 'stop']);
    const called = [...text.matchAll(/channel\??\.(\w+)\(/g)].map((match) => match[1] as string);
    expect([...new Set(called)].sort()).toEqual(['addListener', 'start', 'stop']);
    // The add-on gives one thing, and nothing else of it is reached.
    expect(text).toContain('as unknown as { createRawChannel(name: string, stamps: boolean): ListeningChannel }');
  });

  it('writes to a serial line only what its list of commands allows', () => {
    const text = textOf(join('bus', 'serial-line.ts'));
    const commands = /^type Command = (.*);$/m.exec(text)?.[1] ?? '';
    // biome-ignore lint/suspicious/noTemplateCurlyInString: the text of the source is meant
    expect(commands.split(' | ').sort()).toEqual(["'C'", "'F'", "'L'", "'O'", "'V'", "'Z1'", '`S${number}`', '`Y${number}`']);
    const written = [...text.matchAll(/\.write\(([^)]*)\)/g)].map((match) => match[1]);
    // biome-ignore lint/suspicious/noTemplateCurlyInString: the text of the source is meant
    expect(written.sort()).toEqual(["'C\\r'", "'\\r\\r\\r'", '`${command}\\r`']);
    // Nobody else has a port to write to.
    expect(
      filesWith(/openPort/)
        .map((path) => path.split(/[\\/]/).at(-1))
        .sort(),
    ).toEqual(['bit-rate-listener.ts', 'reader-process.ts', 'serial-line.ts', 'serial-port.ts']);
  });

  it('runs no program that can send', () => {
    expect(filesWith(/cansend|cangen|canplayer|isotpsend|cangw/)).toEqual([]);
  });
});
