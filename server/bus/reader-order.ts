// What the server tells a reader process to read.
import type { SerialLineOptions } from './serial-line.ts';

interface Common {
  /** Monotonic microseconds at which the session began. */
  sessionStartUs: number;
}

export type ReaderOrder =
  | (Common & {
      kind: 'socketcan';
      interface: string;
      /** Of the interface that an earlier reader had open, which may have another name by now. */
      seenIndex?: number;
    })
  | (Common & SerialLineOptions & { kind: 'serial' });
