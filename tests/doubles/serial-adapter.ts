// A serial-line adapter that a test scripts: what it answers, and when it is pulled out and put back.
import { findAgain, type OpenPort, type PortIdentity, type SerialPortLink } from '../../server/bus/serial-port.ts';
import { EvenburnError } from '../../server/errors.ts';

/** An adapter by its habits: what it answers to a command (undefined: nothing). */
export type Habits = (command: string) => string | undefined;

/** A computer with one adapter that can be pulled out and put back. */
export class SerialAdapter {
  written: string[] = [];
  opened: string[] = [];
  path = '/dev/ttyACM0';
  identity: PortIdentity = { serialNumber: 'A1', vendorId: '1d50', productId: '606f' };
  isPresent = true;
  habits: Habits;
  private bytes: ((bytes: Uint8Array) => void) | undefined;
  private goneTaker: ((why: string) => void) | undefined;

  constructor(habits: Habits) {
    this.habits = habits;
  }

  readonly open: OpenPort = async (path, _baud, seen) => {
    if (!this.isPresent) throw new EvenburnError('SERIAL_PORT_MISSING', { port: path });
    const present = findAgain([{ path: this.path, ...this.identity }], path, seen);
    if (present !== this.path) throw new EvenburnError('SERIAL_PORT_MISSING', { port: path });
    this.opened.push(present);
    const link: SerialPortLink = {
      path: present,
      identity: this.identity,
      write: (text) => this.take(text),
      onBytes: (take) => {
        this.bytes = take;
      },
      onGone: (take) => {
        this.goneTaker = take;
      },
      close: async () => {},
    };
    return link;
  };

  say(text: string): void {
    this.bytes?.(Buffer.from(text, 'latin1'));
  }

  pull(): void {
    this.isPresent = false;
    this.goneTaker?.('disconnected');
  }

  private take(text: string): void {
    this.written.push(text);
    for (const command of text.split('\r').filter(Boolean)) {
      const answer = this.habits(command);
      if (answer !== undefined) queueMicrotask(() => this.say(answer));
    }
  }
}
