// The whole server on one source, recorded, with pages on it: what was sent, recorded and counted as lost, and what the reader cost.
import { fork } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { SessionClock } from '../../dist/server/clock.js';

/** Of /proc/PID/stat: a hundredth of a second everywhere (sysconf(_SC_CLK_TCK)). */
const tickUs = 10_000;
const stallMs = 300;
const askEveryMs = 20;
/** More than two looks at the counters, half a second apart. */
const settleMs = 2000;
/** Nothing more comes after this. */
const silenceMs = 5000;

/** The demo vehicle, whose first bus gets the frames. */
export async function benchVehicle() {
  const { getVehicle } = await import('../../dist/server/definitions/load-vehicle.js');
  return await getVehicle(fileURLToPath(new URL('../../bus-definitions/garganey', import.meta.url)));
}

/** Ids of that bus's frames. */
export function benchIds(vehicle) {
  return vehicle.buses[0].frames.filter(({ id, extended }) => id !== undefined && !extended).map(({ id }) => id);
}

export async function until(condition, what, timeoutMs = 60_000) {
  const end = performance.now() + timeoutMs;
  while (!condition()) {
    if (performance.now() > end) throw new Error(`waited in vain for ${what}`);
    await new Promise((resolve) => setTimeout(resolve, askEveryMs));
  }
}

/** CPU time of a process so far, microseconds; undefined when it has ended. */
function cpuUsOf(pid) {
  try {
    const fields = readFileSync(`/proc/${pid}/stat`, 'latin1').split(') ')[1].split(' ');
    return (Number(fields[11]) + Number(fields[12])) * tickUs;
  } catch {
    return undefined;
  }
}

/** Pages in a process of their own, as browsers are. */
function openPages(port, clients) {
  const child = fork(fileURLToPath(new URL('latency-pages.mjs', import.meta.url)), [String(port), String(clients)]);
  return {
    packets: () =>
      new Promise((resolve) => {
        child.once('message', ({ latenciesMs }) => resolve(latenciesMs.length));
        child.send('how many');
      }),
    close: () => child.disconnect(),
  };
}

/** Frames and counted losses that the session files of a folder hold. Late frames are recorded, and no loss. */
async function readBack(data) {
  const { SessionFile } = await import('../../dist/server/recording/session-file.js');
  const { sessionNumbers } = await import('../../dist/server/recording/data-folder.js');
  const back = { recorded: 0, lost: {}, late: 0 };
  for (const session of sessionNumbers(data)) {
    const file = SessionFile.open(data, session);
    for (const input of file.record()) {
      if (input.kind === 'frames') back.recorded += input.batch.count;
      else if (input.kind === 'loss' && input.place === 'late') back.late += input.count;
      else if (input.kind === 'loss') back.lost[input.place] = (back.lost[input.place] ?? 0) + input.count;
    }
    file.close();
  }
  return back;
}

/** A source, and beside it what it told: so that the bench knows when it is open and what has come. */
function watched(source) {
  const seen = { state: 'down', taken: 0, failed: undefined };
  const start = source.start.bind(source);
  source.start = (listener) =>
    start({
      ...listener,
      frames(batch, watermarkUs) {
        seen.taken += batch.count;
        listener.frames(batch, watermarkUs);
      },
      state(state, detail) {
        seen.state = state;
        listener.state(state, detail);
      },
      loss(place, count) {
        seen.taken += count;
        listener.loss(place, count);
      },
      failed(error) {
        seen.failed = error;
        listener.failed(error);
      },
    });
  return seen;
}

/** CPU time of this process and of the reader while there is traffic, in percent of a core, beside what the traffic says. */
async function withCpu(source, traffic) {
  const before = { own: process.cpuUsage(), reader: cpuUsOf(source.readerId) };
  const { sent, seconds } = await traffic(source);
  const { user, system } = process.cpuUsage(before.own);
  const readerUs = (cpuUsOf(source.readerId) ?? 0) - (before.reader ?? 0);
  const percent = (us) => Math.round(us / 1e3 / seconds) / 10;
  return { sent, seconds, readerCpu: percent(readerUs), serverCpu: percent(user + system) };
}

/** What is still on its way comes, however long that takes; what is found missing a little later has its time to be counted. */
async function settled(seen, sent) {
  for (let [taken, sinceMs] = [-1, 0]; seen.taken < sent && (taken !== seen.taken || performance.now() - sinceMs < silenceMs); ) {
    if (taken !== seen.taken) [taken, sinceMs] = [seen.taken, performance.now()];
    await new Promise((resolve) => setTimeout(resolve, askEveryMs));
  }
  await new Promise((resolve) => setTimeout(resolve, settleMs));
}

const sumOf = (lost) => Object.values(lost).reduce((sum, count) => sum + count, 0);

/** The same account of a source alone, whose frames are counted and thrown away: `taken` instead of `recorded`, and no pages. */
export async function accountAlone({ open, traffic }) {
  const source = await open(new SessionClock(), await benchVehicle());
  const lost = {};
  const seen = watched(source);
  let taken = 0;
  source.start({
    frames: (batch) => {
      taken += batch.count;
    },
    state() {},
    loss: (place, count) => {
      lost[place] = (lost[place] ?? 0) + count;
    },
    status() {},
    end() {},
    failed() {},
  });
  await until(() => seen.failed || seen.state === 'up', 'the source');
  if (seen.failed) throw seen.failed;
  const cost = await withCpu(source, traffic);
  await settled(seen, cost.sent);
  await source.stop();
  return { ...cost, taken, lost, uncounted: cost.sent - taken - sumOf(lost) };
}

/**
 * Runs a server on one source and gives the account.
 *
 * @param open Makes the source, of bus 0: (clock, vehicle) → source.
 * @param traffic Sends the frames once everything is up; resolves to {sent, seconds}: how many by the count of whoever carried them.
 * @param stallEverySeconds How often the server stands still for 300 ms, as a garbage collection makes it; 0 never.
 * @returns {sent, recorded, lost by place, late, uncounted, seconds, joined, packetsASecond, readerCpu and serverCpu in percent of a core}.
 */
export async function accountOf({ open, traffic, clients, stallEverySeconds }) {
  const [{ Station }, { Recorder }, { startServer }] = await Promise.all([
    import('../../dist/server/station.js'),
    import('../../dist/server/recording/recorder.js'),
    import('../../dist/server/http/server.js'),
  ]);
  const vehicle = await benchVehicle();
  const data = mkdtempSync(join(tmpdir(), 'evenburn-sources-'));
  try {
    const clock = new SessionClock();
    const source = await open(clock, vehicle);
    const seen = watched(source);
    const recorder = await Recorder.open(data, vehicle);
    const station = new Station({ vehicle, sources: [source], session: clock, recorder });
    const running = await startServer({ station, version: 'bench' }, 0);
    const pages = openPages(running.port, clients);
    await until(() => seen.failed || (seen.state === 'up' && running.gateway.clientCount === clients), 'the source and the pages');
    if (seen.failed) throw seen.failed;
    const stallMsEach = stallEverySeconds > 0 ? setInterval(standStill, stallEverySeconds * 1000) : undefined;
    await pages.packets();
    const cost = await withCpu(source, traffic);
    clearInterval(stallMsEach);
    const [packets, joined] = [await pages.packets(), running.gateway.clientCount];
    await settled(seen, cost.sent);
    pages.close();
    await running.close();
    await recorder.stop();
    const back = await readBack(data);
    return {
      ...cost,
      ...back,
      uncounted: cost.sent - back.recorded - sumOf(back.lost),
      joined,
      packetsASecond: packets / clients / cost.seconds,
    };
  } finally {
    rmSync(data, { recursive: true, force: true });
  }
}

function standStill() {
  const end = performance.now() + stallMs;
  while (performance.now() < end);
}
