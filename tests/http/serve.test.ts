// `evenburn serve` as a process: what it prints, how it refuses, how it ends.
import { type ChildProcess, spawn } from 'node:child_process';
import { once } from 'node:events';
import { cpSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { quality } from '../../server/channels/quality.ts';
import { LivePage } from '../doubles/live-feed.ts';
import { smallDevice, smallVehicleText } from '../doubles/small-vehicle.ts';
import { eventually, until } from '../waiting.ts';

const root = new URL('../..', import.meta.url).pathname;
const start = join(root, 'server', 'start.mjs');

let folder: string;
let children: Served[];

class Served {
  readonly child: ChildProcess;
  private readonly closed: Promise<unknown>;
  out = '';
  err = '';

  constructor(command: string, args: string[], env: Record<string, string> = {}) {
    const { npm_lifecycle_event: _, ...plain } = process.env;
    this.child = spawn(command, args, { stdio: ['ignore', 'pipe', 'pipe'], env: { ...plain, ...env } });
    this.closed = once(this.child, 'close');
    this.child.stdout?.on('data', (chunk) => {
      this.out += chunk;
    });
    this.child.stderr?.on('data', (chunk) => {
      this.err += chunk;
    });
  }

  get url(): string {
    return /http:\/\/localhost:\d+/.exec(this.out)?.[0] ?? '';
  }

  async listening(): Promise<string> {
    await until(() => this.url !== '' || this.child.exitCode !== null, `an address; said ${this.err}`);
    return this.url;
  }

  /** Its exit code, once everything that it said has been read too. */
  async ended(): Promise<number | null> {
    await this.closed;
    return this.child.exitCode;
  }
}

function serve(...args: string[]): Served {
  const served = new Served(process.execPath, [start, 'serve', '--data', join(folder, 'data'), ...args]);
  children.push(served);
  return served;
}

async function getJson(url: string): Promise<Record<string, unknown>> {
  return (await fetch(url)).json() as Promise<Record<string, unknown>>;
}

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-serve-'));
  children = [];
});

afterEach(async () => {
  for (const { child } of children) if (child.exitCode === null) child.kill('SIGKILL');
  await Promise.all(children.map((served) => served.ended()));
  rmSync(folder, { recursive: true });
});

function writeVehicle(vehicle = smallVehicleText): string {
  const dir = join(folder, 'bench');
  mkdirSync(join(dir, 'devices'), { recursive: true });
  writeFileSync(join(dir, 'vehicle.yaml'), vehicle);
  writeFileSync(join(dir, 'devices', 'controller.yaml'), smallDevice);
  return dir;
}

/** A recorded file of the small vehicle's frame every 20 ms; oil pressure 250 kPa. */
function writeLog(frames: number): string {
  const path = join(folder, 'run.log');
  const lines = Array.from({ length: frames }, (_, i) => {
    const rpm = (1000 + i).toString(16).padStart(4, '0').toUpperCase();
    return `(${(1700000000 + i * 0.02).toFixed(6)}) can0 100#${rpm}0A28\n`;
  });
  writeFileSync(path, lines.join(''));
  return path;
}

describe('evenburn serve', () => {
  it('ends at a signal although a page holds the stream of a check open', async () => {
    const served = serve('--port', '0');
    const url = await served.listening();
    const stream = await fetch(`${url}/api/checks/watch/stream`);
    expect(stream.headers.get('content-type')).toBe('text/event-stream');
    served.child.kill('SIGTERM');
    expect(await served.ended()).not.toBeNull();
    await stream.body?.cancel().catch(() => undefined);
  });

  it('shows the demo vehicle on simulated buses, records it, and ends with 130 at Ctrl-C', async () => {
    const served = serve('--port', '0');
    const url = await served.listening();
    expect(served.out).toMatch(/^Evenburn shows Garganey at http:\/\/localhost:\d+\/\n$/);
    const page = new LivePage(url);
    await until(() => page.packets.length > 5 && page.last.values.quality.some((code) => code === quality.ok), 'values that move');
    await until(() => page.packets.some((packet) => packet.status?.recording.state === 'recording'), 'a recording');
    expect((await getJson(`${url}/api/vehicle`)).name).toBe('Garganey');
    page.close();
    served.child.kill('SIGINT');
    expect(await served.ended()).toBe(130);
    expect(readdirSync(join(folder, 'data', 'sessions'))).toEqual(['1.sqlite']);
    expect(served.err).toBe('');
  });

  it('plays a recorded file for one bus, and ends with 0 when asked to', async () => {
    const served = serve('--port', '0', '--vehicle', writeVehicle(), '--bus', `engine=file:${writeLog(100)}?speed=max`);
    const url = await served.listening();
    const page = new LivePage(url);
    await until(() => page.last?.values.value[0] === 1099, 'the last frame');
    const bus = ((await getJson(`${url}/api/health`)).status as { buses: { frames: number; source: string }[] }).buses[0];
    expect(bus).toMatchObject({ frames: 100, source: expect.stringContaining('run.log') });
    page.close();
    served.child.kill('SIGTERM');
    expect(await served.ended()).toBe(0);
  });

  it('takes a saved definition into force, and keeps the last good one while the file is broken', async () => {
    const dir = writeVehicle();
    const served = serve('--port', '0', '--vehicle', dir, '--bus', `engine=file:${writeLog(4000)}`);
    const url = await served.listening();
    const page = new LivePage(url);
    await until(() => page.packets.length > 0, 'the first packet');
    writeVehicle(smallVehicleText.replace('oil_pressure * 2', 'oil_pressure * 3'));
    await until(() => page.last.epoch === 2, 'the saved definitions');
    const { channels } = (await getJson(`${url}/api/vehicle`)) as { channels: { name: string }[] };
    const derived = channels.findIndex(({ name }) => name === 'oil_twice');
    await until(() => page.last.values.value[derived] === 750, 'the new formula');
    writeVehicle(smallVehicleText.replace('oil_pressure * 2', 'oil_presure * 2'));
    await until(() => page.last.status?.definitionProblems === 1, 'the broken file');
    const view = await getJson(`${url}/api/vehicle`);
    expect(view).toMatchObject({ epoch: 2, problems: [{ file: 'vehicle.yaml', line: 5 }] });
    page.close();
  });

  it('gives what an earlier run recorded: the list, values at a time and bins', async () => {
    const dir = writeVehicle();
    const first = serve('--port', '0', '--vehicle', dir, '--bus', `engine=file:${writeLog(200)}?speed=max`);
    const page = new LivePage(await first.listening());
    await until(() => page.last?.values.value[0] === 1199, 'the last frame');
    page.close();
    first.child.kill('SIGINT');
    await first.ended();
    const second = serve('--port', '0', '--vehicle', dir);
    const url = await second.listening();
    const { sessions } = (await getJson(`${url}/api/sessions`)) as { sessions: Record<string, unknown>[] };
    expect(sessions).toMatchObject([{ session: 1, vehicle: 'Bench', frames: 200, state: 'closed', origin: 'live' }]);
    const { fromUs, toUs } = (await getJson(`${url}/api/sessions/1`)) as { fromUs: number; toUs: number };
    expect(await getJson(`${url}/api/sessions/1/instant?at=${toUs}`)).toMatchObject({ values: expect.arrayContaining([1199, 250]) });
    const window = await getJson(`${url}/api/sessions/1/window?channels=engine_speed&from=${fromUs}&to=${toUs}&pixels=20`);
    const [trace] = window.traces as { low: number[]; high: number[] }[];
    expect([Math.min(...(trace?.low ?? []).filter((low) => low !== null)), Math.max(...(trace?.high ?? []))]).toEqual([1000, 1199]);
  });

  it('says what feeds no bus, and serves all the same', async () => {
    const served = serve('--port', '0', '--vehicle', writeVehicle());
    const url = await served.listening();
    await until(() => served.err !== '', 'a word');
    expect(served.err).toMatch(/Bus engine has no source: add --bus engine=SOURCE/);
    expect((await getJson(`${url}/api/health`)).status).toMatchObject({ buses: [{ state: 'none', source: null }] });
  });

  it('refuses a port in use with exit 4, and lets go of the data folder', async () => {
    const other = createServer().listen(0, '127.0.0.1');
    await once(other, 'listening');
    const { port } = other.address() as AddressInfo;
    const served = serve('--port', String(port));
    expect(await served.ended()).toBe(4);
    expect(served.err).toBe(`evenburn: port ${port} is in use. Stop the other program, or choose another with --port N.\n`);
    expect(served.out).toBe('');
    other.close();
    const again = serve('--port', '0');
    expect(await again.listening()).not.toBe('');
  });

  it('refuses a second server on the same data with exit 4', async () => {
    const first = serve('--port', '0');
    await first.listening();
    const second = serve('--port', '0');
    expect(await second.ended()).toBe(4);
    expect(second.err).toMatch(new RegExp(`in use by another server \\(process ${first.child.pid}\\)`));
  });

  it.each([
    [['--bus', 'engine'], 2, /--bus 'engine' is not NAME=SOURCE/],
    [['--bus', 'engin=simulator'], 2, /the vehicle's buses are engine, hull/],
    [['--bus', 'engine=simulator', '--bus', 'engine=simulator'], 2, /engine has a source already/],
    [['--bus', 'engine=usb:1'], 2, /source 'usb:1' is none of/],
    [['--bus', 'engine=file:nothing.log'], 3, /nothing.log: no such file/],
    [['--bus', 'engine=simulator:nothing'], 3, /no scenario 'nothing'/],
    [['--bus', 'engine=socketcan:can77'], 4, /no network interface 'can77'.*ip link/],
    [['--port', 'eighty'], 2, /a port is a whole number/],
    [['--port', '70000'], 2, /a port is a whole number/],
    [['--vehicle', 'nothing'], 3, /nothing/],
    [['--colour', 'red'], 2, /unknown option/],
    [['--new-passphrases'], 2, /go with --lan/],
    [['--lan', '--new-passphrases', '--passphrase-file', 'x'], 2, /exclude one another/],
    [['--lan', '--ask-passphrases'], 2, /needs a terminal/],
    [['--lan', '--passphrase-file', 'nothing.txt'], 3, /nothing.txt: no such file/],
    [['--lan', '--host-name', 'http://pit'], 2, /is no host name/],
    [['--cert', 'package.json'], 2, /--cert and --key go together/],
    [['--cert', 'package.json', '--key', 'package.json'], 3, /certificate and its key are not taken/],
  ])('refuses %j with exit %i', async (args, exitCode, said) => {
    const served = serve('--port', '0', ...args);
    expect(await served.ended()).toBe(exitCode);
    expect(served.err).toMatch(said);
    expect(served.out).toBe('');
  });

  it('names the place of every error of a broken vehicle folder', async () => {
    const served = serve('--port', '0', '--vehicle', writeVehicle(smallVehicleText.replace('oil_pressure * 2', 'oil_presure * 2')));
    expect(await served.ended()).toBe(3);
    expect(served.err).toMatch(/vehicle\.yaml:5:\d+/);
    expect(served.err).toMatch(/oil_presure/);
  });

  it('ends when the npm that started it has gone', async () => {
    const script = `"${process.execPath}" "${start}" serve --port 0 --data "${join(folder, 'data')}" & echo $! > "${folder}/pid"; wait`;
    const shell = new Served('sh', ['-c', script], { npm_lifecycle_event: 'start' });
    children.push(shell);
    await shell.listening();
    const pid = Number(readFileSync(join(folder, 'pid'), 'utf8'));
    shell.child.kill('SIGKILL');
    await until(() => !isRunning(pid), 'the server has ended');
  });

  it('keeps the shared device files of a copied demo vehicle', async () => {
    cpSync(join(root, 'bus-definitions'), join(folder, 'bus-definitions'), { recursive: true });
    const served = serve('--port', '0', '--vehicle', join(folder, 'bus-definitions', 'garganey'), '--bus', 'engine=simulator');
    expect(await served.listening()).not.toBe('');
    // Another pipe than the address came by: it may be read later.
    await eventually(() => expect(served.err).toMatch(/Bus hull has no source/));
  });
});

function isRunning(pid: number): boolean {
  try {
    process.kill(pid, 0);
    return true;
  } catch {
    return false;
  }
}
