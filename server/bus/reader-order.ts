// What the server tells a reader process to read.
import type { PortIdentity } from './serial-port.ts';

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
  | (Common & {
      kind: 'serial';
      port: string;
      baud: number;
      bitRate: number;
      dataBitRate?: number;
      acknowledges: boolean;
      /** The adapter that an earlier reader had open, whose port may have another name by now. */
      seenPort?: PortIdentity;
    });
