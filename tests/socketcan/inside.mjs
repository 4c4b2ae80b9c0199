// Runs inside user-mode Linux (see user-mode-linux.mjs): drives the built sources with the kernel's own tools and prints what happened as JSON.
// It judges nothing; the expectations are in socketcan.test.ts.
import { spawn } from 'node:child_process';
import { createWriteStream, existsSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { ReaderSource } from '../../dist/server/bus/reader.js';
import { SessionClock } from '../../dist/server/clock.js';

const scratch = tmpdir();
const clock = new SessionClock();

function run(command) {
  return new Promise((resolve, reject) => {
    const child = spawn('sh', ['-c', command], { stdio: ['ignore', 'pipe', 'pipe'] });
    let text = '';
    child.stdout.on('data', (chunk) => (text += chunk));
    child.stderr.on('data', (chunk) => (text += chunk));
    child.on('close', (code) => (code === 0 ? resolve(text) : reject(new Error(`${command}: ${text}`))));
  });
}

/** A program that stays until `stop` is called. */
function background(file, args, outPath, errorPath) {
  const child = spawn(file, args, { stdio: ['ignore', 'pipe', 'pipe'] });
  const ended = new Promise((resolve) => child.on('close', resolve));
  const save = (stream, path) => (path ? stream.pipe(createWriteStream(path)) : stream.resume());
  save(child.stdout, outPath);
  save(child.stderr, errorPath);
  return {
    stop: async () => {
      child.kill('SIGTERM');
      await ended;
    },
  };
}

async function until(condition, what, timeoutMs = 30_000) {
  const end = Date.now() + timeoutMs;
  while (!condition()) {
    if (Date.now() > end) throw new Error(`waited in vain for ${what}`);
    await new Promise((resolve) => setTimeout(resolve, 10));
  }
}

/** For how long in all this machine kept us from running, as a timer tells that comes late. */
function watchStalls() {
  const everyMs = 10;
  let [stalledMs, lastMs] = [0, performance.now()];
  const look = () => {
    const nowMs = performance.now();
    stalledMs += Math.max(0, nowMs - lastMs - everyMs);
    lastMs = nowMs;
  };
  const timer = setInterval(look, everyMs);
  return {
    end() {
      clearInterval(timer);
      look();
      return stalledMs;
    },
  };
}

const settle = () => new Promise((resolve) => setTimeout(resolve, 1200));

/** A source with all that it told. */
function listenTo(description, target, bus = 0) {
  const source = new ReaderSource(bus, description, target, clock);
  const seen = { source, frames: [], states: [], loss: {}, status: {}, failed: [], watermarkUs: -1 };
  source.start({
    frames(batch, watermarkUs) {
      for (let i = 0; i < batch.count; i++) {
        const timeUs = batch.timeUs[i];
        seen.frames.push({
          timeUs,
          id: batch.id[i],
          flags: batch.flags[i],
          length: batch.length[i],
          data: Buffer.from(batch.bytesOf(i)).toString('hex'),
        });
      }
      seen.watermarkUs = watermarkUs;
    },
    state: (state, detail) => seen.states.push({ state, detail, atUs: clock.nowUs() }),
    loss: (place, count) => (seen.loss[place] = (seen.loss[place] ?? 0) + count),
    status: (status) => (seen.status = status),
    end() {},
    failed: (error) => seen.failed.push({ code: error.code, message: error.message }),
  });
  return seen;
}

const isUp = (seen) => seen.states.at(-1)?.state === 'up';
const lost = (seen) => Object.values(seen.loss).reduce((sum, count) => sum + count, 0);
const statistic = (name, file) => Number(readFileSync(`/sys/class/net/${name}/statistics/${file}`, 'latin1'));

async function open(name) {
  const seen = listenTo(`socketcan:${name}`, { kind: 'socketcan', interface: name });
  await until(() => isUp(seen), `${name} to open`);
  return seen;
}

/** Everything sent since `before` has come or is counted. */
async function allAccounted(seen, before, sent) {
  const accounted = () => seen.frames.length - before.frames + lost(seen) - before.lost;
  await until(() => accounted() >= sent, `${sent} frames to be accounted for (now ${accounted()})`, 15_000).catch(() => {});
  await settle();
  return { sent, delivered: seen.frames.length - before.frames, lost: lost(seen) - before.lost, loss: { ...seen.loss } };
}

const stand = (seen) => ({ frames: seen.frames.length, lost: lost(seen) });

/** How many sockets receive, by the kernel's own lists. */
function receivers() {
  const lists = readdirSync('/proc/net/can').filter((name) => name.startsWith('rcvlist_'));
  return lists.flatMap((name) => readFileSync(join('/proc/net/can', name), 'latin1').match(/ raw$/gm) ?? []).length;
}

/** What another listener saw of `count` frames that `work` brings about. */
async function withDump(name, count, work) {
  const path = join(scratch, `${name}.dump`);
  const before = receivers();
  const dump = background('candump', ['-L', '-r', '4000000', name], path);
  await until(() => receivers() > before, 'the other listener to listen');
  await work();
  const lines = () => readFileSync(path, 'latin1').split('\n').slice(0, -1);
  // Fewer than that are judged outside.
  await until(() => lines().length >= count, 'the other listener', 15_000).catch(() => {});
  await dump.stop();
  const seen = lines();
  rmSync(path);
  return seen;
}

const cases = {
  async addon() {
    const require = createRequire(import.meta.url);
    const path = require.resolve('socketcan/build/Release/can.node');
    return { version: require('socketcan/package.json').version, native: readFileSync(path).subarray(1, 4).toString() };
  },

  /** Mixed frames, one every few milliseconds, beside what candump saw of them. */
  async paced() {
    const seen = await open('vcan0');
    const before = stand(seen);
    const dump = await withDump('vcan0', 500, async () => {
      await run('cangen vcan0 -g 3 -n 200 -I i -L i -D r');
      await run('cangen vcan0 -g 3 -n 100 -e -I r -L r -D r');
      await run('cangen vcan0 -g 3 -n 100 -R -I r -L r');
      await run('cangen vcan0 -g 3 -n 100 -f -I r -L r -D r');
    });
    const account = await allAccounted(seen, before, 500);
    await seen.source.stop();
    return {
      ...account,
      dump,
      frames: seen.frames,
      status: seen.status,
      sentByKernel: statistic('vcan0', 'tx_packets'),
    };
  },

  async flood() {
    const seen = await open('vcan0');
    const before = stand(seen);
    await run('cangen vcan0 -g 0 -n 50000 -I 123 -L 8 -D r');
    const account = await allAccounted(seen, before, 50_000);
    await seen.source.stop();
    return account;
  },

  async downAndUp() {
    const seen = await open('vcan0');
    const before = stand(seen);
    await run('cangen vcan0 -g 2 -n 50 -I 1 -L 8');
    await run('ip link set vcan0 down');
    await until(() => seen.states.at(-1)?.state === 'down', 'the source to say down');
    await run('ip link set vcan0 up');
    await run('cangen vcan0 -g 2 -n 50 -I 2 -L 8');
    await until(() => isUp(seen), 'the source to say up');
    await run('cangen vcan0 -g 2 -n 50 -I 3 -L 8');
    const account = await allAccounted(seen, before, 150);
    await seen.source.stop();
    return { ...account, states: seen.states, afterwards: seen.frames.filter((frame) => frame.id === 3).length };
  },

  async removedAndBack() {
    const seen = await open('vcan1');
    const before = stand(seen);
    await run('cangen vcan1 -g 2 -n 50 -I 1 -L 8');
    await settle();
    await run('ip link del vcan1');
    await until(() => seen.states.at(-1)?.state === 'down', 'the source to say down');
    await run('ip link add dev vcan1 type vcan && ip link set vcan1 up && cangen vcan1 -g 1 -n 50 -I 2 -L 8');
    await until(() => isUp(seen), 'the source to say up');
    await run('cangen vcan1 -g 2 -n 50 -I 3 -L 8');
    const account = await allAccounted(seen, before, 150);
    await seen.source.stop();
    return { ...account, states: seen.states, afterwards: seen.frames.filter((frame) => frame.id === 3).length };
  },

  async renamed() {
    const seen = await open('vcan1');
    const before = stand(seen);
    await run('cangen vcan1 -g 2 -n 50 -I 1 -L 8');
    await run('ip link set vcan1 down && ip link set vcan1 name track1 && ip link set track1 up');
    await until(() => seen.states.at(-1)?.detail.includes('track1'), 'the source to follow the name');
    await run('cangen track1 -g 2 -n 50 -I 3 -L 8');
    const account = await allAccounted(seen, before, 100);
    // A reader that dies now is followed by one that was told the old name.
    const first = seen.source.readerId;
    process.kill(first, 'SIGKILL');
    await until(() => seen.states.at(-1)?.state === 'down', 'the reader to be missed');
    await until(() => isUp(seen), 'the next reader to find it');
    await run('cangen track1 -g 2 -n 50 -I 4 -L 8');
    await until(() => seen.frames.filter((frame) => frame.id === 4).length === 50, 'the frames after the next reader', 15_000).catch(
      () => {},
    );
    await seen.source.stop();
    await run('ip link set track1 down && ip link set track1 name vcan1 && ip link set vcan1 up');
    return {
      ...account,
      states: seen.states,
      device: seen.status.device,
      byNextReader: seen.frames.filter((frame) => frame.id === 4).length,
      afterwards: seen.frames.filter((frame) => frame.id === 3).length,
    };
  },

  /** Every class of error frame and every bit of it; the one that says bus-off is followed by a restart. */
  async errorFrames() {
    const seen = await open('vcan0');
    const before = stand(seen);
    const { frames } = JSON.parse(readFileSync(join(import.meta.dirname, '..', 'fixtures', 'linux-error-frames.json'), 'utf8'));
    const hex = (id) => (0x20000000 | id).toString(16).padStart(8, '0');
    const dump = await withDump('vcan0,0:0,#FFFFFFFF', frames.length + 1, async () => {
      const sends = frames.map(({ id, data }) => `cansend vcan0 ${hex(id)}#${data}`);
      await run([...sends, 'cansend vcan0 004#1122334455667788'].join(' && '));
    });
    const account = await allAccounted(seen, before, frames.length + 1);
    await seen.source.stop();
    return { ...account, frames: seen.frames, dump, errors: seen.status.errorFrames, states: seen.states };
  },

  /** A text log that the exchange wrote is played by canplayer onto the bus, where candump and the source hear it. */
  async played() {
    const { FrameBatch, frameFlag } = await import('../../dist/server/bus/frame-batch.js');
    const { createFrameWriter } = await import('../../dist/server/exchange/frame-writer.js');
    const batch = new FrameBatch();
    const bytes = Uint8Array.from({ length: 64 }, (_, i) => (i * 7 + 3) & 0xff);
    for (let i = 0; i < 200; i++) {
      const timeUs = 1_700_000_000_000_454 + i * 5000;
      const kind = i % 4;
      if (kind === 0) batch.push(timeUs, 0, 0x100 + i, 0, bytes, i % 40, i % 9);
      else if (kind === 1) batch.push(timeUs, 0, 0x18fe0000 + i, frameFlag.extended, bytes, i % 40, 8);
      else if (kind === 2) batch.push(timeUs, 0, 0x300 + i, frameFlag.fd, bytes, 0, [12, 16, 20, 24, 32, 48, 64][i % 7]);
      else batch.push(timeUs, 0, 0x400 + i, frameFlag.remote, bytes, 0, i % 9);
    }
    const path = join(scratch, 'ours.log');
    const written = createFrameWriter('log', [{ name: 'engine', index: 0, interface: 'can0' }])
      .frames(batch)
      .toString();
    writeFileSync(path, written);
    const seen = await open('vcan0');
    const before = stand(seen);
    const dump = await withDump('vcan0', batch.count, () => run(`canplayer -I ${path} vcan0=can0`));
    const account = await allAccounted(seen, before, batch.count);
    await seen.source.stop();
    return { ...account, frames: seen.frames, dump, written: written.trim().split('\n') };
  },

  /** The reader is killed in the middle of steady traffic. */
  async killed() {
    const seen = await open('vcan0');
    const before = stand(seen);
    const traffic = run('cangen vcan0 -g 2 -n 3000 -I 55 -L 8');
    await until(() => seen.frames.length - before.frames > 300, 'traffic');
    const first = seen.source.readerId;
    process.kill(first, 'SIGKILL');
    const killedAt = performance.now();
    const stall = watchStalls();
    await until(() => seen.source.readerId !== undefined && seen.source.readerId !== first, 'another reader');
    const spawnedMs = performance.now() - killedAt;
    const stalledMs = stall.end();
    await until(() => isUp(seen), 'the source to be up again');
    const upMs = performance.now() - killedAt;
    await traffic;
    const account = await allAccounted(seen, before, 3000);
    await seen.source.stop();
    return { ...account, spawnedMs, stalledMs, upMs, restarts: seen.status.readerRestarts, states: seen.states };
  },

  /** The host's wall clock is set back an hour and forward two, in the middle of steady traffic. */
  async clockSet() {
    const seen = await open('vcan0');
    const before = stand(seen);
    const traffic = run('cangen vcan0 -g 5 -n 400 -I 7 -L 8');
    await until(() => seen.frames.length - before.frames > 100, 'traffic');
    await run('date -s "@$(($(date +%s) - 3600))"');
    await until(() => seen.frames.length - before.frames > 200, 'traffic');
    await run('date -s "@$(($(date +%s) + 7200))"');
    await traffic;
    await run('date -s "@$(($(date +%s) - 3600))"');
    const account = await allAccounted(seen, before, 400);
    await seen.source.stop();
    const gaps = seen.frames.slice(1).map((frame, i) => frame.timeUs - seen.frames[i].timeUs);
    return { ...account, gapMinUs: Math.min(...gaps), gapMaxUs: Math.max(...gaps), spanUs: gaps.reduce((a, b) => a + b, 0) };
  },

  /** Stopped while its socket is full: once by a reader that catches up, once by one that has to be killed. */
  async stopWithBacklog() {
    const accounts = [];
    for (const catchesUp of [true, false]) {
      const seen = await open('vcan0');
      // A socket's kernel stamps begin with the first frame that is read; earlier ones get the time of their reading.
      await run('cangen vcan0 -g 2 -n 20 -I 7 -L 8 -D i');
      await until(() => seen.frames.length >= 20, 'the first frames');
      // All that came earlier is in the account, so that what is counted below is of this stop.
      await settle();
      const before = stand(seen);
      process.kill(seen.source.readerId, 'SIGSTOP');
      const id = seen.source.readerId;
      await run('cangen vcan0 -g 0 -n 1000 -I 7 -L 8 -D i');
      const stopped = seen.source.stop();
      if (catchesUp) process.kill(id, 'SIGCONT');
      await stopped;
      accounts.push({ delivered: seen.frames.length - before.frames, lost: lost(seen) - before.lost, loss: seen.loss });
    }
    return { accounts };
  },

  async twoAtOnce() {
    const first = await open('vcan0');
    const second = await open('vcan1');
    const before = [stand(first), stand(second)];
    await Promise.all([run('cangen vcan0 -g 2 -n 300 -I 10 -L 8'), run('cangen vcan1 -g 3 -n 200 -I 20 -L 4')]);
    const accounts = [await allAccounted(first, before[0], 300), await allAccounted(second, before[1], 200)];
    await first.source.stop();
    await second.source.stop();
    return { accounts, ids: [first, second].map((seen) => [...new Set(seen.frames.map((frame) => frame.id))]) };
  },

  /** The whole server on two interfaces; what its session file holds afterwards, frames and counted losses. */
  async recorded() {
    const data = join(scratch, 'data');
    const args = [
      'serve',
      '--vehicle',
      'bus-definitions/garganey',
      '--bus',
      'engine=socketcan:vcan0',
      '--bus',
      'hull=socketcan:vcan1',
      '--data',
      data,
      '--port',
      '0',
    ];
    const starter = join(scratch, 'serve.mjs');
    const main = new URL('../../dist/program/main.js', import.meta.url).href;
    writeFileSync(starter, `const { main } = await import(${JSON.stringify(main)}); await main(${JSON.stringify(args)});`);
    const server = spawn(process.execPath, [starter], { stdio: ['ignore', 'pipe', 'pipe'] });
    const ended = new Promise((resolve) => server.on('close', resolve));
    let said = '';
    let problems = '';
    server.stdout.on('data', (chunk) => (said += chunk));
    server.stderr.on('data', (chunk) => (problems += chunk));
    await until(() => /http:\S+/.test(said), 'the server to say its address', 60_000).catch((error) => {
      throw new Error(`${error.message}: ${said} ${problems}`);
    });
    const health = async () => (await fetch(`${/http:\S+/.exec(said)[0].replace(/\/$/, '')}/api/health`)).json();
    let buses = [];
    const busesUntil = async (isSo, what) => {
      for (let tries = 0; tries < 200; tries++) {
        const answer = await health();
        buses = answer.buses ?? answer.status.buses;
        if (isSo(buses)) return;
        await new Promise((resolve) => setTimeout(resolve, 100));
      }
      throw new Error(`waited in vain for ${what}: ${JSON.stringify(buses)} ${problems}`);
    };
    await busesUntil((all) => all.every((bus) => bus.state === 'up'), 'both buses');
    // In the middle of it a time server finds the wall clock an hour slow.
    await Promise.all([
      run('cangen vcan0 -g 2 -n 1000 -I i -L 8 -D i'),
      run('cangen vcan1 -g 4 -n 400 -e -I i -L 8 -D i'),
      run('sleep 1 && date -s "@$(($(date +%s) + 3600))"'),
    ]);
    await busesUntil((all) => all.reduce((sum, bus) => sum + bus.frames, 0) >= 1400, 'all frames in the status');
    await run('cangen vcan0 -g 0 -n 5000 -I 7 -L 8 -D i');
    const accounted = (bus) => bus.frames + bus.loss.adapter + bus.loss.beforeReader + bus.loss.queue;
    await busesUntil((all) => accounted(all[0]) >= 6_000, 'the flood to be accounted for').catch(() => {});
    await settle();
    await busesUntil(() => true, 'the last status');
    server.kill('SIGTERM');
    const exit = await ended;
    const { SessionFile } = await import('../../dist/server/recording/session-file.js');
    const recorded = { frames: [0, 0], paced: [0, 0], loss: [{}, {}], wallSteps: [], backwards: 0, lastUs: 0 };
    let wall;
    const next = [0, 0];
    const { sessionNumbers } = await import('../../dist/server/recording/data-folder.js');
    const sessions = sessionNumbers(data);
    // One batch serves for all, so each is read before the next is asked for.
    function* inputs() {
      for (const session of sessions) {
        const file = SessionFile.open(data, session);
        yield* file.record();
        file.close();
      }
    }
    for (const input of inputs()) {
      if (input.kind === 'loss') recorded.loss[input.bus][input.place] = (recorded.loss[input.bus][input.place] ?? 0) + input.count;
      if (input.kind === 'clock') {
        const offsetMs = input.wallMs - input.timeUs / 1000;
        if (wall !== undefined) recorded.wallSteps.push(Math.round((offsetMs - wall) / 1000));
        wall = offsetMs;
      }
      if (input.kind !== 'frames') continue;
      for (let i = 0; i < input.batch.count; i++) {
        if (input.batch.timeUs[i] < recorded.lastUs) recorded.backwards++;
        recorded.lastUs = input.batch.timeUs[i];
        const bus = input.batch.bus[i];
        recorded.frames[bus]++;
        // The generator numbers its frames in their data, so that a frame missing, doubled or out of place shows.
        const number = input.batch.bytesOf(i)[0] + 256 * input.batch.bytesOf(i)[1];
        if (recorded.paced[bus] < [1000, 400][bus] && number === next[bus]) {
          next[bus]++;
          recorded.paced[bus]++;
        }
      }
    }
    return { sessions, said, recorded, status: buses, exit, problems };
  },

  /** The kernel's own serial-line driver at the other end of a pair of pseudo terminals, and everything that passes between them. */
  async serialLine() {
    const [ours, theirs] = [join(scratch, 'ours'), join(scratch, 'theirs')];
    const tap = join(scratch, 'tap');
    // -x writes every byte in hexadecimal to its standard error, with the way it goes.
    const pair = background('socat', ['-x', `pty,raw,echo=0,link=${ours}`, `pty,raw,echo=0,link=${theirs}`], undefined, tap);
    await until(() => existsSync(ours) && existsSync(theirs), 'the pair of terminals');
    const daemon = background('slcand', ['-F', '-s6', '-o', `..${theirs}`, 'slcan0']);
    let daemonText = '';
    await until(() => readFileSync('/proc/net/dev', 'latin1').includes('slcan0'), 'slcan0').catch((error) => (daemonText = String(error)));
    await run('ip link set slcan0 up');
    const seen = listenTo(`serial:${ours}`, { kind: 'serial', port: ours, baud: 115200, bitRate: 500_000, acknowledges: false });
    await until(() => isUp(seen), 'the serial line to open', 60_000);
    const dump = await withDump('slcan0', 5, async () => {
      for (const frame of ['123#DEADBEEF', '12345678#0102030405060708', '7FF#R4', '000#', '1ABCDEF0#R']) {
        await run(`cansend slcan0 ${frame}`);
        await new Promise((resolve) => setTimeout(resolve, 50));
      }
    });
    await until(() => seen.frames.length >= 5, 'the frames of the serial line', 10_000).catch(() => {});
    await seen.source.stop();
    await daemon.stop();
    await pair.stop();
    const bytes = { '>': '', '<': '' };
    let way = '>';
    for (const line of readFileSync(tap, 'latin1').split('\n')) {
      if (line.startsWith('>') || line.startsWith('<')) way = line[0];
      else if (/^( [0-9a-f]{2})+$/.test(line)) bytes[way] += Buffer.from(line.replaceAll(' ', ''), 'hex').toString('latin1');
    }
    return {
      frames: seen.frames,
      states: seen.states,
      status: seen.status,
      loss: seen.loss,
      dump,
      fromUs: bytes['>'],
      toUs: bytes['<'],
      daemonText,
    };
  },
};

await run('ip link add dev vcan0 type vcan && ip link set vcan0 mtu 72 && ip link set vcan0 up');
await run('ip link add dev vcan1 type vcan && ip link set vcan1 up');
const chosen = process.argv.slice(2);
const results = {};
for (const [name, work] of Object.entries(cases)) {
  if (chosen.length > 0 && !chosen.includes(name)) continue;
  const began = performance.now();
  try {
    results[name] = { ...(await work()), tookMs: Math.round(performance.now() - began) };
  } catch (error) {
    results[name] = { error: String(error?.stack ?? error) };
  }
}
process.stdout.write(JSON.stringify(results), () => process.exit(0));
