import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import {
  canInterfaces,
  checkInterface,
  countingRule,
  findInterface,
  findNameOf,
  heardCount,
  parseController,
  readCounters,
} from '../../server/bus/can-interface.ts';
import { EvenburnError } from '../../server/errors.ts';

let root: string;

beforeEach(() => {
  root = mkdtempSync(join(tmpdir(), 'evenburn-sys-'));
});

afterEach(() => rmSync(root, { recursive: true }));

/** An interface as /sys/class/net shows it. */
function made(name: string, files: Record<string, string>, isHardware = false): void {
  const all = { ifindex: '3', flags: '0x1', type: '280', mtu: '16', ...files };
  mkdirSync(join(root, name, 'statistics'), { recursive: true });
  if (isHardware) mkdirSync(join(root, name, 'device'));
  for (const [file, text] of Object.entries(all)) writeFileSync(join(root, name, file), `${text}\n`);
}

function errorOf(work: () => unknown): EvenburnError {
  try {
    work();
  } catch (error) {
    if (error instanceof EvenburnError) return error;
    throw error;
  }
  throw new Error('nothing was thrown');
}

describe('a CAN interface as the kernel shows it', () => {
  it('is read with its index, state, frame size and kind', () => {
    made('can0', { ifindex: '7', flags: '0x40080', mtu: '72' }, true);
    expect(findInterface('can0', root)).toEqual({ name: 'can0', index: 7, isUp: false, isCan: true, frameBytesMax: 72, isVirtual: false });
  });

  it.each(['', '..', 'a/b', 'can0 can1', 'sixteen_letters_', '.'])('takes %j for no interface and reads no other file', (name) => {
    made('can0', {});
    expect(findInterface(name, root)).toBeUndefined();
  });

  it('lists CAN interfaces and leaves others out', () => {
    made('can0', {});
    made('eth0', { type: '1', ifindex: '2' });
    expect(canInterfaces(root).map(({ name }) => name)).toEqual(['can0']);
  });

  it('finds the present name of an interface that was renamed', () => {
    made('track0', { ifindex: '12' });
    expect([findNameOf(12, root), findNameOf(13, root)]).toEqual(['track0', undefined]);
  });

  it('refuses a missing one, with the line to type and exit code 4', () => {
    made('can1', { ifindex: '4' });
    const error = errorOf(() => checkInterface('can0', 500_000, root));
    expect([error.code, error.exitCode]).toEqual(['INTERFACE_MISSING', 4]);
    expect(error.cure).toContain('can1');
    expect(errorOf(() => checkInterface('vcan7', undefined, root)).cure).toContain('sudo ip link add dev vcan7 type vcan');
  });

  it('refuses one that is down, with the line that brings it up at the bus’s bit rate, listening only', () => {
    made('can0', { flags: '0x40080' }, true);
    const error = errorOf(() => checkInterface('can0', 250_000, root));
    expect([error.code, error.exitCode]).toEqual(['INTERFACE_DOWN', 4]);
    expect(error.cure).toBe(
      'Type: sudo ip link set can0 type can bitrate 250000 listen-only on restart-ms 100 && sudo ip link set can0 up',
    );
  });

  it('refuses one that is no CAN interface', () => {
    made('eth0', { type: '1' });
    expect(errorOf(() => checkInterface('eth0', 500_000, root)).code).toBe('INTERFACE_NOT_CAN');
  });

  it('reads the counters, overruns of every kind together', () => {
    made('can0', {});
    for (const [file, value] of Object.entries({
      rx_packets: 100,
      tx_packets: 5,
      rx_dropped: 1,
      rx_over_errors: 2,
      rx_fifo_errors: 3,
      rx_missed_errors: 4,
    })) {
      writeFileSync(join(root, 'can0', 'statistics', file), `${value}\n`);
    }
    expect(readCounters('can0', root)).toEqual({ received: 100, sent: 5, dropped: 1, overruns: 9 });
    expect(readCounters('can9', root)).toBeUndefined();
  });
});

describe('what an interface counts', () => {
  it.each([
    ['vcan', 'vcan0', '6.1.0', { receivedHoldsSent: true, countsErrors: true }],
    ['vcan', 'track0', '6.1.0', { receivedHoldsSent: true, countsErrors: true }],
    ['vxcan', 'vxcan0', '6.1.0', { receivedHoldsSent: false, countsErrors: true }],
    ['can', 'can0', '6.1.0', { receivedHoldsSent: false, countsErrors: false }],
    ['can', 'can0', '5.16.3', { receivedHoldsSent: false, countsErrors: true }],
    ['can', 'can0', '5.17.0', { receivedHoldsSent: false, countsErrors: false }],
    [undefined, 'vcan0', '6.1.0', { receivedHoldsSent: true, countsErrors: true }],
    [undefined, 'slcan0', '6.1.0', { receivedHoldsSent: false, countsErrors: false }],
  ])('kind %s, name %s, Linux %s', (kind, name, kernel, rule) => {
    expect(countingRule(name, kind, kernel)).toEqual(rule);
  });

  it("holds this computer's own frames once", () => {
    const counters = { received: 10, sent: 4 };
    expect(heardCount(counters, { receivedHoldsSent: true, countsErrors: true })).toBe(10);
    expect(heardCount(counters, { receivedHoldsSent: false, countsErrors: false })).toBe(14);
  });
});

describe('what `ip` says about a controller', () => {
  // The form of iproute2 6.1 for a USB adapter, shortened by hand.
  const text = `[{"ifindex":5,"ifname":"can0","flags":["NOARP","UP","ECHO"],"mtu":16,"operstate":"UP","linkinfo":{"info_kind":"can","info_data":{
    "ctrlmode":["LISTEN-ONLY"],"state":"ERROR-PASSIVE","berr_counter":{"tx":0,"rx":135},"restart_ms":100,
    "bittiming":{"bitrate":500000,"sample_point":"0.875","tq":125},"clock":80000000},
    "info_xstats":{"restarts":2,"bus_error":0,"arbitration_lost":0,"error_warning":3,"error_passive":1,"bus_off":4}}}]`;

  it('is read with bit rate, sample point, state and counters', () => {
    expect(parseController(text)).toEqual({
      kind: 'can',
      bitRate: 500_000,
      samplePoint: 0.875,
      state: 'error-passive',
      restartMs: 100,
      sendErrors: 0,
      receiveErrors: 135,
      listenOnly: true,
      busOffs: 4,
      restarts: 2,
    });
  });

  // As iproute2 printed it for the kernel's serial-line driver (Linux 6.1), shortened; 0 before a bit rate is set.
  it.each([
    [0, undefined],
    [500_000, 500_000],
  ])('has the bit rate of a controller that knows only a list of them: %d', (said, bitRate) => {
    const controller = parseController(`[{"ifname":"slcan0","linkinfo":{"info_kind":"can","info_data":{
      "ctrlmode_supported":["LISTEN-ONLY"],"state":"ERROR-ACTIVE","restart_ms":0,
      "bittiming_bitrate":${said},"bitrate_const":[10000,500000,1000000],"clock":0}}}]`);
    expect(controller).toEqual({ kind: 'can', state: 'error-active', restartMs: 0, ...(bitRate && { bitRate }) });
  });

  it('leaves out what a virtual interface does not have', () => {
    expect(parseController('[{"ifname":"vcan0","linkinfo":{"info_kind":"vcan"}}]')).toEqual({ kind: 'vcan' });
  });

  it.each(['', 'not JSON', '[]', '{}', '[{}]', '[null]', '[{"linkinfo":7}]'])('takes %j for no answer', (broken) => {
    expect(parseController(broken)).toBeUndefined();
  });
});
