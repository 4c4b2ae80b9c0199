// Listens through a serial-line adapter inside a reader process: sets it up to listen only, and survives noise, silence and unplugging.
//
// The only bytes ever written are set-up and query commands (`C V S Y Z L O F` and bare returns); a transmit command exists nowhere.
import { EvenburnError } from '../errors.ts';
import type { FrameTaker } from './reader-outlet.ts';
import type { OpenPort, PortIdentity, SerialPortLink } from './serial-port.ts';
import {
  type AdapterFlags,
  AdapterStamps,
  type AdapterState,
  findDataRateDigit,
  findRateCaution,
  findRateDigit,
  SerialLineParser,
  serialDataBitRates,
} from './serial-protocol.ts';

export interface SerialLineOptions {
  port: string;
  /** Of the serial link; adapters on USB proper ignore it. */
  baud: number;
  /** bit/s of the bus. */
  bitRate: number;
  /** bit/s of the data phase, on a bus with CAN FD. */
  dataBitRate?: number;
  /** The adapter takes part: it acknowledges, and still sends nothing. Only ever by the person's own choice. */
  acknowledges: boolean;
  /** The adapter that was open before, under whatever name it has now. */
  seenPort?: PortIdentity;
}

/** Times, shortened by tests. */
export interface SerialLineTimes {
  answerMs: number;
  flushMs: number;
  retryMinMs: number;
  retryMaxMs: number;
  pollMs: number;
  silenceMs: number;
}

export const serialLineTimes: SerialLineTimes = {
  answerMs: 500,
  flushMs: 100,
  retryMinMs: 500,
  retryMaxMs: 5000,
  pollMs: 1000,
  silenceMs: 2000,
};

type Answer = 'ok' | 'refused' | 'none';
type Command = 'C' | 'V' | `S${number}` | `Y${number}` | 'Z1' | 'L' | 'O' | 'F';

/** Letters of a pushed error report, as the Linux driver reads them. */
const reportedErrors: Readonly<Record<string, string>> = {
  a: 'nobody acknowledged',
  b: 'bit error',
  B: 'bit error',
  c: 'checksum error',
  f: 'form error',
  o: 'receive overrun',
  O: 'send overrun',
  s: 'stuff error',
};

/** The port was pulled, or the driver stopped, in the middle of setting the adapter up: `gone` or `stop` has taken over. */
class SetUpOverError extends Error {}

const setUpTriesMax = 3;
const flagPollsUnansweredMax = 2;
const bitsAByte = 10;
const linkPercentCaution = 70;

export class SerialLineDriver {
  private readonly options: SerialLineOptions;
  private readonly openPort: OpenPort;
  private readonly taker: FrameTaker;
  private readonly nowUs: () => number;
  private readonly times: SerialLineTimes;
  private readonly parser: SerialLineParser;
  private link: SerialPortLink | undefined;
  private identity: PortIdentity | undefined;
  private isStopped = false;
  private isListening = false;
  private retryMs: number;
  private timer: NodeJS.Timeout | undefined;
  private pending: { ends: (answer: Answer) => void; takes: 'any' | 'version' | 'flags' } | undefined;
  private stamps = new AdapterStamps();
  private hasStamps = false;
  private stampsAreGood = true;
  private hasListened = false;
  private hasAnswered = false;
  private answersVersion = false;
  private flagPollsUnanswered = 0;
  private readAtUs = 0;
  private bytesInPoll = 0;
  private malformedLines = 0;
  private version: string | undefined;
  private controller: AdapterState | undefined;
  private isBusOff = false;
  private readonly errorFrames: Record<string, number> = {};
  private readonly notes = new Set<string>();

  constructor(options: SerialLineOptions, openPort: OpenPort, taker: FrameTaker, nowUs: () => number, times = serialLineTimes) {
    this.options = options;
    this.openPort = openPort;
    this.taker = taker;
    this.nowUs = nowUs;
    this.times = times;
    this.retryMs = times.retryMinMs;
    this.identity = options.seenPort;
    this.parser = new SerialLineParser({
      frame: (id, flags, data, length, stampMs) => this.takeFrame(id, flags, data, length, stampMs),
      answer: (isOk) => this.answered(isOk ? 'ok' : 'refused', 'any'),
      version: (text) => this.takeVersion(text),
      flags: (flags) => this.takeFlags(flags),
      state: (state, receiveErrors, sendErrors) => this.takeState(state, receiveErrors, sendErrors),
      errors: (letters) => this.takeErrors(letters),
      malformed: () => this.takeMalformed(),
    });
  }

  start(): void {
    void this.connect();
  }

  async stop(): Promise<void> {
    this.isStopped = true;
    clearTimeout(this.timer);
    // Leaves the adapter off the bus.
    if (this.link && this.isListening) this.link.write('C\r');
    await this.disconnect();
  }

  private async connect(): Promise<void> {
    try {
      const link = await this.openPort(this.options.port, this.options.baud, this.identity);
      if (this.isStopped) return await link.close();
      this.link = link;
      this.identity = link.identity;
      link.onBytes((bytes) => this.takeBytes(bytes));
      link.onGone((why) => this.gone(link, why));
      await this.setUp(link);
      this.retryMs = this.times.retryMinMs;
    } catch (error) {
      if (error instanceof SetUpOverError) return;
      await this.disconnect();
      // One that has listened before is plugged in again, and may not be itself yet.
      if (error instanceof EvenburnError && error.code === 'SERIAL_ADAPTER_REFUSES' && !this.hasListened) {
        this.taker.note({ note: 'failed', code: error.code, details: { ...error.details } });
        return;
      }
      this.retry(error instanceof EvenburnError ? `${error.message}. ${error.cure}` : `${this.options.port}: ${String(error)}`);
    }
  }

  private retry(why: string): void {
    if (this.isStopped) return;
    this.taker.note({ note: 'down', detail: why });
    this.timer = setTimeout(() => void this.connect(), this.retryMs);
    this.retryMs = Math.min(this.retryMs * 2, this.times.retryMaxMs);
  }

  private async setUp(link: SerialPortLink): Promise<void> {
    const { bitRate, acknowledges } = this.options;
    // A port that was opened anew may have another adapter behind it.
    this.notes.clear();
    this.hasAnswered = false;
    this.stampsAreGood = true;
    this.setBusOff(false, '');
    for (let tries = 1; !(await this.trySetUp(link)) && tries < setUpTriesMax; ) tries++;
    if (!this.hasAnswered) this.say('The adapter answers no command: set-up is unacknowledged.');
    const caution = findRateCaution(bitRate);
    if (caution) this.say(caution);
    const how = acknowledges ? 'takes part (acknowledges, sends nothing)' : 'listens only';
    this.hasListened = true;
    this.taker.note({ note: 'up', detail: `${link.path} is open and ${how}`, openedPort: link.identity });
    this.sayStatus();
    this.schedulePoll(link);
  }

  /**
   * One command at a time: some adapters drop all but the first of a burst. False when the adapter woke in the middle, so that its bit
   * rate is not set: boards that start anew when their port is opened sleep through the first commands.
   */
  private async trySetUp(link: SerialPortLink): Promise<boolean> {
    const { bitRate, acknowledges } = this.options;
    link.write('\r\r\r');
    await new Promise((resolve) => setTimeout(resolve, this.times.flushMs));
    this.parser.reset();
    // It may have been open, or closed (which some refuse): either way it is closed now.
    await this.askInSetUp(link, 'C');
    this.answersVersion = (await this.askInSetUp(link, 'V', 'version')) !== 'none';
    const isRateUnanswered = (await this.mustAccept(link, `S${findRateDigit(bitRate) as number}`, `bit rate ${bitRate} bit/s`)) === 'none';
    await this.setUpDataPhase(link);
    const stamps = await this.askInSetUp(link, 'Z1');
    if (isRateUnanswered && stamps !== 'none') return false;
    this.hasStamps = stamps === 'ok';
    if (!this.hasStamps) this.say('The adapter gives no time stamps: times are those of arrival at this computer.');
    // The first frames may come in one piece with the answer.
    this.isListening = true;
    this.stamps = new AdapterStamps();
    this.flagPollsUnanswered = 0;
    const opened = await this.askInSetUp(link, acknowledges ? 'O' : 'L');
    if (isRateUnanswered && opened !== 'none') {
      this.isListening = false;
      return false;
    }
    if (opened === 'refused') throw this.refusal(acknowledges ? 'taking part' : 'listening only');
    return true;
  }

  /** On a bus with CAN FD: an adapter that doesn't take the data bit rate is listened to all the same, and that is said. */
  private async setUpDataPhase(link: SerialPortLink): Promise<void> {
    const { dataBitRate } = this.options;
    if (dataBitRate === undefined) return;
    const rate = `${dataBitRate / 1e6} Mbit/s`;
    const digit = findDataRateDigit(dataBitRate);
    if (digit === undefined) {
      const known = serialDataBitRates.map((each) => each / 1e6).join(' and ');
      this.say(`CAN FD: serial-line adapters know ${known} Mbit/s in the data phase, and not ${rate}: FD frames may be missing.`);
      return;
    }
    const answer = await this.askInSetUp(link, `Y${digit}`);
    const says = {
      ok: `CAN FD: the adapter takes ${rate} in the data phase.`,
      refused: `CAN FD: the adapter refuses ${rate} in the data phase: FD frames do not come through it, and may show as bus errors.`,
      none: `CAN FD: the adapter does not answer to ${rate} in the data phase: FD frames may be missing.`,
    };
    this.say(says[answer]);
  }

  private async mustAccept(link: SerialPortLink, command: Command, what: string): Promise<Answer> {
    const answer = await this.askInSetUp(link, command);
    if (answer === 'refused') throw this.refusal(what);
    return answer;
  }

  private refusal(what: string): EvenburnError {
    const hint = what === 'listening only' ? 'add ?acknowledge=yes if the adapter may take part' : 'use another adapter or bit rate';
    return new EvenburnError('SERIAL_ADAPTER_REFUSES', { port: this.options.port, what, hint });
  }

  /** Throws SetUpOverError when the link is no longer the one being set up: another may be open by now, and is not to be asked. */
  private async askInSetUp(link: SerialPortLink, command: Command, takes: 'any' | 'version' = 'any'): Promise<Answer> {
    if (this.link !== link || this.isStopped) throw new SetUpOverError();
    const answer = await this.ask(command, takes);
    if (this.link !== link || this.isStopped) throw new SetUpOverError();
    return answer;
  }

  private ask(command: Command, takes: 'any' | 'version' | 'flags' = 'any'): Promise<Answer> {
    return new Promise((resolve) => {
      const timer = setTimeout(() => this.endQuestion('none'), this.times.answerMs);
      this.pending = {
        takes,
        ends: (answer) => {
          clearTimeout(timer);
          resolve(answer);
        },
      };
      this.parser.echo = command;
      this.link?.write(`${command}\r`);
    });
  }

  private endQuestion(answer: Answer): void {
    const pending = this.pending;
    this.pending = undefined;
    if (answer !== 'none') this.hasAnswered = true;
    pending?.ends(answer);
  }

  private answered(answer: 'ok' | 'refused', by: 'any' | 'version' | 'flags'): void {
    // A bell refuses any question; a bare return answers only one that asks for nothing more.
    if (answer === 'refused' || this.pending?.takes === by) this.endQuestion(answer);
  }

  private takeBytes(bytes: Uint8Array): void {
    this.readAtUs = this.nowUs();
    this.bytesInPoll += bytes.length;
    this.parser.push(bytes);
  }

  private takeFrame(id: number, flags: number, data: Uint8Array, length: number, stampMs: number | undefined): void {
    // Before the adapter has been set up, what comes may be of another bit rate, or of another program's last run.
    if (!this.isListening) return;
    const stamped = stampMs !== undefined && this.stampsAreGood ? this.stamps.toSessionUs(stampMs, this.readAtUs) : undefined;
    if (stampMs !== undefined && stamped === undefined && this.stampsAreGood) {
      this.stampsAreGood = false;
      this.say("The adapter's time stamps run beyond 59,999: times are those of arrival at this computer.");
    }
    this.setBusOff(false, 'frames come again');
    const timeUs = Math.max(this.taker.floorUs, Math.min(stamped ?? this.readAtUs, this.readAtUs));
    this.taker.frame(timeUs, id, flags, data, length);
  }

  private takeVersion(text: string): void {
    if (this.version === undefined || this.pending?.takes === 'version') this.version = text;
    this.answered('ok', 'version');
  }

  private takeFlags(flags: AdapterFlags): void {
    this.flagPollsUnanswered = 0;
    // Each flag says that it happened since the last look, not how often: one at least.
    if (flags.receiveFull || flags.overrun) this.taker.note({ note: 'adapter-loss', count: 1 });
    // The flags know no bus-off: only a pushed state or a frame ends it.
    if (!this.isBusOff) this.controller = flags.errorPassive ? 'error-passive' : flags.errorWarning ? 'error-warning' : 'error-active';
    if (flags.busError) this.countError('bus error');
    this.answered('ok', 'flags');
  }

  private takeState(state: AdapterState, receiveErrors: number, sendErrors: number): void {
    this.setBusOff(state === 'bus-off', `the adapter says ${state}`);
    this.controller = state;
    this.taker.note({ note: 'status', status: { controller: state, receiveErrors, sendErrors } });
  }

  /** Tells a change of it, while the adapter is open. */
  private setBusOff(isBusOff: boolean, why: string): void {
    if (isBusOff === this.isBusOff) return;
    this.isBusOff = isBusOff;
    this.controller = isBusOff ? 'bus-off' : undefined;
    if (!this.isListening) return;
    const { port } = this.options;
    if (isBusOff) this.taker.note({ note: 'down', detail: `the controller of ${port} is bus-off` });
    else this.taker.note({ note: 'up', detail: `${port} is back on the bus: ${why}` });
  }

  private takeErrors(letters: string): void {
    if (letters.includes('o')) this.taker.note({ note: 'adapter-loss', count: 1 });
    for (const letter of letters) this.countError(reportedErrors[letter] ?? letter);
  }

  private countError(name: string): void {
    this.errorFrames[name] = (this.errorFrames[name] ?? 0) + 1;
  }

  private takeMalformed(): void {
    if (!this.isListening) return;
    this.malformedLines++;
    // A line that can't be read was a frame, as far as anyone knows.
    this.taker.note({ note: 'adapter-loss', count: 1 });
  }

  private schedulePoll(link: SerialPortLink): void {
    this.timer = setTimeout(() => void this.poll(link), this.times.pollMs);
  }

  private async poll(link: SerialPortLink): Promise<void> {
    if (this.link !== link || this.isStopped) return;
    if (this.flagPollsUnanswered < flagPollsUnansweredMax) {
      const answer = await this.ask('F', 'flags');
      if (this.link !== link || this.isStopped) return;
      if (answer === 'refused') this.flagPollsUnanswered = flagPollsUnansweredMax;
      if (answer === 'none') this.flagPollsUnanswered++;
      if (this.flagPollsUnanswered >= flagPollsUnansweredMax) this.say('The adapter answers no status query: its overruns cannot be seen.');
    } else if (this.answersVersion && this.nowUs() - this.readAtUs > this.times.silenceMs * 1000) {
      if ((await this.ask('V', 'version')) === 'none') return this.gone(link, 'the adapter is silent and answers nothing');
    }
    this.sayStatus();
    this.schedulePoll(link);
  }

  private gone(link: SerialPortLink, why: string): void {
    if (this.link !== link || this.isStopped) return;
    clearTimeout(this.timer);
    this.endQuestionQuietly();
    void this.disconnect().then(() => this.retry(`${this.options.port}: ${why}`));
  }

  private endQuestionQuietly(): void {
    const pending = this.pending;
    this.pending = undefined;
    pending?.ends('none');
  }

  private async disconnect(): Promise<void> {
    const link = this.link;
    this.link = undefined;
    this.isListening = false;
    await link?.close();
  }

  private say(note: string): void {
    if (this.notes.has(note)) return;
    this.notes.add(note);
    this.sayStatus();
  }

  private sayStatus(): void {
    const seconds = this.times.pollMs / 1000;
    const linkPercent = Math.round((this.bytesInPoll * bitsAByte * 100) / (this.options.baud * seconds));
    this.bytesInPoll = 0;
    if (linkPercent > linkPercentCaution) {
      this.notes.add(`The serial link has been ${linkPercentCaution} % full and more: raise the baud rate, or let the adapter filter.`);
    }
    this.taker.note({
      note: 'status',
      status: {
        stampQuality: this.stampsAreGood && this.hasStamps ? 'adapter' : 'process',
        ...(this.version === undefined ? {} : { adapter: this.version }),
        ...(this.controller === undefined ? {} : { controller: this.controller }),
        listenOnly: !this.options.acknowledges,
        linkPercent,
        malformedLines: this.malformedLines,
        errorFrames: this.errorFrames,
        notes: [...this.notes],
      },
    });
  }
}
