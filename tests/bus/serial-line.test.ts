import { afterEach, describe, expect, it } from 'vitest';
import type { ReaderNote } from '../../server/bus/batch-wire.ts';
import { SerialLineDriver, type SerialLineOptions } from '../../server/bus/serial-line.ts';
import { findAgain } from '../../server/bus/serial-port.ts';
import { type Habits, SerialAdapter } from '../doubles/serial-adapter.ts';
import { eventually } from '../waiting.ts';

const times = { answerMs: 20, flushMs: 1, retryMinMs: 5, retryMaxMs: 20, pollMs: 15, silenceMs: 30 };
const polite: Habits = (command) => (command === 'V' ? 'V1013\r' : command === 'F' ? 'F00\r' : '\r');
const refusing =
  (...commands: string[]): Habits =>
  (command) =>
    commands.includes(command) ? '\x07' : polite(command);

const drivers: SerialLineDriver[] = [];

afterEach(async () => {
  await Promise.all(drivers.splice(0).map((driver) => driver.stop()));
});

function started(habits: Habits, options: Partial<SerialLineOptions> = {}, plugged = '/dev/ttyACM0') {
  const bench = new SerialAdapter(habits);
  bench.path = plugged;
  const notes: ReaderNote[] = [];
  const frames: { timeUs: number; id: number }[] = [];
  const clock = { us: 1_000_000 };
  const taker = {
    floorUs: 0,
    frame: (timeUs: number, id: number) => frames.push({ timeUs, id }),
    note: (note: ReaderNote) => notes.push(note),
    looked() {},
  };
  const all: SerialLineOptions = { port: '/dev/ttyACM0', baud: 115_200, bitRate: 500_000, acknowledges: false, ...options };
  const driver = new SerialLineDriver(all, bench.open, taker, () => clock.us, times);
  drivers.push(driver);
  driver.start();
  const states = () => notes.filter((note) => note.note === 'up' || note.note === 'down' || note.note === 'failed');
  const status = () =>
    Object.assign({}, ...notes.filter((note) => note.note === 'status').map((note) => note.status)) as Record<string, unknown>;
  const isUp = () => eventually(() => expect(states().at(-1)?.note).toBe('up'));
  return { bench, notes, frames, clock, driver, states, status, isUp };
}

describe('a serial-line adapter', () => {
  it('is closed, set to the bit rate and opened listening only, one command at a time', async () => {
    const { bench, isUp } = started(polite);
    await isUp();
    expect(bench.written.slice(0, 6)).toEqual(['\r\r\r', 'C\r', 'V\r', 'S6\r', 'Z1\r', 'L\r']);
  });

  it('is never told to send, whatever happens: only set-up and queries are written', async () => {
    const { bench, isUp, driver } = started(refusing('Z1', 'F'));
    await isUp();
    bench.say('t1231FF\rz\rZ\rgarbage\r\x07\x07');
    bench.pull();
    bench.isPresent = true;
    await eventually(() => expect(bench.opened.length).toBe(2));
    await isUp();
    await driver.stop();
    const commands = bench.written.flatMap((text) => text.split('\r').filter(Boolean));
    expect(commands.filter((command) => !/^(C|V|F|L|Z1|S[0-9]|Y[0-9])$/.test(command))).toEqual([]);
    expect(commands.at(-1)).toBe('C');
  });

  it('is not opened to take part when it refuses to listen only', async () => {
    const { bench, states } = started(refusing('L'));
    await eventually(() => expect(states().at(-1)).toMatchObject({ note: 'failed', code: 'SERIAL_ADAPTER_REFUSES' }));
    expect(bench.written.join('')).not.toContain('O\r');
  });

  it('takes part only by the person’s own choice, and says so', async () => {
    const { bench, states, status, isUp } = started(polite, { acknowledges: true });
    await isUp();
    expect(bench.written.join('')).toContain('O\r');
    expect(bench.written.join('')).not.toContain('L\r');
    expect(states().at(-1)).toMatchObject({ detail: expect.stringContaining('acknowledges, sends nothing') });
    expect(status().listenOnly).toBe(false);
  });

  it('refuses a bit rate that it does not know', async () => {
    const { states } = started(refusing('S6'));
    await eventually(() => expect(states().at(-1)).toMatchObject({ note: 'failed', details: { what: 'bit rate 500000 bit/s' } }));
  });

  it('is listened to though it never answers, and that is said', async () => {
    const { bench, frames, status, isUp } = started(() => undefined);
    await isUp();
    bench.say('t1231FF\r');
    expect(frames).toEqual([{ timeUs: 1_000_000, id: 0x123 }]);
    expect(status().notes).toContainEqual(expect.stringContaining('unacknowledged'));
  });

  it('gives frames the time of arrival where it has no stamps', async () => {
    const { bench, clock, frames, status, isUp } = started(refusing('Z1'));
    await isUp();
    clock.us = 2_000_000;
    bench.say('t1231FF\r');
    clock.us = 2_500_000;
    bench.say('t1231FF\r');
    expect(frames.map(({ timeUs }) => timeUs)).toEqual([2_000_000, 2_500_000]);
    expect(status().stampQuality).toBe('process');
  });

  it('gives frames its own spacing where it stamps them', async () => {
    const { bench, clock, frames, status, isUp } = started(polite);
    await isUp();
    clock.us = 2_000_000;
    bench.say('t1231FF0064\r');
    clock.us = 2_030_000;
    bench.say('t1231FF006E\rt1231FF0078\r');
    expect(frames.map(({ timeUs }) => Math.round(timeUs / 100) * 100)).toEqual([2_000_000, 2_010_000, 2_020_000]);
    expect(status().stampQuality).toBe('adapter');
  });

  it('counts an unreadable line as a frame lost, and goes on', async () => {
    const { bench, frames, notes, isUp } = started(polite);
    await isUp();
    bench.say('t123\xff\xfe1FF\rt1231FF\r');
    expect(frames).toHaveLength(1);
    expect(notes.filter((note) => note.note === 'adapter-loss')).toEqual([{ note: 'adapter-loss', count: 1 }]);
  });

  it('polls the status flags and counts an overrun', async () => {
    const { notes, status, isUp } = started((command) => (command === 'F' ? 'F28\r' : polite(command)));
    await isUp();
    await eventually(() => expect(notes.some((note) => note.note === 'adapter-loss')).toBe(true));
    await eventually(() => expect(status()).toMatchObject({ adapter: '1013', controller: 'error-passive' }));
  });

  it('stops asking for flags that the adapter does not know, and says what that hides', async () => {
    const { bench, status, isUp } = started(refusing('F'));
    await isUp();
    await eventually(() => expect(status().notes).toContainEqual(expect.stringContaining('overruns cannot be seen')));
    expect(bench.written.filter((text) => text === 'F\r')).toHaveLength(1);
  });

  it('notices a dead line that neither speaks nor answers, and opens it again', async () => {
    let isDead = false;
    const { bench, clock, states, isUp } = started((command) => (isDead ? undefined : refusing('F')(command)));
    await isUp();
    isDead = true;
    clock.us += 60_000_000;
    await eventually(() => expect(states().some((note) => note.note === 'down' && note.detail.includes('answers nothing'))).toBe(true));
    isDead = false;
    await eventually(() => expect(bench.opened.length).toBe(2));
    await isUp();
  });

  it('is found again under another name after unplugging', async () => {
    const { bench, frames, states, isUp } = started(polite);
    await isUp();
    bench.pull();
    await eventually(() => expect(states().at(-1)).toMatchObject({ note: 'down', detail: expect.stringContaining('/dev/ttyACM0') }));
    bench.path = '/dev/ttyACM1';
    bench.isPresent = true;
    await eventually(() => expect(states().at(-1)?.note).toBe('up'));
    expect(bench.opened).toEqual(['/dev/ttyACM0', '/dev/ttyACM1']);
    bench.say('t1231FF\r');
    expect(frames).toHaveLength(1);
  });

  it('may say each command back before it answers: that is no answer, and no frame lost', async () => {
    const { bench, notes, frames, status, isUp } = started((command) => `${command}\r${polite(command)}`);
    await isUp();
    const polls = () => bench.written.filter((text) => text === 'F\r').length;
    await eventually(() => expect(polls()).toBeGreaterThan(3));
    bench.say('t1231FF\r');
    expect(frames).toHaveLength(1);
    expect(status()).toMatchObject({ adapter: '1013', controller: 'error-active', malformedLines: 0 });
    expect(notes.filter(({ note }) => note === 'adapter-loss')).toEqual([]);
  });

  it('that refuses when it is plugged in again is tried until it takes its set-up', async () => {
    const { bench, states, isUp } = started(polite);
    await isUp();
    bench.pull();
    bench.habits = refusing('S6');
    bench.isPresent = true;
    await eventually(() => expect(bench.opened.length).toBeGreaterThan(3));
    expect(states().at(-1)).toMatchObject({ note: 'down', detail: expect.stringContaining('500000 bit/s') });
    bench.habits = polite;
    await isUp();
    expect(states().filter(({ note }) => note === 'failed')).toEqual([]);
  });

  it('is set up from the beginning when it sleeps through the first commands, as a board does that starts anew when opened', async () => {
    const asleep = new Set(['C', 'V', 'S6']);
    const heard: string[] = [];
    const { bench, frames, status, isUp } = started((command) => {
      heard.push(command);
      // Awake from the fourth command on; closed and without a bit rate until it hears one.
      if (heard.length <= 3 && asleep.has(command)) return undefined;
      return command === 'L' && !heard.slice(3).includes('S6') ? '\x07' : polite(command);
    });
    await isUp();
    expect(bench.written.filter((text) => text === 'S6\r')).toHaveLength(2);
    expect(bench.written.filter((text) => text === 'L\r')).toHaveLength(1);
    expect(status().notes).toEqual([]);
    bench.say('t1231FF\r');
    expect(frames).toHaveLength(1);
  });

  it('that is pulled in the middle of its set-up is never said to be open, and the next one is asked one command at a time', async () => {
    const { bench, states, isUp } = started((command) => (command === 'S6' ? undefined : polite(command)));
    await eventually(() => expect(bench.written).toContain('S6\r'));
    bench.pull();
    await eventually(() => expect(states().some(({ note }) => note === 'down')).toBe(true));
    bench.habits = polite;
    bench.written = [];
    bench.isPresent = true;
    await isUp();
    expect(states().filter(({ note }) => note === 'up')).toHaveLength(1);
    expect(bench.written.slice(0, 6)).toEqual(['\r\r\r', 'C\r', 'V\r', 'S6\r', 'Z1\r', 'L\r']);
  });

  it('is back on the bus after bus-off, whatever its flags say in between', async () => {
    const { bench, notes, states, status, isUp } = started(polite);
    await isUp();
    bench.say('sb000256\r');
    expect(states().at(-1)).toMatchObject({ note: 'down', detail: expect.stringContaining('bus-off') });
    const polls = () => bench.written.filter((text) => text === 'F\r').length;
    const before = polls();
    await eventually(() => expect(polls()).toBeGreaterThan(before + 1));
    expect(status().controller).toBe('bus-off');
    bench.say('sa000000\r');
    expect(states().at(-1)).toMatchObject({ note: 'up', detail: expect.stringContaining('back on the bus') });
    bench.say('sb000256\r');
    bench.say('t1231FF\r');
    expect(states().at(-1)).toMatchObject({ note: 'up', detail: expect.stringContaining('frames come again') });
    expect(notes.filter(({ note }) => note === 'down')).toHaveLength(2);
  });

  it('that knows neither version nor flags is not taken for dead on a silent bus', async () => {
    const { bench, clock, notes, states, isUp } = started((command) => (command === 'V' || command === 'F' ? undefined : polite(command)));
    await isUp();
    clock.us += 60_000_000;
    await eventually(() => expect(bench.written.filter((text) => text === 'F\r')).toHaveLength(2));
    // Each poll ends in a status: some more of them, at the first of which a dead line would be found.
    const statuses = () => notes.filter(({ note }) => note === 'status').length;
    const before = statuses();
    await eventually(() => expect(statuses()).toBeGreaterThan(before + 4));
    expect(states().map(({ note }) => note)).toEqual(['up']);
    expect(bench.written.filter((text) => text === 'V\r')).toHaveLength(1);
  });

  it('has its stamps used again after one without them stood in for it', async () => {
    const { bench, status, isUp } = started(refusing('Z1'));
    await isUp();
    expect(status().stampQuality).toBe('process');
    bench.pull();
    bench.habits = polite;
    bench.isPresent = true;
    await eventually(() => expect(status().stampQuality).toBe('adapter'));
    expect(status().notes).toEqual([]);
  });

  it.each([
    ['takes', polite, /takes 2 Mbit\/s/],
    ['refuses', refusing('Y2'), /refuses 2 Mbit\/s.*do not come through/],
    ['ignores', (command: string) => (command === 'Y2' ? undefined : polite(command)), /does not answer to 2 Mbit\/s/],
  ] as const)(
    'is told the bit rate of the data phase on a bus with FD, and what it does is said: it %s it',
    async (_title, habits, said) => {
      const { bench, status, isUp } = started(habits, { dataBitRate: 2_000_000 });
      await isUp();
      expect(bench.written.slice(0, 7)).toEqual(['\r\r\r', 'C\r', 'V\r', 'S6\r', 'Y2\r', 'Z1\r', 'L\r']);
      expect(status().notes).toContainEqual(expect.stringMatching(said));
    },
  );

  it('is not told a bit rate of the data phase that the protocol lacks', async () => {
    const { bench, status, isUp } = started(polite, { dataBitRate: 4_000_000 });
    await isUp();
    expect(bench.written.join('')).not.toContain('Y');
    expect(status().notes).toContainEqual(expect.stringContaining('know 2 and 5 Mbit/s in the data phase, and not 4 Mbit/s'));
  });

  it('is found under another name by the reader that follows one that died', async () => {
    const first = started(polite);
    await first.isUp();
    const up = first.states().at(-1);
    const seenPort = up?.note === 'up' ? up.openedPort : undefined;
    expect(seenPort).toMatchObject({ serialNumber: 'A1' });
    const next = started(polite, { ...(seenPort && { seenPort }) }, '/dev/ttyACM3');
    await next.isUp();
    expect(next.bench.opened).toEqual(['/dev/ttyACM3']);
  });

  it('is not mistaken for another of its kind', () => {
    const ports = [{ path: '/dev/ttyACM1', serialNumber: 'B2', vendorId: '1d50', productId: '606f' }];
    expect(findAgain(ports, '/dev/ttyACM0', { serialNumber: 'A1', vendorId: '1d50', productId: '606f' })).toBe('/dev/ttyACM0');
  });
});
