// What the Linux kernel says about a CAN network interface: whether it can be read, its counters, and the controller's state.
import { execFile } from 'node:child_process';
import { readdirSync, readFileSync } from 'node:fs';
import { release } from 'node:os';
import { join } from 'node:path';
import { EvenburnError } from '../errors.ts';

const sysNet = '/sys/class/net';
/** ARPHRD_CAN of linux/if_arp.h. */
const hardwareTypeCan = 280;
/** IFF_UP of linux/if.h. */
const flagUp = 1;
const interfaceNameMax = 15;
const ipTimeoutMs = 1000;
const ipOutputBytesMax = 256 * 1024;

export interface CanInterface {
  name: string;
  /** Changes when the interface is removed and comes back. */
  index: number;
  isUp: boolean;
  isCan: boolean;
  /** Largest frame: 16 bytes classic, 72 with FD (CAN_MTU, CANFD_MTU). */
  frameBytesMax: number;
  /** No hardware behind it. */
  isVirtual: boolean;
}

/** Counters of /sys/class/net/NAME/statistics that say what came and what was lost. */
export interface InterfaceCounters {
  received: number;
  /** Sent by other programs of this computer, which a reader hears too. */
  sent: number;
  dropped: number;
  /** The controller's or the driver's own overruns. */
  overruns: number;
}

/** The interface, or undefined when there is none of this name. `root` stands in for /sys/class/net in tests. */
export function findInterface(name: string, root: string = sysNet): CanInterface | undefined {
  if (name === '' || name.length > interfaceNameMax || /[/\s]/.test(name) || name.startsWith('.')) return undefined;
  const folder = join(root, name);
  const index = readNumber(folder, 'ifindex');
  if (index === undefined) return undefined;
  return {
    name,
    index,
    isUp: ((readNumber(folder, 'flags') ?? 0) & flagUp) !== 0,
    isCan: readNumber(folder, 'type') === hardwareTypeCan,
    frameBytesMax: readNumber(folder, 'mtu') ?? 0,
    isVirtual: !hasEntry(folder, 'device'),
  };
}

/** All CAN interfaces of this computer. */
export function canInterfaces(root: string = sysNet): CanInterface[] {
  return entriesOf(root)
    .map((name) => findInterface(name, root))
    .filter((found) => found?.isCan === true) as CanInterface[];
}

/** The name that the interface of this index has now (it may have been renamed). */
export function findNameOf(index: number, root: string = sysNet): string | undefined {
  return entriesOf(root).find((name) => readNumber(join(root, name), 'ifindex') === index);
}

/**
 * Makes sure that an interface can be read.
 *
 * @param bitRate Of the vehicle file, bit/s, for the command that the error tells; undefined leaves a place to fill in.
 * Errors: INTERFACE_MISSING, INTERFACE_NOT_CAN, INTERFACE_DOWN, each with the command to type.
 */
export function checkInterface(name: string, bitRate?: number, root: string = sysNet): CanInterface {
  const found = findInterface(name, root);
  if (!found) {
    const others = canInterfaces(root).map((each) => each.name);
    throw new EvenburnError('INTERFACE_MISSING', { interface: name, command: missingCommand(name, others) });
  }
  if (!found.isCan) throw new EvenburnError('INTERFACE_NOT_CAN', { interface: name });
  if (!found.isUp) throw new EvenburnError('INTERFACE_DOWN', { interface: name, command: upCommand(found, bitRate) });
  return found;
}

/** The line that brings an interface up, listening only. */
export function upCommand(found: CanInterface, bitRate?: number): string {
  if (found.isVirtual) return `sudo ip link set ${found.name} up`;
  const rate = bitRate === undefined ? '<bit/s>' : bitRate;
  const type = `type can bitrate ${rate} listen-only on restart-ms 100`;
  return `sudo ip link set ${found.name} ${type} && sudo ip link set ${found.name} up`;
}

function missingCommand(name: string, others: string[]): string {
  if (/^vx?can/.test(name))
    return `sudo ip link add dev ${name} type ${name.startsWith('vx') ? 'vxcan' : 'vcan'} && sudo ip link set ${name} up`;
  if (others.length > 0) return `ip link show type can (there is ${others.join(', ')})`;
  return 'ip link show type can (there is none: plug the adapter in)';
}

/** The interface's counters, or undefined when it is gone. */
export function readCounters(name: string, root: string = sysNet): InterfaceCounters | undefined {
  const folder = join(root, name, 'statistics');
  const received = readNumber(folder, 'rx_packets');
  if (received === undefined) return undefined;
  const of = (file: string) => readNumber(folder, file) ?? 0;
  return {
    received,
    sent: of('tx_packets'),
    dropped: of('rx_dropped'),
    overruns: of('rx_over_errors') + of('rx_fifo_errors') + of('rx_missed_errors'),
  };
}

/** How the kernel counts on this interface. */
export interface CountingRule {
  /** Frames sent by this computer are counted as received too (vcan); else they are counted as sent only, and heard all the same. */
  receivedHoldsSent: boolean;
  /** Error frames are counted as received: on virtual interfaces, and by drivers before Linux 5.17. */
  countsErrors: boolean;
}

/** @param kind What `ip` calls it (`vcan`, `vxcan`, `can`); where that isn't known the name has to do. */
export function countingRule(name: string, kind?: string, kernel: string = release()): CountingRule {
  const known = kind ?? /^vx?can/.exec(name)?.[0] ?? 'can';
  const [major = 0, minor = 0] = kernel.split('.').map((part) => Number.parseInt(part, 10));
  const isOld = major < 5 || (major === 5 && minor < 17);
  return { receivedHoldsSent: known === 'vcan', countsErrors: known !== 'can' || isOld };
}

/** Frames that a reader should have heard, by the interface's own count. */
export function heardCount(counters: { received: number; sent: number }, rule: CountingRule): number {
  return rule.receivedHoldsSent ? counters.received : counters.received + counters.sent;
}

/** What `ip` tells about the controller; keys that it leaves out are left out. */
export interface ControllerState {
  kind?: string;
  bitRate?: number;
  samplePoint?: number;
  state?: 'error-active' | 'error-warning' | 'error-passive' | 'bus-off' | 'stopped';
  restartMs?: number;
  sendErrors?: number;
  receiveErrors?: number;
  listenOnly?: boolean;
  busOffs?: number;
  restarts?: number;
}

/** Asks `ip`, for at most a second; undefined when there is no such program or no such interface. */
export function readController(name: string): Promise<ControllerState | undefined> {
  const args = ['-json', '-details', '-statistics', 'link', 'show', 'dev', name];
  return new Promise((resolve) => {
    execFile('ip', args, { timeout: ipTimeoutMs, maxBuffer: ipOutputBytesMax }, (error, stdout) => {
      resolve(error ? undefined : parseController(stdout));
    });
  });
}

/** Reads `ip -json -details -statistics link show dev NAME`; undefined when it is not that. */
export function parseController(text: string): ControllerState | undefined {
  let parsed: unknown;
  try {
    parsed = JSON.parse(text);
  } catch {
    return undefined;
  }
  const link = Array.isArray(parsed) ? (parsed[0] as unknown) : undefined;
  const info = objectAt(link, 'linkinfo');
  if (!info) return undefined;
  const data = objectAt(info, 'info_data') ?? {};
  const timing = objectAt(data, 'bittiming') ?? {};
  const errors = objectAt(data, 'berr_counter') ?? {};
  const counts = objectAt(info, 'info_xstats') ?? {};
  const state = typeof data.state === 'string' ? data.state.toLowerCase() : undefined;
  return leftOut({
    kind: typeof info.info_kind === 'string' ? info.info_kind : undefined,
    // Controllers that know only a list of bit rates have no timing to tell, and 0 while none of them is set.
    bitRate: numberOf(timing.bitrate) ?? (numberOf(data.bittiming_bitrate) || undefined),
    samplePoint: numberOf(timing.sample_point),
    state: states.find((known) => known === state),
    restartMs: numberOf(data.restart_ms),
    sendErrors: numberOf(errors.tx),
    receiveErrors: numberOf(errors.rx),
    listenOnly: Array.isArray(data.ctrlmode) ? data.ctrlmode.includes('LISTEN-ONLY') : undefined,
    busOffs: numberOf(counts.bus_off),
    restarts: numberOf(counts.restarts),
  });
}

const states = ['error-active', 'error-warning', 'error-passive', 'bus-off', 'stopped'] as const;

function objectAt(of: unknown, key: string): Record<string, unknown> | undefined {
  const value = typeof of === 'object' && of !== null ? (of as Record<string, unknown>)[key] : undefined;
  return typeof value === 'object' && value !== null ? (value as Record<string, unknown>) : undefined;
}

/** `ip` writes the sample point as text ("0.875") and most else as numbers. */
function numberOf(value: unknown): number | undefined {
  const number = typeof value === 'string' ? Number(value) : value;
  return typeof number === 'number' && Number.isFinite(number) ? number : undefined;
}

function leftOut(state: { [K in keyof ControllerState]: ControllerState[K] | undefined }): ControllerState {
  return Object.fromEntries(Object.entries(state).filter(([, value]) => value !== undefined)) as ControllerState;
}

function readNumber(folder: string, file: string): number | undefined {
  try {
    const value = Number(readFileSync(join(folder, file), 'latin1').trim());
    return Number.isFinite(value) ? value : undefined;
  } catch {
    return undefined;
  }
}

function entriesOf(folder: string): string[] {
  try {
    return readdirSync(folder);
  } catch {
    return [];
  }
}

function hasEntry(folder: string, name: string): boolean {
  return entriesOf(folder).includes(name);
}
