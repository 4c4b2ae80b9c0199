// The beginning of a vehicle, asked for by a page: what could be listened to, and a new start of the server with it.
import { existsSync, mkdirSync } from 'node:fs';
import { join, resolve } from 'node:path';
import { canInterfaces, upCommand } from '../bus/can-interface.ts';
import { listPorts } from '../bus/serial-port.ts';
import type { BeginningRequest, BeginningView } from '../contract/beginning.ts';
import { EvenburnError } from '../errors.ts';
import { isBlankFolder } from './blank-vehicle.ts';

/** What the server listens to and shows. */
export interface Served {
  /** The vehicle folder. */
  folder: string;
  demo: boolean;
  /** `NAME=SOURCE` each. */
  buses: readonly string[];
  /** The data folder; new vehicle folders are made in `vehicles` below it. */
  data: string;
  /** Why the last new start was taken back. */
  failed?: string;
}

/** What the server is to start again with. */
export interface NextServed {
  folder: string;
  buses: string[];
  bitRate?: string;
}

export interface BeginningParts {
  startAgain(next: NextServed): void;
  /** What a new start would interrupt now, in words. */
  underWay(): readonly string[];
  /** Looks for what could be listened to; other ones in tests. */
  findSources?: () => Promise<BeginningView['sources']>;
}

export class Beginning {
  private readonly served: Served;
  private readonly parts: BeginningParts;

  /** @param parts `startAgain` ends this server and starts it with another folder or other sources, at the same port. */
  constructor(served: Served, parts: BeginningParts) {
    this.served = served;
    this.parts = parts;
  }

  async view(): Promise<BeginningView> {
    return { ...describe(this.served), sources: await this.sources() };
  }

  /**
   * Answers with what will be served; the server starts again a moment later.
   * @throws EvenburnError REQUEST_WRONG for a source that was not listed, and for nothing at all: every bus would fall silent by a slip; OUTPUT_FILE_EXISTS, OUTPUT_FILE_UNWRITABLE;
   *   BEGINNING_INTERRUPTS while something is under way and the request doesn't say that it knows
   */
  async begin({ folder, listen, despiteUnderWay = false }: BeginningRequest): Promise<BeginningView> {
    if (folder === undefined && !listen) throw new EvenburnError('REQUEST_WRONG', { what: 'folder or listen is needed' });
    const sources = await this.sources();
    if (listen && !sources.some(({ source }) => source === listen.source)) {
      throw new EvenburnError('REQUEST_WRONG', { what: `no source '${listen.source}' on this computer` });
    }
    const underWay = this.parts.underWay();
    if (underWay.length > 0 && !despiteUnderWay) throw new EvenburnError('BEGINNING_INTERRUPTS', { what: underWay.join(', ') });
    const next: NextServed = {
      folder: folder === undefined ? this.served.folder : this.makeFolder(folder),
      buses: listen ? [`${listen.bus}=${listen.source}${rateOption(listen)}`] : [],
      ...(listen ? { bitRate: `${listen.bitRateKbit} kbit/s` } : {}),
    };
    this.parts.startAgain(next);
    const { data } = this.served;
    return { ...describe({ data, demo: false, ...next }), sources };
  }

  private sources(): Promise<BeginningView['sources']> {
    return (this.parts.findSources ?? findSources)();
  }

  private makeFolder(name: string): string {
    const path = join(this.served.data, 'vehicles', name);
    if (existsSync(path) && !isBlankFolder(path)) throw new EvenburnError('OUTPUT_FILE_EXISTS', { path });
    try {
      mkdirSync(path, { recursive: true });
    } catch (error) {
      throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path, why: (error as NodeJS.ErrnoException).code ?? String(error) }, error);
    }
    return path;
  }
}

/** An adapter is told its bit rate when it is opened. */
function rateOption({ source, bitRateKbit }: NonNullable<BeginningRequest['listen']>): string {
  return source.startsWith('serial:') ? `?rate=${bitRateKbit * 1000}` : '';
}

function describe({ folder, demo, buses, failed }: Served): Omit<BeginningView, 'sources'> {
  return {
    folder: resolve(folder),
    blank: isBlankFolder(folder),
    demo,
    buses: buses.map((text) => ({ bus: text.slice(0, text.indexOf('=')), source: text.slice(text.indexOf('=') + 1) })),
    ...(failed === undefined ? {} : { failed }),
    command: toCommand(folder, buses),
  };
}

/** CAN interfaces of the system, and serial ports that an adapter may be at. */
async function findSources(): Promise<BeginningView['sources']> {
  const interfaces = canInterfaces().map((found) => ({
    source: `socketcan:${found.name}`,
    say: found.isUp ? `CAN interface ${found.name}` : `CAN interface ${found.name} is down: ${upCommand(found)}`,
    ready: found.isUp,
  }));
  const ports = await listPorts().catch(() => []);
  const serial = ports.map(({ path, manufacturer }) => ({
    source: `serial:${path}`,
    say: `Serial port ${path}${manufacturer === undefined ? '' : `, ${manufacturer}`}`,
    ready: true,
  }));
  return [...interfaces, ...serial];
}

function toCommand(folder: string, buses: readonly string[]): string {
  const quoted = (text: string) => (/^[\w./:=@%+-]+$/.test(text) ? text : `'${text.replaceAll("'", `'\\''`)}'`);
  return ['npx evenburn serve --vehicle', quoted(resolve(folder)), ...buses.map((text) => `--bus ${quoted(text)}`)].join(' ');
}
