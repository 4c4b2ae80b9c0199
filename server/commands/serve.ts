// `evenburn serve`: the server, from sources to pages, until it is told to stop.
import { join } from 'node:path';
import { type Command, InvalidArgumentError } from 'commander';
import type { Source } from '../bus/source.ts';
import type { SessionClock } from '../clock.ts';
import type { LoadedVehicle } from '../definitions/load-vehicle.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import type { AppParts } from '../http/app.ts';
import { defaultPort, parentLookIntervalMs } from '../limits.ts';
import { projectRoot } from '../project-root.ts';
import type { Station } from '../station.ts';
import { addNetworkOptions, type NetworkOptions, openNetwork, tellNetwork } from './network-access.ts';

interface ServeOptions extends NetworkOptions {
  vehicle?: string;
  bus: string[];
  data?: string;
  port: number;
  /** Bytes, and days, of sessions that are kept. */
  keep?: number;
  keepDays?: number;
  /** Of buses that no file describes yet, as a vehicle file says it. */
  bitRate?: string;
  /** What was served before a page asked for this. */
  before?: ServeOptions;
}

/** A page that asked for a new start has its answer by then. */
const answerFirstMs = 200;

const demoVehicle = join(projectRoot, 'bus-definitions', 'garganey');

export function addServeCommand(program: Command): void {
  const command = program
    .command('serve')
    .description('serves the pages: listens to the buses, shows and records (default: the demo vehicle on simulated buses)')
    .option('--vehicle <dir>', 'vehicle folder')
    .option(
      '--bus <name=source>',
      'where a bus gets its frames: socketcan:can0, serial:PORT, file:PATH[?speed=N|max], simulator[:SCENARIO]',
      (value: string, before: string[]) => [...before, value],
      [],
    )
    .option('--data <dir>', 'folder of the recorded sessions')
    .option('--keep <size>', 'keep at most so much of sessions, such as 50GB; the oldest go first, pinned ones never', parseSize)
    .option('--keep-days <n>', 'keep sessions for so many days; pinned ones for ever', parseDays)
    .option('--port <n>', 'port to listen on; 0 takes a free one', parsePort, defaultPort);
  addNetworkOptions(command).action(serve);
}

function parsePort(value: string): number {
  const port = Number(value);
  if (!/^\d+$/.test(value) || port > 65535) throw new InvalidArgumentError('a port is a whole number from 0 to 65535.');
  return port;
}

function parseSize(value: string): number {
  const match = /^(\d+(?:\.\d+)?)\s*(MB|GB|TB)$/i.exec(value);
  const bytes = match ? Number(match[1]) * { MB: 1e6, GB: 1e9, TB: 1e12 }[(match[2] as string).toUpperCase() as 'MB' | 'GB' | 'TB'] : 0;
  if (bytes <= 0) throw new InvalidArgumentError('a size is a number with MB, GB or TB, such as 50GB.');
  return bytes;
}

function parseDays(value: string): number {
  if (!/^[1-9]\d{0,4}$/.test(value)) throw new InvalidArgumentError('a whole number of days is needed.');
  return Number(value);
}

/** Serves until it is told to stop; a page may ask for another folder or other sources, and it starts again with them. */
async function serve(options: ServeOptions): Promise<void> {
  const stopped = untilStopped();
  process.once('uncaughtException', (error) => {
    process.stderr.write(`evenburn: ${error.stack ?? error.message}\n`);
    process.exit(4);
  });
  let now = options;
  let failed: string | undefined;
  for (;;) {
    try {
      const next = await serveOnce(now, stopped, failed);
      if (!next) return;
      failed = undefined;
      now = next;
    } catch (error) {
      // What was served before comes back, and its page says why.
      if (now.before === undefined) throw error;
      failed = error instanceof EvenburnError ? `${error.message}. ${error.cure}` : String(error);
      process.stderr.write(`${failed}\n`);
      now = now.before;
    }
  }
}

/** Resolves to what is to be served next; undefined at the end. */
async function serveOnce(options: ServeOptions, stopped: Promise<number>, failed: string | undefined): Promise<ServeOptions | undefined> {
  let station: Station | undefined;
  // Definitions are read in a worker, the recorder starts in another, and this thread reads the rest of the program meanwhile.
  const definitions = await readDefinitions(options.vehicle ?? demoVehicle, () => blankVehicleOf(options));
  const opening = openData(options, definitions.vehicle, () => station);
  const [opened, pages, given] = await Promise.allSettled([opening, pagesReady(), definitions.vehicle]);
  const close = async () => {
    await definitions.close();
    if (opened.status === 'rejected') return;
    const { sessions, tasks, dyno, drivenNow, searches, imports, engineHistory } = opened.value;
    await Promise.all([
      sessions.close(),
      tasks.close(),
      dyno.close(),
      drivenNow.close(),
      searches.close(),
      imports.close(),
      engineHistory.close(),
    ]);
    await opened.value.recorder.stop();
  };
  try {
    const vehicle = resultOf(given);
    const session = new (await import('../clock.ts')).SessionClock();
    const sources = await openSources(vehicle, options, session);
    const { Station } = await import('../station.ts');
    const { openCheckDesk } = await import('../live/check-desk.ts');
    const { dataFolder } = await import('../settings.ts');
    const { VehicleEditor } = await import('../editing/vehicle-editor.ts');
    const { recorder, sessions, tasks, searches, imports, runs, signOffs, logBook, attachments, dyno, drivenNow, engineHistory, network } =
      resultOf(opened);
    recorder.describeStamps(stampsOf(vehicle, sources));
    station = new Station({ vehicle, sources, session, recorder });
    const { wallMs } = (await import('../clock.ts')).machineClock;
    const startedWallMs = wallMs() - session.nowUs() / 1000;
    const checks = await openCheckDesk({ station, runs, logBook, signOffs, data: dataFolder(options.data), startedWallMs });
    station.watcher = checks.live;
    const [{ LivePulls }, { FirstPull }] = await Promise.all([import('../live/live-pulls.ts'), import('../live/first-pull.ts')]);
    const livePulls = new LivePulls(station, station.channels, drivenNow, new FirstPull(dataFolder(options.data), wallMs));
    station.sampleWatcher = livePulls;
    livePulls.start();
    const editor = new VehicleEditor(options.vehicle ?? demoVehicle);
    const { findUnderWay } = await import('../live/under-way.ts');
    const watched = { station, pulls: livePulls, checks };
    const { beginning, begun } = await openBeginning(options, failed, () => findUnderWay(watched));
    const { made: _made, ...reached } = network;
    const server = await resultOf(pages)(
      {
        station,
        sessions,
        tasks,
        searches,
        imports,
        checks,
        signOffs,
        logBook,
        attachments,
        dyno,
        engineHistory,
        livePulls,
        editor,
        beginning,
        ...reached,
      },
      options.port,
    );
    definitions.follow(station);
    tellStart(vehicle, sources, server.url);
    if (await blankVehicleOf(options)) process.stderr.write(`The vehicle folder is empty: begin at ${server.url}#/begin\n`);
    await tellNetwork(network, server.port);
    const next = await Promise.race([stopped, begun]);
    if (typeof next === 'number') process.exitCode = next;
    // Whoever reads a session keeps its log beside it: readers go before the recorder closes it.
    livePulls.close();
    await Promise.all([
      sessions.close(),
      tasks.close(),
      dyno.close(),
      drivenNow.close(),
      searches.close(),
      imports.close(),
      engineHistory.close(),
    ]);
    await server.close();
    await Promise.all([checks.live.close(), editor.close()]);
    // The same port, and the passphrases that are kept by now.
    const { passphraseFile: _file, askPassphrases: _ask, newPassphrases: _new, ...kept } = options;
    return typeof next === 'number' ? undefined : { ...kept, ...next, port: server.port, before: { ...kept, port: server.port } };
  } finally {
    await close();
  }
}

/** An empty folder is where a vehicle begins; one that isn't there is a mistake in its name. */
async function blankVehicleOf({ vehicle, bus, bitRate }: ServeOptions): Promise<Vehicle | undefined> {
  const { isBlankFolder, toBlankVehicle } = await import('../editing/blank-vehicle.ts');
  if (vehicle === undefined || !isBlankFolder(vehicle)) return undefined;
  return toBlankVehicle(
    bus.map((text) => text.slice(0, Math.max(0, text.indexOf('=')))),
    bitRate,
  );
}

async function openBeginning({ vehicle, bus, data }: ServeOptions, failed: string | undefined, underWay: () => string[]) {
  const { Beginning } = await import('../editing/beginning.ts');
  const { dataFolder } = await import('../settings.ts');
  const served = { folder: vehicle ?? demoVehicle, demo: vehicle === undefined, buses: bus, data: dataFolder(data) };
  let startAgain: (next: Pick<ServeOptions, 'vehicle' | 'bus' | 'bitRate'>) => void = () => undefined;
  const begun = new Promise<Pick<ServeOptions, 'vehicle' | 'bus' | 'bitRate'>>((resolve) => {
    startAgain = resolve;
  });
  const beginning = new Beginning(
    { ...served, ...(failed === undefined ? {} : { failed }) },
    // The answer goes out first.
    {
      underWay,
      startAgain: ({ folder, buses, ...rate }) => void setTimeout(startAgain, answerFirstMs, { vehicle: folder, bus: buses, ...rate }),
    },
  );
  return { beginning, begun };
}

/** Bus → how good the time stamps of its source are. */
function stampsOf(vehicle: Vehicle, sources: readonly Source[]): Record<string, string> {
  return Object.fromEntries(sources.map(({ bus, stampQuality }) => [vehicle.buses[bus]?.name ?? String(bus), stampQuality]));
}

/** @throws what it was rejected with */
function resultOf<T>(settled: PromiseSettledResult<T>): T {
  if (settled.status === 'rejected') throw settled.reason;
  return settled.value;
}

/** What records, and what is recorded. */
async function openData(options: ServeOptions, vehicle: Promise<Vehicle>, station: () => Station | undefined) {
  const { data, keep, keepDays } = options;
  const [
    { Recorder },
    { Sessions },
    { SessionTasks },
    { SignalSearches },
    { RecordedImports },
    { CheckRuns },
    { SignOffs },
    { LogBook },
    { Attachments },
    { DynoDesk },
    { EngineHistoryDesk },
    { dataFolder },
  ] = await Promise.all([
    import('../recording/recorder.ts'),
    import('../recording/sessions.ts'),
    import('../recording/session-tasks.ts'),
    import('../recording/signal-searches.ts'),
    import('../recording/recorded-imports.ts'),
    import('../recording/check-runs.ts'),
    import('../recording/sign-offs.ts'),
    import('../recording/log-book.ts'),
    import('../recording/attachments.ts'),
    import('../recording/dyno-desk.ts'),
    import('../recording/engine-history-desk.ts'),
    import('../settings.ts'),
  ]);
  const folder = dataFolder(data);
  const kept = { ...(keep === undefined ? {} : { bytesMax: keep }), ...(keepDays === undefined ? {} : { daysMax: keepDays }) };
  const recorder = await Recorder.open(folder, vehicle, {
    keep: kept,
    onStatus: (status) => station()?.recordingChanged(status),
    onSpace: (freeBytes) => station()?.spaceChanged(freeBytes),
  });
  // Not before the data folder is ours: another server's passphrases are not to be changed.
  const network = await openNetwork(options, folder).catch(async (error) => {
    await recorder.stop();
    throw error;
  });
  const sessions = new Sessions(folder, recorder, kept);
  const tasks = new SessionTasks({
    data: folder,
    // Only pages ask, and they are up once the station is. A vehicle that can't be read must not leave the recorder open.
    vehicle: () => (station() as Station).vehicle,
    release: (session) => sessions.release(session),
  });
  return {
    recorder,
    sessions,
    tasks,
    runs: new CheckRuns(folder),
    signOffs: new SignOffs(folder),
    logBook: new LogBook(folder),
    network,
    imports: new RecordedImports(folder, () => (station() as Station).vehicle),
    searches: new SignalSearches(folder, () => (station() as Station).vehicle),
    attachments: new Attachments(folder),
    dyno: new DynoDesk(folder),
    engineHistory: new EngineHistoryDesk(folder),
    // A worker of its own: what has just been driven doesn't wait until somebody's study is done.
    drivenNow: new DynoDesk(folder),
  };
}

/** The definitions of a folder while the server runs. */
interface Definitions {
  /** The folder's vehicle at the start. Rejected with VEHICLE_INVALID, INPUT_FILE_UNREADABLE. */
  vehicle: Promise<Vehicle>;
  /** From now on a good save takes effect at the next instant; a broken one is shown, and the last good set stays. */
  follow(station: Station): void;
  close(): Promise<void>;
}

/** @param blank The vehicle that stands in for an empty folder. */
async function readDefinitions(folder: string, blank: () => Promise<Vehicle | undefined>): Promise<Definitions> {
  const { watchVehicle } = await import('../definitions/watch-vehicle.ts');
  const inThisThread = async () => (await import('../definitions/load-vehicle.ts')).getVehicle(folder);
  let station: Station | undefined;
  let saves = 0;
  let newest: LoadedVehicle | undefined;
  const show = (saved: LoadedVehicle) => (saved.vehicle ? station?.define(saved.vehicle) : station?.showProblems(saved.problems));
  let opened: Promise<{ close(): Promise<void> }> | undefined;
  const vehicle = new Promise<Vehicle>((resolve, reject) => {
    const told = (saved: LoadedVehicle) => {
      newest = saved;
      if (++saves > 1) show(saved);
      else if (saved.vehicle) resolve(saved.vehicle);
      // Errors are told by whom every command uses, with the place of each.
      else blank().then((empty) => (empty ? resolve(empty) : inThisThread().then(resolve, reject)), reject);
    };
    opened = watchVehicle(folder, undefined, told, () => inThisThread().then(resolve, reject));
  });
  return {
    vehicle,
    follow(running) {
      station = running;
      if (saves > 1 && newest) show(newest);
    },
    close: async () => (await opened)?.close(),
  };
}

/** Reads what serves pages; the result opens the port. */
async function pagesReady() {
  const [{ startServer }, { programVersion: version }, { logLevel }, { pino }] = await Promise.all([
    import('../http/server.ts'),
    import('../version.ts'),
    import('../settings.ts'),
    import('pino'),
  ]);
  const logger = pino({ level: logLevel }, pino.destination({ fd: 2, sync: true }));
  return (parts: Omit<AppParts, 'version'> & { station: Station }, port: number) =>
    startServer({ ...parts, version, webFolder: join(projectRoot, 'dist', 'web'), logger }, port);
}

/** The address is the answer; what to know about this start goes to standard error. */
function tellStart(vehicle: Vehicle, sources: readonly Source[], url: string): void {
  process.stdout.write(`Evenburn shows ${vehicle.name} at ${url}\n`);
  for (const bus of vehicle.buses) {
    if (sources.some((source) => source.bus === bus.index)) continue;
    process.stderr.write(
      `Bus ${bus.name} has no source: add --bus ${bus.name}=SOURCE, or say its \`interface\` in vehicle.yaml (buses: ${bus.name}: interface: can0).\n`,
    );
  }
  if (sources.every((source) => source.stampQuality === 'simulated' || source.stampQuality === 'file')) return;
  process.stderr.write(
    'It listens and advises; protection belongs in the engine controller. Keep people clear of the plane of rotation, mind fuel, exhaust gas and hot parts.\n',
  );
}

/** The source of each bus that has one: as given, else the vehicle's interfaces; the demo vehicle is simulated. */
async function openSources(vehicle: Vehicle, options: ServeOptions, session: SessionClock): Promise<Source[]> {
  const { openSource } = await import('../bus/open-source.ts');
  const given = givenSources(vehicle, options.bus);
  const sources: Source[] = [];
  for (const bus of vehicle.buses) {
    const text = given.get(bus.index) ?? defaultSource(vehicle, bus.index, options);
    if (text !== undefined) sources.push(await openSource(text, bus.index, vehicle, session));
  }
  return sources;
}

function givenSources(vehicle: Vehicle, texts: readonly string[]): Map<number, string> {
  const given = new Map<number, string>();
  for (const text of texts) {
    const equals = text.indexOf('=');
    if (equals < 1 || equals === text.length - 1) throw usage(`--bus '${text}' is not NAME=SOURCE`);
    const name = text.slice(0, equals);
    const bus = vehicle.buses.find((candidate) => candidate.name === name);
    if (!bus) throw usage(`--bus '${text}': the vehicle's buses are ${vehicle.buses.map((one) => one.name).join(', ')}`);
    if (given.has(bus.index)) throw usage(`--bus '${text}': ${name} has a source already`);
    given.set(bus.index, text.slice(equals + 1));
  }
  return given;
}

function usage(what: string): EvenburnError {
  return new EvenburnError('USAGE_WRONG', { what });
}

function defaultSource(vehicle: Vehicle, bus: number, options: ServeOptions): string | undefined {
  if (options.vehicle === undefined) return 'simulator';
  // With some buses given by hand the others are left alone: their interfaces may not be there today.
  if (options.bus.length > 0) return undefined;
  const { interface: name } = vehicle.buses[bus] ?? {};
  return name === undefined ? undefined : `socketcan:${name}`;
}

/** Resolves to the exit code: at Ctrl-C, at a request to end, or when the npm that started this program has gone. */
async function untilStopped(): Promise<number> {
  const { startedByNpm } = await import('../settings.ts');
  return new Promise((resolve) => {
    let asked = 0;
    process.on('SIGINT', () => {
      resolve(130);
      // Whoever asks three times doesn't want to wait for the disk; a kill loses a quarter of a second at most.
      if (++asked === 3) process.exit(130);
    });
    process.once('SIGTERM', () => resolve(0));
    process.once('SIGHUP', () => resolve(0));
    if (!startedByNpm) return;
    const parent = process.ppid;
    setInterval(() => {
      if (process.ppid !== parent) resolve(0);
    }, parentLookIntervalMs).unref();
  });
}
