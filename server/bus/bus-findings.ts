// What `doctor` says about the ways onto a bus: interfaces, their controllers and buffers, serial ports, and the add-ons that read them.
import { accessSync, constants, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { basename, dirname, join } from 'node:path';
import { EvenburnError } from '../errors.ts';
import { type CanInterface, type ControllerState, canInterfaces, readController, upCommand } from './can-interface.ts';
import type { Finding } from './finding.ts';
import { type FoundPort, listPorts } from './serial-port.ts';

/** Frames a second of a fully loaded 1 Mbit/s bus with 8-byte frames (ISO 11898-1 frame lengths). */
const fullBusFramesPerSecond = 8500;
/** Bytes of socket buffer that one classic frame costs the kernel: about 320 frames in the usual 212,992 bytes. */
const bufferBytesAFrame = 660;
const bufferMsMin = 250;
const bufferBytesAdvised = 4 << 20;
/** The kernel's own default is enough for two full buses; some systems lower it. */
const arrivalQueueMin = 1000;
const arrivalQueueAdvised = 5000;
/** A bridge chip's usual wait is 16 ms; at 1 ms frames come as they are. */
const bridgeWaitMsMax = 1;

/** Everything about buses, in the order in which a frame comes in. */
export async function busFindings(): Promise<Finding[]> {
  const isLinux = process.platform === 'linux';
  const interfaces = isLinux ? canInterfaces() : [];
  const controllers = await Promise.all(interfaces.map((each) => readController(each.name)));
  return [
    ...(isLinux ? [addonFinding('socketcan', 'SocketCAN interfaces')] : [notLinux]),
    ...interfaces.map((each, i) => interfaceFinding(each, controllers[i])),
    ...(isLinux && interfaces.length === 0 ? [noInterface] : []),
    ...(isLinux ? [socketBufferFinding(), arrivalQueueFinding()].filter((found) => found !== undefined) : []),
    addonFinding('serialport', 'serial-line adapters'),
    ...(await portFindings()),
  ];
}

const notLinux: Finding = {
  code: 'addon-socketcan',
  state: 'note',
  say: 'SocketCAN interfaces exist on Linux only; here a serial-line adapter or a recorded file is the way in.',
};

const noInterface: Finding = {
  code: 'can-interface',
  state: 'note',
  say: 'There is no CAN interface on this computer.',
  fix: 'Plug a CAN adapter in and run: ip link show type can. To try without one: sudo modprobe vcan && sudo ip link add dev vcan0 type vcan && sudo ip link set vcan0 up',
};

/** Whether an optional package is there and loads on this computer. */
export function addonFinding(addon: string, what: string): Finding {
  const code = `addon-${addon}`;
  const require = createRequire(import.meta.url);
  try {
    require(addon);
    return { code, state: 'ok', say: `${addon} ${versionOf(require.resolve(addon))} reads ${what}.` };
  } catch (error) {
    const { code: why, message } = error as NodeJS.ErrnoException;
    const isAbsent = why === 'MODULE_NOT_FOUND' && message.includes(`'${addon}'`);
    const say = isAbsent ? `${addon} is not installed; ${what} need it.` : `${addon} does not load: ${message.split('\n')[0]}`;
    const fix = isAbsent ? `npm install --include=optional ${addon} (needs a C++ compiler, make and Python)` : `npm rebuild ${addon}`;
    return { code, state: 'note', say, fix };
  }
}

function versionOf(entry: string): string {
  for (let folder = dirname(entry); folder !== dirname(folder); folder = dirname(folder)) {
    try {
      const { version } = JSON.parse(readFileSync(join(folder, 'package.json'), 'utf8')) as { version?: string };
      if (version !== undefined) return version;
    } catch {
      // Further up.
    }
  }
  return '';
}

/** One interface: can it be read, at what bit rate, and how is its controller. */
export function interfaceFinding(found: CanInterface, controller: ControllerState | undefined): Finding {
  // A serial-line adapter behind the kernel's driver has no device folder, and a controller all the same.
  const isVirtual = controller?.kind === undefined ? found.isVirtual : controller.kind !== 'can';
  const bringUp = upCommand({ ...found, isVirtual }, controller?.bitRate);
  const common = { code: 'can-interface', subject: found.name, measured: measuredOf(found, controller) };
  if (!found.isUp) return { ...common, state: 'note', say: `${found.name} is down.`, fix: bringUp };
  const rate = controller?.bitRate === undefined ? '' : ` at ${controller.bitRate / 1000} kbit/s`;
  const note = (say: string, fix: string): Finding => ({ ...common, state: 'note', say: `${found.name} is up${rate}, ${say}`, fix });
  const again = `sudo ip link set ${found.name} down && ${bringUp}`;
  if (controller?.state === 'bus-off')
    return note('and its controller is bus-off: short circuit, wrong bit rate, or two senders of one id.', again);
  if (controller?.state === 'error-passive') {
    return note('and its controller is error-passive: look at bit rate, termination and whether a second node is there.', again);
  }
  if (controller?.restartMs === 0 && !isVirtual) return note('but after bus-off it would never come back by itself (restart-ms 0).', again);
  if (controller?.listenOnly === false && !isVirtual) {
    return note('and takes part: it acknowledges frames (this program still sends none).', `To only listen: ${again}`);
  }
  return { ...common, state: 'ok', say: `${found.name} is up${rate}${isVirtual ? ' (virtual)' : ''}.` };
}

function measuredOf(found: CanInterface, controller: ControllerState | undefined): Record<string, number | string | boolean> {
  const { state, ...rest } = controller ?? {};
  return { up: found.isUp, frameBytesMax: found.frameBytesMax, ...(state === undefined ? {} : { controller: state }), ...rest };
}

/** The add-on can't enlarge its socket's buffer, so the system's default decides how long a reader may stall. */
export function socketBufferFinding(bytes: number | undefined = readSetting('rmem_default')): Finding | undefined {
  if (bytes === undefined) return undefined;
  const frames = Math.floor(bytes / bufferBytesAFrame);
  const ms = Math.floor((frames * 1000) / fullBusFramesPerSecond);
  const common = { code: 'socket-buffer', measured: { bytes, frames, ms } };
  const say = `A socket holds about ${frames} frames, ${ms} ms of a full 1 Mbit/s bus`;
  if (ms >= bufferMsMin) return { ...common, state: 'ok', say: `${say}.` };
  const fix = `sudo sysctl -w net.core.rmem_default=${bufferBytesAdvised} (for good: a line net.core.rmem_default=${bufferBytesAdvised} in /etc/sysctl.d/80-can.conf)`;
  return { ...common, state: 'note', say: `${say}: if this computer stalls for longer, frames are lost (and counted).`, fix };
}

/** Frames of all interfaces of one processor that wait for the kernel itself. */
export function arrivalQueueFinding(frames: number | undefined = readSetting('netdev_max_backlog')): Finding | undefined {
  if (frames === undefined) return undefined;
  const common = { code: 'arrival-queue', measured: { frames } };
  const say = `The kernel queues up to ${frames} arriving frames`;
  if (frames >= arrivalQueueMin) return { ...common, state: 'ok', say: `${say}.` };
  const fix = `sudo sysctl -w net.core.netdev_max_backlog=${arrivalQueueAdvised}`;
  return { ...common, state: 'note', say: `${say}: in a burst on several buses it drops the rest.`, fix };
}

function readSetting(name: string): number | undefined {
  return readNumber(`/proc/sys/net/core/${name}`);
}

function readNumber(path: string): number | undefined {
  try {
    return Number(readFileSync(path, 'latin1'));
  } catch {
    return undefined;
  }
}

async function portFindings(): Promise<Finding[]> {
  let ports: FoundPort[];
  try {
    ports = await listPorts();
  } catch (error) {
    // Without the add-on its own finding says why.
    if (error instanceof EvenburnError) return [];
    const why = (error as Error).message.split('\n')[0];
    return [
      {
        code: 'serial-port',
        state: 'note',
        say: `Serial ports can't be listed (${why}).`,
        fix: 'Name the port yourself: serial:/dev/ttyACM0.',
      },
    ];
  }
  if (ports.length === 0) return [{ code: 'serial-port', state: 'note', say: 'There is no serial port.', fix: 'Plug the adapter in.' }];
  return ports.map((port) => portFinding(port));
}

/** One serial port: may this user open it, and does its bridge chip hold bytes back. `bridges` stands in for the kernel's folder in tests. */
export function portFinding(port: FoundPort, bridges = '/sys/bus/usb-serial/devices'): Finding {
  const name = [port.path, port.manufacturer].filter(Boolean).join(', ');
  const common = { code: 'serial-port', subject: port.path };
  try {
    // Other systems have no such rights, or paths.
    if (process.platform !== 'win32') accessSync(port.path, constants.R_OK | constants.W_OK);
  } catch {
    const fix = 'sudo usermod -aG dialout $USER (uucp on some systems), then log in again';
    return { ...common, state: 'note', say: `${name} may not be opened by this user.`, fix };
  }
  const timer = join(bridges, basename(port.path), 'latency_timer');
  const waitMs = readNumber(timer);
  if (waitMs === undefined || waitMs <= bridgeWaitMsMax) return { ...common, state: 'ok', say: `${name} can be opened.` };
  const say = `${name} can be opened, but its bridge holds bytes back for up to ${waitMs} ms: times of frames are that much off where the adapter gives none.`;
  return { ...common, state: 'note', say, fix: `echo ${bridgeWaitMsMax} | sudo tee ${timer}`, measured: { waitMs } };
}
