// A source whose frames, states and losses a test gives by hand.
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import type { Source, SourceListener } from '../../server/bus/source.ts';

export class ScriptedSource implements Source {
  readonly bus: number;
  readonly description = 'scripted';
  readonly stampQuality = 'simulated';
  listener: SourceListener | undefined;
  stopped = false;

  constructor(bus: number) {
    this.bus = bus;
  }

  start(listener: SourceListener): void {
    this.listener = listener;
    listener.state('up', 'scripted');
  }

  async stop(): Promise<void> {
    this.stopped = true;
  }

  /** One frame, with the promise that nothing older will come. */
  give(timeUs: number, id: number, bytes: number[], flags = 0): void {
    const batch = new FrameBatch(1);
    batch.push(timeUs, this.bus, id, flags, Uint8Array.from(bytes), 0, bytes.length);
    this.listener?.frames(batch, timeUs);
  }

  /** Nothing came up to this time. */
  pass(timeUs: number): void {
    this.listener?.frames(new FrameBatch(1), timeUs);
  }
}
