// Reads a vehicle folder: every file, every fault of every file at once, and the resolved vehicle when there is none.
import { createHash } from 'node:crypto';
import { readdir, readFile, stat } from 'node:fs/promises';
import { basename, join } from 'node:path';
import { whyNot } from '../channels/channel-list.ts';
import { checkFormula, formulaChannels } from '../channels/formula.ts';
import { limitFaults } from '../checks/check-limits.ts';
import { usualProcedures } from '../checks/usual-procedures.ts';
import { EvenburnError } from '../errors.ts';
import { definitionFileBytesMax } from '../limits.ts';
import { builtInNames } from './built-in-names.ts';
import { checkBusLoads } from './bus-budget.ts';
import { type Members, nameReserved, resolveBuses, type VehicleText } from './bus-members.ts';
import { resolveProcedures } from './check-procedures.ts';
import { checkShape } from './check-shape.ts';
import { countCylinders, type EngineContext, resolveEngine, resolveInjectorSet } from './engine-parts.ts';
import { checkLowerSnake } from './fields.ts';
import { type DeviceLayout, readDevice } from './frame-layout.ts';
import { toFuel } from './fuel.ts';
import { checkHarnessNames } from './harness-names.ts';
import { harnessSchema } from './harness-schema.ts';
import { toSuggestion } from './nearest-name.ts';
import { ProblemList, toProblemLine } from './problem.ts';
import type { DefinitionFile, Problem, Vehicle } from './vehicle.ts';
import { vehicleSchema } from './vehicle-schema.ts';
import { checkDerived, type RuleContext, readDerived, resolveAlarms, resolveLimits } from './watch-rules.ts';
import { type Path, YamlText } from './yaml-text.ts';

export interface LoadedVehicle {
  /** Present exactly when no problem is an error. */
  vehicle?: Vehicle;
  /** All faults of all files, in reading order. */
  problems: Problem[];
  files: DefinitionFile[];
}

const vehiclePath = 'vehicle.yaml';
const harnessPath = 'harness.yaml';

/**
 * Reads and resolves a folder. A folder that isn't there is one problem, FILE_MISSING.
 * @throws EvenburnError INPUT_FILE_UNREADABLE for a file that is there and can't be opened.
 */
export async function loadVehicle(dir: string): Promise<LoadedVehicle> {
  const files = await readFiles(dir);
  return { ...parseVehicle(files), files };
}

/** Reads a folder's vehicle. @throws EvenburnError VEHICLE_INVALID, its detail `problems` with a line for each; INPUT_FILE_UNREADABLE */
export async function getVehicle(dir: string): Promise<Vehicle> {
  const { vehicle, problems } = await loadVehicle(dir);
  if (vehicle) return vehicle;
  const lines = problems.filter((problem) => problem.severity === 'error').map((problem) => toProblemLine(problem, dir));
  throw new EvenburnError('VEHICLE_INVALID', { path: dir, problems: lines.join('\n') });
}

/** The folder's definition files as they stand; those in `../devices` are shared by several vehicles. */
async function readFiles(dir: string): Promise<DefinitionFile[]> {
  const paths = [vehiclePath, harnessPath, ...(await yamlFilesIn(dir, 'devices')), ...(await yamlFilesIn(dir, '../devices'))];
  const files = await Promise.all(paths.map((path) => readDefinition(dir, path)));
  return files.filter((file) => file !== undefined);
}

async function yamlFilesIn(dir: string, folder: string): Promise<string[]> {
  const names = await readdir(join(dir, folder)).catch(() => []);
  return names
    .filter((name) => /\.ya?ml$/i.test(name) && !name.startsWith('.'))
    .sort()
    .map((name) => `${folder}/${name}`);
}

async function readDefinition(dir: string, path: string): Promise<DefinitionFile | undefined> {
  const at = join(dir, path);
  const size = await stat(at).then(
    (found) => (found.isFile() ? found.size : undefined),
    () => undefined,
  );
  if (size === undefined) return undefined;
  // Too large a file is reported by its length; its text isn't worth reading.
  if (size > definitionFileBytesMax) return { path, text: ' '.repeat(definitionFileBytesMax + 1) };
  const text = await readFile(at, 'utf8').catch((error: NodeJS.ErrnoException) => {
    throw new EvenburnError('INPUT_FILE_UNREADABLE', { path: at, why: error.code ?? error.message }, error);
  });
  return { path, text };
}

/** Resolves files that were read before (or come out of a record). Pure: no I/O, and the same files give the same vehicle. */
export function parseVehicle(files: DefinitionFile[]): { vehicle?: Vehicle; problems: Problem[] } {
  const problems = new ProblemList();
  const reading = new VehicleReader(problems);
  const vehicle = reading.read(files);
  const sorted = problems.sorted();
  if (!vehicle || problems.hasErrors) return { problems: sorted };
  vehicle.warnings = sorted;
  return { vehicle, problems: sorted };
}

class VehicleReader {
  private readonly problems: ProblemList;
  private readonly maybeDefined = new Set<string>();
  /** Devices whose files have faults that leave nothing of them; what follows from that is not told again. */
  private readonly unreadable = new Set<string>();

  constructor(problems: ProblemList) {
    this.problems = problems;
  }

  read(files: DefinitionFile[]): Vehicle | undefined {
    const { problems } = this;
    const vehicleFile = files.find((file) => file.path === vehiclePath);
    if (!vehicleFile) {
      const place = { file: vehiclePath, line: 1, column: 1, endColumn: 2, found: '' };
      problems.add(place, { code: 'FILE_MISSING', say: 'no vehicle.yaml in this folder', fix: 'Add one, or name another folder.' });
      return undefined;
    }
    const file = this.open(vehicleFile);
    const text = file && checkShape(vehicleSchema, file, problems);
    const wanted = new Set(
      [...(text?.buses?.values() ?? [])].flatMap((bus) => (bus?.devices ?? []).flatMap((entry) => entry?.device ?? [])),
    );
    const used: DefinitionFile[] = [];
    const devices = this.readDevices(files, wanted, used);
    const harnessFile = files.find((one) => one.path === harnessPath);
    const harness = harnessFile && this.open(harnessFile);
    const harnessShape = harness && checkShape(harnessSchema, harness, problems);
    if (harness && harnessShape) checkHarnessNames(harnessShape, harness, problems);
    if (!file || !text) return undefined;
    const kept = [vehicleFile, ...(harnessFile ? [harnessFile] : []), ...used];
    return { ...this.resolve(file, text, devices, kept), ...(harness && { harness: harness.data }) };
  }

  /** Device files by their `device`: the folder's own are all checked, shared ones where they are used and not in the folder. */
  private readDevices(files: DefinitionFile[], wanted: Set<string>, used: DefinitionFile[]): Map<string, DeviceLayout> {
    const devices = new Map<string, DeviceLayout>();
    const byFileName = new Map<string, DeviceLayout>();
    for (const definition of files.filter((one) => one.path.startsWith('devices/'))) {
      used.push(definition);
      const layout = this.readDeviceFile(definition);
      if (!layout) continue;
      this.enter(devices, layout);
      byFileName.set(fileNameOf(definition), layout);
    }
    // A vehicle file may also call a device by its file's name, where no device is called so.
    for (const [name, layout] of byFileName) if (!devices.has(name)) devices.set(name, layout);
    for (const definition of files.filter((one) => one.path.startsWith('../devices/'))) {
      const name = deviceNameOf(definition);
      if (!wanted.has(name) || devices.has(name)) continue;
      used.push(definition);
      const layout = this.readDeviceFile(definition);
      if (layout) devices.set(layout.name, layout);
    }
    return devices;
  }

  private readDeviceFile(definition: DefinitionFile): DeviceLayout | undefined {
    const { layout, problems, syntax } = readDeviceOnce(definition);
    this.problems.problems.push(...problems);
    if (syntax) this.noteNames(definition.text);
    if (!layout) this.unreadable.add(deviceNameOf(definition));
    return layout;
  }

  private enter(devices: Map<string, DeviceLayout>, layout: DeviceLayout): void {
    const earlier = devices.get(layout.name);
    if (earlier) {
      const say = `device '${layout.name}' is also in ${earlier.file.path}`;
      this.problems.addAtValue(layout.file, ['device'], { code: 'NAME_DUPLICATE', say, fix: 'Name one of them differently.' });
    } else devices.set(layout.name, layout);
  }

  /** Parses a file; undefined when it is no YAML, which is reported. */
  private open(definition: DefinitionFile): YamlText | undefined {
    const file = openYaml(definition, this.problems);
    if (!file) this.noteNames(definition.text);
    return file;
  }

  /** Names that a file which can't be read may define. */
  private noteNames(text: string): void {
    for (const match of text.matchAll(/\bname:\s*["']?(\w+)/g)) this.maybeDefined.add(match[1] as string);
  }

  private resolve(file: YamlText, text: VehicleText, devices: Map<string, DeviceLayout>, files: DefinitionFile[]): Vehicle {
    const { problems } = this;
    const builtIns = this.builtInsOf(text);
    const members = resolveBuses({ file, devices, unreadable: this.unreadable, builtIns, problems }, text);
    checkBusLoads(members.buses, problems, file, new Map([...devices.values()].map((device) => [device.file.path, device.file])));
    const fuel = toFuel(text.fuel ?? new Map([['petrol', 1]]));
    const channels = new Map([...members.channels, ...this.derivedNames(file, text, members, builtIns)]);
    const known = new Map([...channels, ...builtIns]);
    const context: EngineContext = { file, problems, channels, checkChannel: (name, path) => this.checkChannel(file, known, name, path) };
    const engine = text.engine && resolveEngine(text.engine, context);
    const vehicle: Vehicle = {
      name: text.vehicle ?? '',
      hash: hashOf(files),
      files,
      fuel,
      electrical: resolveElectrical(text),
      buses: members.buses,
      ...(engine && { engine }),
      injectorSets: [...(text.injector_sets ?? [])].map(([name, set]) =>
        resolveInjectorSet(name, set ?? {}, countCylinders(text.engine), fuel, context),
      ),
      derived: readDerived(text, file),
      tables: new Map([...(text.tables ?? [])].flatMap(([name, points]) => (points ? [[name, points]] : []))),
      alarms: [],
      limits: resolveLimits(text, file),
      ...resolveDyno(text),
      supplies: this.resolveGroups(text, 'supplies', context),
      grounds: this.resolveGroups(text, 'grounds', context),
      checks: file.data instanceof Map ? file.data.get('checks') : undefined,
      procedures: [],
      warnings: [],
    };
    this.resolveRules(file, text, known, vehicle);
    return vehicle;
  }

  /** Formulas last: which built-in channels there are follows from all the rest. */
  private resolveRules(file: YamlText, text: VehicleText, known: ReadonlyMap<string, string>, vehicle: Vehicle): void {
    const rules: RuleContext = {
      file,
      problems: this.problems,
      scope: { channels: known, tables: text.tables ?? new Map<string, unknown>() },
      formulas: { check: checkFormula, channels: formulaChannels },
      maybeDefined: this.maybeDefined,
      // In a vehicle with faults it can't be said what is made.
      notMade: new Map(this.problems.hasErrors ? [] : whyNot(vehicle).map(({ channel, line }) => [channel, line])),
    };
    checkDerived(text, rules);
    vehicle.alarms = resolveAlarms(text, rules);
    vehicle.procedures = resolveProcedures(text, rules, usualProcedures(vehicle), limitFaults);
  }

  private builtInsOf(text: VehicleText): Map<string, string> {
    return builtInNames({
      buses: text.buses?.keys() ?? [],
      banks: text.engine?.banks?.keys() ?? [],
      injectorSets: text.injector_sets?.keys() ?? [],
      cylinders: countCylinders(text.engine),
    });
  }

  /** Derived channels' names with units; a name that is taken is reported. */
  private derivedNames(file: YamlText, text: VehicleText, members: Members, builtIns: Map<string, string>): Map<string, string> {
    const names = new Map<string, string>();
    for (const [i, item] of (text.derived ?? []).entries()) {
      if (item?.name === undefined) continue;
      const path: Path = ['derived', i, 'name'];
      if (builtIns.has(item.name)) this.problems.addAtValue(file, path, nameReserved(item.name));
      else if (members.channels.has(item.name) || names.has(item.name)) {
        const say = `channel '${item.name}' exists already${members.channels.has(item.name) ? ' as a signal' : ''}`;
        this.problems.addAtValue(file, path, { code: 'NAME_DUPLICATE', say, fix: 'Choose another name.' });
      } else names.set(item.name, item.unit ?? '');
    }
    return names;
  }

  private checkChannel(file: YamlText, known: Map<string, string>, name: string | undefined, path: Path): void {
    if (name === undefined || known.has(name) || this.maybeDefined.has(name) || checkLowerSnake(name)) return;
    this.problems.addAtValue(file, path, { code: 'CHANNEL_UNKNOWN', say: `no channel '${name}'`, fix: toSuggestion(name, known.keys()) });
  }

  private resolveGroups(text: VehicleText, key: 'supplies' | 'grounds', { checkChannel }: EngineContext): Map<string, string[]> {
    const groups = new Map<string, string[]>();
    for (const [name, list] of text[key] ?? []) {
      for (const [i, channel] of (list ?? []).entries()) checkChannel(channel, [key, name, i]);
      groups.set(
        name,
        (list ?? []).filter((channel) => channel !== undefined),
      );
    }
    return groups;
  }
}

interface DeviceReading {
  layout?: DeviceLayout;
  problems: Problem[];
  /** It is no YAML. */
  syntax: boolean;
}

/** What was read of device files lately, by path and text: of a save only the file that changed is read again. */
const deviceReadings = new Map<string, DeviceReading>();
const deviceReadingsMax = 64;

function readDeviceOnce(definition: DefinitionFile): DeviceReading {
  const key = `${definition.path}\0${definition.text}`;
  const known = deviceReadings.get(key);
  if (known) return known;
  const problems = new ProblemList();
  const file = openYaml(definition, problems);
  const layout = file && readDevice(file, problems);
  const reading = { ...(layout && { layout }), problems: problems.problems, syntax: !file };
  deviceReadings.set(key, reading);
  const [oldest] = deviceReadings.keys();
  if (deviceReadings.size > deviceReadingsMax && oldest !== undefined) deviceReadings.delete(oldest);
  return reading;
}

function openYaml(definition: DefinitionFile, problems: ProblemList): YamlText | undefined {
  const { path, text } = definition;
  if (text.length > definitionFileBytesMax) {
    const place = { file: path, line: 1, column: 1, endColumn: 2, found: '' };
    const say = `the file is larger than ${definitionFileBytesMax / 1024} KiB`;
    problems.add(place, { code: 'FILE_TOO_LARGE', say, fix: 'Split it into several device files.' });
    return undefined;
  }
  const file = new YamlText(definition);
  for (const { place, fault } of file.faults) problems.add({ file: path, ...place }, fault);
  return file.hasSyntaxErrors ? undefined : file;
}

function fileNameOf({ path }: DefinitionFile): string {
  return basename(path).replace(/\.ya?ml$/i, '');
}

/** The device that a file is about, as far as its text shows it. */
function deviceNameOf({ path, text }: DefinitionFile): string {
  return /^device:\s*["']?([\w-]+)/m.exec(text)?.[1] ?? fileNameOf({ path, text });
}

function resolveElectrical(text: VehicleText): Vehicle['electrical'] {
  const { nominal, charging, chemistry } = text.electrical ?? {};
  return {
    ...(nominal !== undefined && { nominalV: nominal }),
    ...(charging !== undefined && { charging }),
    ...(chemistry !== undefined && { chemistry }),
  };
}

function resolveDyno(text: VehicleText): Pick<Vehicle, 'dyno'> {
  if (text.dyno?.kind === undefined) return {};
  const { kind, gear, roller_ratio } = text.dyno;
  return { dyno: { kind, ...(gear !== undefined && { gear }), ...(roller_ratio !== undefined && { rollerRatio: roller_ratio }) } };
}

/** Names the definition set: SHA-256 over paths and texts, in order of paths. */
function hashOf(files: DefinitionFile[]): string {
  const hash = createHash('sha256');
  for (const { path, text } of [...files].sort((a, b) => (a.path < b.path ? -1 : 1))) hash.update(`${path}\0${text}\0`);
  return hash.digest('hex');
}
