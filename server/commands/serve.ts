// `evenburn serve`: the server, from sources to pages, until it is told to stop.
import { existsSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { type Command, InvalidArgumentError } from 'commander';
import type { Source } from '../bus/source.ts';
import type { SessionClock } from '../clock.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { defaultPort, parentLookIntervalMs } from '../limits.ts';
import { dataFolder, startedByNpm } from '../settings.ts';
import type { Station as RunningStation } from '../station.ts';
import { programVersion } from '../version.ts';

interface ServeOptions {
  vehicle?: string;
  bus: string[];
  data?: string;
  port: number;
}

const root = findRoot(dirname(fileURLToPath(import.meta.url)));
const demoVehicle = join(root, 'bus-definitions', 'garganey');

/** The folder of the project: built code lies in dist/server/commands, sources in server/commands. */
function findRoot(from: string): string {
  for (let folder = from; ; folder = dirname(folder)) {
    if (existsSync(join(folder, 'package.json')) || folder === dirname(folder)) return folder;
  }
}

export function addServeCommand(program: Command): void {
  program
    .command('serve')
    .description('serves the pages: listens to the buses, shows and records (default: the demo vehicle on simulated buses)')
    .option('--vehicle <dir>', 'vehicle folder')
    .option(
      '--bus <name=source>',
      'where a bus gets its frames: socketcan:can0, serial:PORT, file:PATH[?speed=N|max], simulator[:SCENARIO]',
      collect,
      [],
    )
    .option('--data <dir>', 'folder of the recorded sessions')
    .option('--port <n>', 'port to listen on; 0 takes a free one', parsePort, defaultPort)
    .action(serve);
}

function collect(value: string, before: string[]): string[] {
  return [...before, value];
}

function parsePort(value: string): number {
  const port = Number(value);
  if (!/^\d+$/.test(value) || port > 65535) throw new InvalidArgumentError('a port is a whole number from 0 to 65535.');
  return port;
}

async function serve(options: ServeOptions): Promise<void> {
  const [{ getVehicle, loadVehicle }, { watchVehicle }, { SessionClock }, { startServer }, { Station }, { Recorder }] = await Promise.all([
    import('../definitions/load-vehicle.ts'),
    import('../definitions/watch-vehicle.ts'),
    import('../clock.ts'),
    import('../http/server.ts'),
    import('../station.ts'),
    import('../recording/recorder.ts'),
  ]);
  const folder = options.vehicle ?? demoVehicle;
  const loaded = await loadVehicle(folder);
  const vehicle = loaded.vehicle ?? (await getVehicle(folder));
  const session = new SessionClock();
  const sources = await openSources(vehicle, options, session);
  const recorder = await Recorder.open(dataFolder(options.data), vehicle, { onStatus: (status) => station.recordingChanged(status) });
  const station: RunningStation = new Station({ vehicle, sources, session, recorder });
  const server = await startServer({ station, version: programVersion, webFolder: join(root, 'dist', 'web') }, options.port);
  process.stdout.write(`Evenburn shows ${vehicle.name} at ${server.url}\n`);
  const watching = await watchVehicle(folder, loaded, (saved) => {
    if (saved.vehicle) station.define(saved.vehicle);
    else station.showProblems(saved.problems);
  });
  const interrupted = await untilStopped();
  await watching.close();
  await server.close();
  if (interrupted) process.exitCode = 130;
}

/** The source of each bus that has one: as given, else the vehicle's interfaces; the demo vehicle is simulated. */
async function openSources(vehicle: Vehicle, options: ServeOptions, session: SessionClock): Promise<Source[]> {
  const { openSource } = await import('../bus/open-source.ts');
  const given = new Map(options.bus.map((text) => splitBus(text, vehicle)));
  const sources: Source[] = [];
  for (const bus of vehicle.buses) {
    const text = given.get(bus.index) ?? defaultSource(vehicle, bus.index, options);
    if (text !== undefined) sources.push(await openSource(text, bus.index, vehicle, session));
  }
  return sources;
}

function splitBus(text: string, vehicle: Vehicle): [bus: number, source: string] {
  const equals = text.indexOf('=');
  const name = equals < 0 ? '' : text.slice(0, equals);
  const bus = vehicle.buses.find((candidate) => candidate.name === name);
  if (bus && text.length > equals + 1) return [bus.index, text.slice(equals + 1)];
  const names = vehicle.buses.map((candidate) => candidate.name).join(', ');
  const what = equals < 0 ? `--bus '${text}' is not NAME=SOURCE` : `--bus '${text}': the vehicle's buses are ${names}`;
  throw new EvenburnError('USAGE_WRONG', { what });
}

function defaultSource(vehicle: Vehicle, bus: number, options: ServeOptions): string | undefined {
  if (options.vehicle === undefined) return 'simulator';
  // With some buses given by hand the others are left alone: their interfaces may not be there today.
  if (options.bus.length > 0) return undefined;
  const { interface: name } = vehicle.buses[bus] ?? {};
  return name === undefined ? undefined : `socketcan:${name}`;
}

/** Resolves at Ctrl-C (true), at a request to end, or when the npm that started this program has gone. */
function untilStopped(): Promise<boolean> {
  return new Promise((resolve) => {
    process.once('SIGINT', () => resolve(true));
    process.once('SIGTERM', () => resolve(false));
    if (!startedByNpm) return;
    const parent = process.ppid;
    setInterval(() => {
      if (process.ppid !== parent) resolve(false);
    }, parentLookIntervalMs).unref();
  });
}
