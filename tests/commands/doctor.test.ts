import { execFile } from 'node:child_process';
import { mkdirSync, mkdtempSync, readdirSync, rmSync, symlinkSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { addonFinding, arrivalQueueFinding, interfaceFinding, portFinding, socketBufferFinding } from '../../server/bus/bus-findings.ts';
import type { Finding } from '../../server/bus/finding.ts';
import { portsOfKernel } from '../../server/bus/serial-port.ts';
import { addressFinding, diskFindings, nodeFinding, spaceFinding, speedFinding } from '../../server/commands/machine-findings.ts';
import { entryPath } from '../../server/entries.ts';

let folder: string;

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-doctor-'));
});

afterEach(() => rmSync(folder, { recursive: true }));

const up = { name: 'can0', index: 3, isUp: true, isCan: true, frameBytesMax: 16, isVirtual: false };
const bus = { bitRate: 500_000, listenOnly: true, restartMs: 100, state: 'error-active' } as const;

/** The program as built, with its exit code. */
function run(args: string[]): Promise<{ stdout: string; stderr: string; exit: number }> {
  const main = pathToFileURL(join(entryPath('reader'), '..', '..', 'main.js')).href;
  const script = `const { main } = await import(${JSON.stringify(main)}); await main(${JSON.stringify(args)});`;
  return new Promise((resolve) => {
    const child = execFile(process.execPath, ['--input-type=module', '-e', script], (_error, stdout, stderr) => {
      resolve({ stdout, stderr, exit: child.exitCode ?? -1 });
    });
  });
}

describe('doctor on this computer', () => {
  it('prints each finding, with the mending below it, and leaves nothing behind', async () => {
    const { stdout, exit } = await run(['doctor', '--data', folder]);
    expect(exit).toBe(0);
    expect(stdout).toMatch(/^ok {5}Node 2\d/);
    expect(stdout).toContain('A save takes');
    expect(readdirSync(folder)).toEqual([]);
  });

  it('prints findings as JSON, each with code, state and words', async () => {
    const { stdout } = await run(['doctor', '--json', '--data', folder]);
    const { ok, findings } = JSON.parse(stdout) as { ok: boolean; findings: Finding[] };
    expect(ok).toBe(true);
    const codes = findings.map(({ code }) => code);
    expect(codes).toEqual(
      expect.arrayContaining(['node', 'sqlite', 'disk-space', 'disk-speed', 'clock', 'address', 'addon-socketcan', 'addon-serialport']),
    );
    for (const finding of findings) {
      expect(finding.say).not.toBe('');
      if (finding.state !== 'ok') expect(finding.fix, finding.code).toBeTruthy();
    }
  });

  it('exits 1 when nothing could be recorded', async () => {
    const file = join(folder, 'a-file');
    writeFileSync(file, '');
    const { stdout, exit } = await run(['doctor', '--data', join(file, 'data')]);
    expect(exit).toBe(1);
    expect(stdout).toContain('WRONG');
    expect(stdout).toContain('--data DIR');
  });

  it('tries no bit rate before the person has said that nothing is running', async () => {
    const { stdout, exit } = await run(['doctor', '--find-bit-rate', 'serial:/dev/no-such-port']);
    expect([exit, stdout.startsWith('Not tried')]).toEqual([1, true]);
  });

  it.each([
    [['doctor', '--find-bit-rate', 'file:a.log', '--nothing-is-running'], 2],
    [['doctor', '--find-bit-rate', 'socketcan:nocan9', '--nothing-is-running'], 4],
    [['doctor', '--find-bit-rate', 'serial:/dev/no-such-port', '--nothing-is-running'], 4],
    [['doctor', '--what'], 2],
  ])('%j exits %i', async (args, exit) => {
    expect((await run(args)).exit).toBe(exit);
  });
});

describe('a finding', () => {
  it.each([
    ['18.20.0', 'wrong'],
    ['20.18.9', 'wrong'],
    ['20.19.0', 'ok'],
    ['22.0.0', 'ok'],
  ])('Node %s is %s', (version, state) => {
    expect(nodeFinding(version).state).toBe(state);
  });

  it.each([
    [10e9, 'ok'],
    [1e9, 'note'],
    [1e6, 'wrong'],
  ])('%d bytes free is %s', (bytes, state) => {
    expect(spaceFinding('/data', bytes).state).toBe(state);
  });

  it.each([
    [2, 'ok'],
    [180, 'note'],
  ])('a save of %d ms is %s', (commitMsMedian, state) => {
    expect(speedFinding('/data', { commitMsMedian, commitMsWorst: 300, bytesPerSecond: 1e7 }).state).toBe(state);
  });

  it('names the command that brings an interface up at the bit rate it was set to', () => {
    expect(interfaceFinding({ ...up, isUp: false }, bus)).toMatchObject({
      state: 'note',
      fix: expect.stringContaining('bitrate 500000 listen-only on'),
    });
  });

  it.each([
    ['fine', {}, 'ok', '500 kbit/s'],
    ['bus-off', { state: 'bus-off' }, 'note', 'bus-off'],
    ['error-passive', { state: 'error-passive' }, 'note', 'error-passive'],
    ['never restarted', { restartMs: 0 }, 'note', 'never come back'],
    ['taking part', { listenOnly: false }, 'note', 'acknowledges'],
  ] as const)('says that a controller is %s', (_what, more, state, part) => {
    const finding = interfaceFinding(up, { ...bus, ...more });
    expect([finding.state, finding.say.includes(part)]).toEqual([state, true]);
  });

  it('asks nothing of a virtual interface that it does not have', () => {
    expect(interfaceFinding({ ...up, name: 'vcan0', isVirtual: true }, { kind: 'vcan' }).state).toBe('ok');
    expect(interfaceFinding({ ...up, name: 'vcan0', isVirtual: true, isUp: false }, undefined).fix).toBe('sudo ip link set vcan0 up');
  });

  it('does not take a serial-line adapter behind the kernel’s driver for virtual, though no device stands behind its interface', () => {
    const found = { ...up, name: 'slcan0', isVirtual: true };
    expect(interfaceFinding(found, { kind: 'can', bitRate: 500_000, restartMs: 0 })).toMatchObject({
      state: 'note',
      say: expect.stringContaining('never come back'),
      fix: expect.stringContaining('type can bitrate 500000 listen-only on'),
    });
    expect(interfaceFinding(found, { kind: 'can', bitRate: 500_000, restartMs: 100 }).say).not.toContain('virtual');
  });

  it("says for how long a socket's buffer lasts, and how to enlarge it", () => {
    // 212,992 bytes held 320 frames: 38 ms of 8,500 frames a second.
    expect(socketBufferFinding(212_992)).toMatchObject({
      state: 'note',
      measured: { frames: 322, ms: 37 },
      fix: expect.stringContaining('rmem_default='),
    });
    expect(socketBufferFinding(4 << 20)?.state).toBe('ok');
  });

  it('says how to install an add-on that is not there', () => {
    expect(addonFinding('no-such-addon', 'something')).toMatchObject({ state: 'note', fix: expect.stringContaining('npm install') });
  });

  it('says which group opens a port that this user may not open', () => {
    expect(portFinding({ path: join(folder, 'none') })).toMatchObject({ state: 'note', fix: expect.stringContaining('dialout') });
  });

  it("says how to enlarge the kernel's queue where it is short", () => {
    expect(arrivalQueueFinding(300)).toMatchObject({
      state: 'note',
      measured: { frames: 300 },
      fix: expect.stringContaining('netdev_max_backlog='),
    });
    expect(arrivalQueueFinding(1000)?.state).toBe('ok');
  });

  it.runIf(process.platform === 'linux')('says when the bridge chip of a port holds bytes back', () => {
    const place = mkdtempSync(join(tmpdir(), 'evenburn-bridge-'));
    mkdirSync(join(place, 'ttyUSB0'));
    const port = { path: join(place, 'ttyUSB0') };
    const timer = join(place, 'ttyUSB0', 'latency_timer');
    writeFileSync(timer, '16\n');
    expect(portFinding(port, place)).toMatchObject({ state: 'note', measured: { waitMs: 16 }, fix: `echo 1 | sudo tee ${timer}` });
    writeFileSync(timer, '1\n');
    expect(portFinding(port, place).state).toBe('ok');
    rmSync(place, { recursive: true });
  });

  it("lists USB ports by the kernel's folders where nothing else can", () => {
    const place = mkdtempSync(join(tmpdir(), 'evenburn-ports-'));
    const usb = join(place, 'devices', 'usb1', '1-2');
    for (const folder of [
      join(usb, '1-2:1.0', 'ttyUSB0'),
      join(place, 'tty', 'ttyUSB0'),
      join(place, 'tty', 'ttyACM3'),
      join(place, 'tty', 'tty0'),
    ])
      mkdirSync(folder, { recursive: true });
    for (const [file, text] of [
      ['idVendor', '0403'],
      ['idProduct', '6015'],
      ['serial', 'A10'],
      ['manufacturer', 'Bench'],
    ] as const)
      writeFileSync(join(usb, file), `${text}\n`);
    symlinkSync(join(usb, '1-2:1.0', 'ttyUSB0'), join(place, 'tty', 'ttyUSB0', 'device'));
    expect(portsOfKernel(join(place, 'tty'))).toEqual([
      { path: '/dev/ttyACM3' },
      { path: '/dev/ttyUSB0', manufacturer: 'Bench', serialNumber: 'A10', vendorId: '0403', productId: '6015' },
    ]);
    expect(portsOfKernel(join(place, 'none'))).toEqual([]);
    rmSync(place, { recursive: true });
  });

  it('says when the port of the pages is taken', async () => {
    const server = createServer();
    const port = await new Promise<number>((resolve) =>
      server.listen(0, '127.0.0.1', () => resolve((server.address() as { port: number }).port)),
    );
    expect((await addressFinding(port)).state).toBe('note');
    await new Promise((resolve) => server.close(resolve));
    expect((await addressFinding(port)).state).toBe('ok');
  });

  it('measures a folder that is not there yet without making it', async () => {
    const findings = await diskFindings(join(folder, 'not', 'yet'));
    expect(findings.map(({ state }) => state)).not.toContain('wrong');
    expect(readdirSync(folder)).toEqual([]);
  });
});
