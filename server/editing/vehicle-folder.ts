// A vehicle folder as pages change it: every change is checked as a whole vehicle before anything is written, and no file is lost.
import { join } from 'node:path';
import type { DeviceRequest, SavedDefinition } from '../contract/table-import.ts';
import { loadVehicle, parseVehicle } from '../definitions/load-vehicle.ts';
import { toProblemLine } from '../definitions/problem.ts';
import { createFile, replaceFile } from '../definitions/replace-file.ts';
import { hashOfText, spliceYaml } from '../definitions/splice.ts';
import type { DefinitionFile, Problem } from '../definitions/vehicle.ts';
import { YamlText, type YamlValue } from '../definitions/yaml-text.ts';
import { EvenburnError } from '../errors.ts';
import { type Acceptance, acceptFinding } from '../finder/accept-finding.ts';
import type { Finding } from '../finder/signal-finder.ts';
import { layOutTable } from './lay-out-table.ts';

/** A finding with the name of its bus: indices may be others by now. */
export interface FoundSignal {
  finding: Finding;
  bus: string;
}

/**
 * Saves a table as a device file of its own; with `bus` the device is put on it too.
 *
 * @throws EvenburnError TABLE_CONFLICTS, DEVICE_EXISTS, BUS_UNKNOWN, DEFINITION_NOT_WRITTEN when the vehicle would be faulty with it,
 *   OUTPUT_FILE_UNWRITABLE, what `layOutTable` and `spliceYaml` throw. Nothing is written then.
 */
export async function addDevice(dir: string, { bus, ...table }: DeviceRequest): Promise<SavedDefinition> {
  const { conflicts, text } = layOutTable(table);
  const [conflict] = conflicts;
  if (conflict) throw new EvenburnError('TABLE_CONFLICTS', { count: conflicts.length, first: conflict.say });
  const { device } = table;
  const { files, problems } = await loadVehicle(dir);
  const path = `devices/${device}.yaml`;
  const there = files.find((file) => isOfDevice(file, device));
  if (there) throw new EvenburnError('DEVICE_EXISTS', { device, path: there.path });
  const own = { path, text };
  const vehicleFile = files.find((file) => file.path === 'vehicle.yaml');
  const listed = bus === undefined || !vehicleFile ? undefined : { ...vehicleFile, text: withDevice(vehicleFile, bus, device) };
  const after = [...files.map((file) => (file === vehicleFile && listed ? listed : file)), own];
  refuseNewFaults(path, problems, parseVehicle(after).problems);
  createFile(join(dir, path), text);
  if (listed) replaceFile(join(dir, listed.path), listed.text);
  return { path, line: 1, added: text };
}

/**
 * Writes a finding into its device's file.
 * @throws EvenburnError VEHICLE_INVALID, OUTPUT_FILE_UNWRITABLE, what `acceptFinding` throws.
 */
export async function addSignal(dir: string, { finding, bus }: FoundSignal, acceptance: Acceptance): Promise<SavedDefinition> {
  const { vehicle } = await loadVehicle(dir);
  if (!vehicle) throw new EvenburnError('VEHICLE_INVALID', { path: dir });
  const index = vehicle.buses.findIndex(({ name }) => name === bus);
  if (index < 0) throw new EvenburnError('BUS_UNKNOWN', { bus });
  const file = acceptFinding(vehicle, { ...finding, bus: index }, acceptance);
  const before = vehicle.files.find(({ path }) => path === file.path)?.text ?? '';
  replaceFile(join(dir, file.path), file.text);
  return { path: file.path, ...addedLines(before, file.text) };
}

/** A device is known by what its file says, else by the file's name; both are taken, whatever the letters' case: disks differ in it. */
function isOfDevice(file: DefinitionFile, device: string): boolean {
  const match = /^(?:\.\.\/)?devices\/(.+)\.ya?ml$/i.exec(file.path);
  if (!match) return false;
  const { data } = new YamlText(file);
  const said = data instanceof Map ? data.get('device') : undefined;
  return [match[1], said].some((name) => typeof name === 'string' && name.toLowerCase() === device.toLowerCase());
}

function withDevice(file: DefinitionFile, bus: string, device: string): string {
  const { data } = new YamlText(file);
  const found = entryOf(entryOf(data, 'buses'), bus);
  if (found === undefined) throw new EvenburnError('BUS_UNKNOWN', { bus });
  const devices = entryOf(found, 'devices');
  const edit = Array.isArray(devices)
    ? { path: ['buses', bus, 'devices', devices.length], value: device }
    : { path: ['buses', bus, 'devices'], value: [device] };
  return spliceYaml(file.text, hashOfText(file.text), { kind: 'insert', ...edit });
}

function entryOf(value: YamlValue | undefined, key: string): YamlValue | undefined {
  return value instanceof Map ? value.get(key) : undefined;
}

/** What was wrong before is no reason to refuse. @throws EvenburnError DEFINITION_NOT_WRITTEN */
export function refuseNewFaults(path: string, before: readonly Problem[], after: readonly Problem[]): void {
  const known = new Set(before.map(({ file, code, say }) => `${file} ${code} ${say}`));
  const first = after.find(({ severity, file, code, say }) => severity === 'error' && !known.has(`${file} ${code} ${say}`));
  if (first) throw new EvenburnError('DEFINITION_NOT_WRITTEN', { path, why: toProblemLine(first) });
}

/** The lines that one text has more than another that it was spliced from. */
function addedLines(before: string, after: string): Pick<SavedDefinition, 'line' | 'added'> {
  const [old, now] = [before.split('\n'), after.split('\n')];
  let from = 0;
  while (from < old.length && old[from] === now[from]) from++;
  let kept = 0;
  while (kept < old.length - from && old[old.length - 1 - kept] === now[now.length - 1 - kept]) kept++;
  return { line: from + 1, added: now.slice(from, now.length - kept).join('\n') };
}
