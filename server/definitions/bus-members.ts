// The buses of a vehicle: device instances with their frames and signals, ids and names checked against each other, and the trunk.
import type { Read } from './check-shape.ts';
import { type DeviceLayout, type FrameLayout, hex } from './frame-layout.ts';
import { toSuggestion } from './nearest-name.ts';
import type { Fault, ProblemList } from './problem.ts';
import type { Bus, Device, Frame, Location, Signal, TrunkItem } from './vehicle.ts';
import type { vehicleSchema } from './vehicle-schema.ts';
import type { Path, YamlText } from './yaml-text.ts';

export type VehicleText = Read<typeof vehicleSchema>;

interface Instance {
  device: Device;
  layout: DeviceLayout;
  /** Its place in the vehicle file. */
  path: Path;
}

/** What the device files say together: the buses, and where each channel name was given. */
export interface Members {
  buses: Bus[];
  /** Every signal's name, those of faulty signals too, with unit. */
  channels: Map<string, string>;
}

/** What buses are built from. */
export interface BusContext {
  /** The vehicle file. */
  file: YamlText;
  devices: ReadonlyMap<string, DeviceLayout>;
  /** Devices whose files can't be read, which has been told. */
  unreadable: ReadonlySet<string>;
  builtIns: ReadonlyMap<string, string>;
  problems: ProblemList;
}

/** Builds all buses of the vehicle file from the device files at hand. */
export function resolveBuses(context: BusContext, text: VehicleText): Members {
  return new BusBuilder(context).build(text);
}

class BusBuilder {
  private readonly file: YamlText;
  private readonly context: BusContext;
  private readonly problems: ProblemList;
  private readonly channels = new Map<string, string>();
  private readonly channelOwners = new Map<string, Instance>();
  private readonly instances = new Map<string, Instance>();
  private channelCount = 0;

  constructor(context: BusContext) {
    this.file = context.file;
    this.context = context;
    this.problems = context.problems;
  }

  build(text: VehicleText): Members {
    const { file, problems } = this;
    if (text.buses?.size === 0) {
      const fault: Fault = {
        code: 'KEY_MISSING',
        say: 'one bus at least is needed',
        fix: "Add one, like 'engine: { bit_rate: 500 kbit/s, devices: [...] }'.",
      };
      problems.addAtKey(file, ['buses'], fault);
    }
    const buses = [...(text.buses ?? [])].map(([name, bus], index) => this.buildBus(name, index, bus ?? {}));
    for (const [name, items] of text.trunk ?? []) {
      const bus = buses.find((one) => one.name === name);
      if (!bus) {
        const fix = toSuggestion(name, text.buses?.keys() ?? []);
        problems.addAtKey(file, ['trunk', name], { code: 'BUS_UNKNOWN', say: `no bus '${name}'`, fix });
      } else if (items) bus.trunk = this.buildTrunk(bus, items, ['trunk', name]);
    }
    return { buses, channels: this.channels };
  }

  private buildBus(name: string, index: number, text: NonNullable<ReturnType<NonNullable<VehicleText['buses']>['get']>>): Bus {
    const path: Path = ['buses', name];
    const bus: Bus = {
      name,
      index,
      bitRate: text.bit_rate ?? 0,
      ...(text.data_bit_rate !== undefined && { dataBitRate: text.data_bit_rate }),
      ...(text.interface !== undefined && { interface: text.interface }),
      devices: [],
      frames: [],
      at: locate(this.file, path),
    };
    const members: Instance[] = [];
    for (const [i, entry] of (text.devices ?? []).entries()) {
      const instance = entry?.device === undefined ? undefined : this.buildInstance(bus, entry.device, entry, [...path, 'devices', i]);
      if (instance) members.push(instance);
    }
    for (const { device } of members) {
      bus.devices.push(device);
      bus.frames.push(...device.frames);
    }
    this.checkIds(members);
    this.checkFrameNames(members);
    return bus;
  }

  private buildInstance(
    bus: Bus,
    kind: string,
    entry: { as?: string | undefined; id_offset?: number | undefined; prefix?: string | undefined },
    path: Path,
  ): Instance | undefined {
    const layout = this.context.devices.get(kind);
    if (!layout && this.context.unreadable.has(kind)) return undefined;
    const devicePath = this.file.rangeOfKey([...path, 'device']) ? [...path, 'device'] : path;
    if (!layout) {
      const say = `no device file says 'device: ${kind}'`;
      const fix = `${toSuggestion(kind, this.context.devices.keys())} Device files lie in devices/, or in ../devices/ for several vehicles.`;
      this.problems.addAtValue(this.file, devicePath, { code: 'DEVICE_UNKNOWN', say, fix });
      return undefined;
    }
    const name = entry.as ?? kind;
    const earlier = this.instances.get(name);
    if (earlier) {
      const say = `a second device '${name}' (first in line ${this.file.placeOfValue(earlier.path).line})`;
      const fix = `Name it, like { device: ${kind}, as: rear-${kind}, id_offset: 0x10, prefix: rear_ }.`;
      this.problems.addAtValue(this.file, devicePath, { code: 'NAME_DUPLICATE', say, fix });
      return undefined;
    }
    const device: Device = {
      name,
      kind: layout.name,
      title: layout.title,
      bus: bus.index,
      prefix: entry.prefix ?? '',
      idOffset: entry.id_offset ?? 0,
      frames: [],
      at: locate(this.file, path),
    };
    const instance = { device, layout, path };
    this.instances.set(name, instance);
    device.frames = layout.frames.map((frame) => this.buildFrame(instance, frame));
    this.takeChannelNames(instance);
    return instance;
  }

  private buildFrame({ device, layout, path }: Instance, frame: FrameLayout): Frame {
    const { idOffset, prefix } = device;
    const signals: Signal[] = frame.signals.flatMap(({ signal, path: at }) =>
      signal ? [{ ...this.withPrefix(signal, prefix), channel: this.channelCount++, at: locate(layout.file, at) }] : [],
    );
    const id = frame.id === undefined ? undefined : frame.id + idOffset;
    const addresses = frame.sourceAddresses?.map(({ from, to }) => ({ from: from + idOffset, to: to + idOffset }));
    const idMax = frame.extended ? 0x1fffffff : 0x7ff;
    const idOutside = id !== undefined && (id < 0 || id > idMax) && frame.id !== undefined && frame.id <= idMax;
    if (idOutside || addresses?.some(({ from, to }) => from < 0 || to > 255)) {
      const what = id === undefined ? 'a source address' : `id ${id < 0 ? id : hex(id)}`;
      const say = `with this offset frame '${frame.name}' of ${layout.name} has ${what}, which is not possible`;
      const fault: Fault = { code: 'VALUE_OUT_OF_RANGE', say, fix: 'Choose another id_offset.' };
      this.problems.addAtValue(this.file, [...path, 'id_offset'], fault);
    }
    return {
      name: prefix + frame.name,
      bus: device.bus,
      device: device.name,
      ...(id !== undefined && { id }),
      ...(frame.pgn !== undefined && { pgn: frame.pgn }),
      ...(addresses && { sourceAddresses: addresses }),
      extended: frame.extended,
      fd: frame.fd,
      lengthBytes: frame.lengthBytes,
      ...(frame.periodUs !== undefined && { periodUs: frame.periodUs }),
      ...(frame.counter !== undefined && { counter: prefix + frame.counter }),
      signals,
      at: locate(layout.file, frame.path),
    };
  }

  private withPrefix(signal: Omit<Signal, 'channel' | 'at'>, prefix: string): Omit<Signal, 'channel' | 'at'> {
    if (prefix === '') return signal;
    return { ...signal, name: prefix + signal.name, when: signal.when.map((when) => ({ ...when, signal: prefix + when.signal })) };
  }

  /** Enters an instance's channels; one problem an instance when it repeats a device file without a prefix of its own. */
  private takeChannelNames(instance: Instance): void {
    const { device, layout, path } = instance;
    let toldOfPrefix = false;
    const own = new Set<string>();
    for (const { name: bare, signal, path: at } of layout.frames.flatMap((frame) => frame.signals)) {
      const name = device.prefix + bare;
      // Twice in one device file: told there.
      if (own.has(name)) continue;
      own.add(name);
      if (this.context.builtIns.has(name)) this.problems.addAtValue(layout.file, [...at, 'name'], nameReserved(name));
      const owner = this.channelOwners.get(name);
      if (!owner) {
        this.channelOwners.set(name, instance);
        this.channels.set(name, signal?.unit ?? '');
      } else if (owner.layout === layout || device.prefix !== '') {
        if (toldOfPrefix) continue;
        toldOfPrefix = true;
        const say = `channel '${name}' of ${device.name} is also one of ${owner.device.name}`;
        const fix = "Give it a prefix of its own, like 'prefix: rear_'.";
        this.problems.addAtValue(this.file, path, { code: 'NAME_DUPLICATE', say, fix });
      } else {
        const say = `channel '${name}' of ${device.name} is also one of ${owner.device.name} (${owner.layout.file.path})`;
        const fix = 'Rename one of them, or give one device a prefix.';
        this.problems.addAtValue(layout.file, [...at, 'name'], { code: 'NAME_DUPLICATE', say, fix });
      }
    }
  }

  private checkFrameNames(members: Instance[]): void {
    const owners = new Map<string, Instance>();
    for (const instance of members) {
      for (const { name: bare, path } of instance.layout.frames) {
        const name = instance.device.prefix + bare;
        const owner = owners.get(name);
        if (!owner) owners.set(name, instance);
        // Within one file, and for a repeated file, it has been told already.
        if (!owner || owner.layout === instance.layout) continue;
        const say = `frame '${name}' of ${instance.device.name} is also one of ${owner.device.name} (${owner.layout.file.path})`;
        const fix = 'Rename one of them, or give one device a prefix.';
        this.problems.addAtValue(instance.layout.file, [...path, 'name'], { code: 'NAME_DUPLICATE', say, fix });
      }
    }
  }

  private checkIds(members: Instance[]): void {
    const seen: { frame: FrameLayout; instance: Instance; offset: number }[] = [];
    const toldOfOffset = new Set<Instance>();
    for (const instance of members) {
      const offset = instance.device.idOffset;
      for (const frame of instance.layout.frames) {
        const other = seen.find((one) => idsMeet(one.frame, one.offset, frame, offset));
        seen.push({ frame, instance, offset });
        if (!other) continue;
        const said = `${idInWords(frame, offset)} of frame '${instance.device.prefix}${frame.name}' is also that of '${other.instance.device.prefix}${other.frame.name}'`;
        const sameFile = other.instance.layout === instance.layout;
        if (sameFile && other.instance !== instance) {
          if (toldOfOffset.has(instance)) continue;
          toldOfOffset.add(instance);
          const fix = "Give it an id_offset of its own, like 'id_offset: 0x10'.";
          this.problems.addAtValue(this.file, instance.path, {
            code: 'FRAME_ID_DUPLICATE',
            say: `${said} of ${other.instance.device.name}`,
            fix,
          });
          continue;
        }
        const { file } = instance.layout;
        const otherFile = other.instance.layout.file;
        const line = otherFile.placeOfValue(other.frame.path).line;
        const where = sameFile ? `line ${line}` : `${otherFile.path}:${line}`;
        const key = frame.pgn === undefined ? 'id' : 'pgn';
        const fix = 'Two devices must not send one id: mend one of them.';
        this.problems.addAtValue(file, [...frame.path, key], { code: 'FRAME_ID_DUPLICATE', say: `${said} (${where})`, fix });
      }
    }
  }

  private buildTrunk(bus: Bus, items: NonNullable<ReturnType<NonNullable<VehicleText['trunk']>['get']>>, path: Path): TrunkItem[] {
    const trunk: TrunkItem[] = [];
    for (const [i, item] of items.entries()) {
      if (!item) continue;
      const at: Path = [...path, i];
      const stub = item.stub !== undefined ? { stubM: item.stub } : {};
      const terminated = item.terminator !== undefined;
      if (item.listener !== undefined) trunk.push({ kind: 'listener', name: item.listener, ...stub, terminated });
      else if (item.device === 'terminator') trunk.push({ kind: 'terminator', name: 'terminator', ...stub, terminated: true });
      else if (item.device !== undefined) {
        trunk.push({ kind: 'device', name: item.device, ...stub, terminated });
        this.checkTrunkDevice(bus, trunk, item.device, at);
      } else {
        const fix = 'Write terminator, a device of this bus, or { listener: bench plug }.';
        this.problems.addAtValue(this.file, at, { code: 'KEY_MISSING', say: "'device' or 'listener' is needed here", fix });
      }
    }
    this.checkTrunkWhole(bus, trunk, path);
    return trunk;
  }

  private checkTrunkDevice(bus: Bus, sofar: TrunkItem[], name: string, at: Path): void {
    const place = this.file.rangeOfKey([...at, 'device']) ? [...at, 'device'] : at;
    const names = bus.devices.map((device) => device.name);
    if (!names.includes(name)) {
      // Its file can't be read, or nobody knows what it is called here.
      if (this.context.unreadable.size > 0) return;
      const fix = toSuggestion(name, ['terminator', ...names]);
      this.problems.addAtValue(this.file, place, { code: 'TRUNK_DEVICE_UNKNOWN', say: `no device '${name}' on bus '${bus.name}'`, fix });
    } else if (sofar.filter((item) => item.kind === 'device' && item.name === name).length > 1) {
      this.problems.addAtValue(this.file, place, {
        code: 'NAME_DUPLICATE',
        say: `'${name}' is on the trunk twice`,
        fix: 'Keep one of them.',
      });
    }
  }

  private checkTrunkWhole(bus: Bus, trunk: TrunkItem[], path: Path): void {
    const absent = bus.devices.filter((device) => !trunk.some((item) => item.name === device.name)).map((device) => device.name);
    if (absent.length === 0) return;
    const say = `the trunk does not say where ${absent.join(', ')} ${absent.length === 1 ? 'sits' : 'sit'}`;
    const fix = 'Add it in its place along the wire: breaks are located by it.';
    this.problems.addAtKey(this.file, path, { code: 'TRUNK_DEVICE_MISSING', say, fix });
  }
}

export function nameReserved(name: string): Fault {
  return { code: 'NAME_RESERVED', say: `'${name}' is a built-in channel`, fix: 'Choose another name.' };
}

/** Where a value stands, without its text. */
export function locate(file: YamlText, path: Path): Location {
  const { line, column } = file.placeOfValue(path);
  return { file: file.path, line, column };
}

/** Whether some frame on the wire would be both. */
function idsMeet(a: FrameLayout, aOffset: number, b: FrameLayout, bOffset: number): boolean {
  if (a.pgn !== undefined && b.pgn !== undefined) return a.pgn === b.pgn && addressesMeet(a, aOffset, b, bOffset);
  if (a.pgn === undefined && b.pgn === undefined) {
    return a.id !== undefined && b.id !== undefined && a.extended === b.extended && a.id + aOffset === b.id + bOffset;
  }
  const [group, groupOffset, plain, plainOffset] = a.pgn === undefined ? [b, bOffset, a, aOffset] : [a, aOffset, b, bOffset];
  if (plain.id === undefined || !plain.extended) return false;
  const id = plain.id + plainOffset;
  const format = (id >> 16) & 0xff;
  const pgn = (id >> 8) & (format < 240 ? 0x3ff00 : 0x3ffff);
  const address = id & 0xff;
  const ranges = group.sourceAddresses ?? [{ from: 0, to: 255 }];
  return pgn === group.pgn && ranges.some(({ from, to }) => address >= from + groupOffset && address <= to + groupOffset);
}

function addressesMeet(a: FrameLayout, aOffset: number, b: FrameLayout, bOffset: number): boolean {
  if (!a.sourceAddresses || !b.sourceAddresses) return true;
  return a.sourceAddresses.some((one) =>
    (b.sourceAddresses ?? []).some((other) => one.from + aOffset <= other.to + bOffset && other.from + bOffset <= one.to + aOffset),
  );
}

function idInWords(frame: FrameLayout, offset: number): string {
  return frame.pgn === undefined ? `id ${hex((frame.id ?? 0) + offset)}` : `parameter group ${frame.pgn} (${hex(frame.pgn)})`;
}
