// Serial ports of this computer, through the optional add-on: listing, opening, and noticing that one has gone.
import { readdirSync, readFileSync, realpathSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { EvenburnError } from '../errors.ts';

/** What tells one adapter from another; port names change when it is plugged in again. */
export interface PortIdentity {
  serialNumber?: string;
  vendorId?: string;
  productId?: string;
}

export interface FoundPort extends PortIdentity {
  path: string;
  manufacturer?: string;
}

/** An open port. `write` never waits; what can't be written shows as gone. */
export interface SerialPortLink {
  readonly path: string;
  readonly identity: PortIdentity;
  write(text: string): void;
  onBytes(take: (bytes: Uint8Array) => void): void;
  onGone(take: (why: string) => void): void;
  close(): Promise<void>;
}

/** Opens the port; when it was seen before, by its identity, under whatever name it has now. */
export type OpenPort = (path: string, baud: number, seen?: PortIdentity) => Promise<SerialPortLink>;

const closeWaitMs = 2000;

/** The part of the add-on's port that is used. */
interface AddonPort {
  path: string;
  open(done: (error: Error | null) => void): void;
  close(done: (error: Error | null) => void): void;
  write(text: string): boolean;
  on(event: 'data', take: (bytes: Uint8Array) => void): void;
  on(event: 'error' | 'close', take: (error?: Error | null) => void): void;
  isOpen: boolean;
}

interface Addon {
  SerialPort: {
    new (options: { path: string; baudRate: number; autoOpen: false }): AddonPort;
    list(): Promise<FoundPort[]>;
  };
}

async function loadAddon(): Promise<Addon> {
  try {
    return (await import('serialport')) as unknown as Addon;
  } catch (error) {
    throw new EvenburnError('ADDON_MISSING', { addon: 'serialport', what: 'serial-line adapters' }, error);
  }
}

/** Ports of this computer. Errors: ADDON_MISSING. */
export async function listPorts(): Promise<FoundPort[]> {
  const { SerialPort } = await loadAddon();
  const ports = await SerialPort.list().catch((error: NodeJS.ErrnoException) => {
    // On Linux the add-on asks udevadm, which a small system may not have; the kernel says the same.
    if (error.code === 'ENOENT' && process.platform === 'linux') return portsOfKernel();
    throw error;
  });
  // Built-in ports that no chip answers for are listed too on some systems: an adapter has a vendor or a name of its own.
  return ports.map(({ path, manufacturer, serialNumber, vendorId, productId }) => ({
    path,
    ...(manufacturer === undefined ? {} : { manufacturer }),
    ...(serialNumber === undefined ? {} : { serialNumber }),
    ...(vendorId === undefined ? {} : { vendorId }),
    ...(productId === undefined ? {} : { productId }),
  }));
}

/** How far above a port's own folder its USB device is. */
const foldersUpMax = 5;

/** USB serial ports as the kernel lists them. `root` stands in for /sys/class/tty in tests. */
export function portsOfKernel(root = '/sys/class/tty'): FoundPort[] {
  const names = entriesOf(root).filter((name) => /^tty(USB|ACM)\d+$/.test(name));
  return names.sort().map((name) => ({ path: `/dev/${name}`, ...usbIdentity(join(root, name, 'device')) }));
}

function usbIdentity(device: string): Omit<FoundPort, 'path'> {
  let folder: string;
  try {
    folder = realpathSync(device);
  } catch {
    return {};
  }
  for (let up = 0; up < foldersUpMax && textOf(folder, 'idVendor') === undefined; up++) folder = dirname(folder);
  const files = { manufacturer: 'manufacturer', serialNumber: 'serial', vendorId: 'idVendor', productId: 'idProduct' };
  const found = Object.entries(files).map(([key, file]) => [key, textOf(folder, file)] as const);
  return Object.fromEntries(found.filter(([, text]) => text !== undefined));
}

function entriesOf(folder: string): string[] {
  try {
    return readdirSync(folder);
  } catch {
    return [];
  }
}

function textOf(folder: string, file: string): string | undefined {
  try {
    return readFileSync(join(folder, file), 'utf8').trim();
  } catch {
    return undefined;
  }
}

/** Errors: ADDON_MISSING, SERIAL_PORT_MISSING, SERIAL_PORT_REFUSED. */
export const openPort: OpenPort = async (path, baud, seen) => {
  const { SerialPort } = await loadAddon();
  const ports = await listPorts().catch(() => []);
  const present = findAgain(ports, path, seen);
  const port = new SerialPort({ path: present, baudRate: baud, autoOpen: false });
  const gone = goneSignal(port);
  await new Promise<void>((resolve, reject) => port.open((error) => (error ? reject(openError(present, error)) : resolve())));
  const found = ports.find((each) => each.path === present);
  return {
    path: present,
    identity: found ?? {},
    write: (text) => void port.write(text),
    onBytes: (take) => port.on('data', take),
    onGone: gone,
    close: () => closed(port),
  };
};

/** The path of a port that was seen before: by its identity where it has one, else as it was called. */
export function findAgain(ports: readonly FoundPort[], path: string, seen: PortIdentity | undefined): string {
  if (!seen?.serialNumber) return path;
  const same = (each: FoundPort) =>
    each.serialNumber === seen.serialNumber && each.vendorId === seen.vendorId && each.productId === seen.productId;
  if (ports.some((each) => each.path === path && same(each))) return path;
  return ports.find(same)?.path ?? path;
}

/** Listens for the end of a port before it is opened (an unheard error ends the process), and tells it once. */
function goneSignal(port: AddonPort): (take: (why: string) => void) => void {
  let why: string | undefined;
  let taker: ((why: string) => void) | undefined;
  const tell = (reason: string) => {
    if (why !== undefined) return;
    why = reason;
    taker?.(reason);
  };
  port.on('error', (error) => tell(error?.message ?? 'error'));
  port.on('close', (error) => tell(error?.message ?? 'closed'));
  return (take) => {
    taker = take;
    if (why !== undefined) take(why);
  };
}

function openError(path: string, error: Error): EvenburnError {
  const text = error.message;
  if (/no such file|cannot find|not found/i.test(text)) return new EvenburnError('SERIAL_PORT_MISSING', { port: path }, error);
  return new EvenburnError('SERIAL_PORT_REFUSED', { port: path, why: text, fix: refusedFix(text) }, error);
}

function refusedFix(text: string): string {
  if (/permission/i.test(text)) return 'sudo usermod -aG dialout $USER (uucp on some systems), then log in again';
  return 'Close the other program that holds it';
}

/** The old handle must be closed before the port can be opened again; a pulled adapter's may never say so. */
function closed(port: AddonPort): Promise<void> {
  return new Promise((resolve) => {
    const timer = setTimeout(resolve, closeWaitMs);
    const done = () => {
      clearTimeout(timer);
      resolve();
    };
    if (port.isOpen) port.close(done);
    else done();
  });
}
