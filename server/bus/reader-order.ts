// What the server tells a reader process to read.

interface Common {
  /** Monotonic microseconds at which the session began. */
  sessionStartUs: number;
}

export type ReaderOrder =
  | (Common & { kind: 'socketcan'; interface: string })
  | (Common & { kind: 'serial'; port: string; baud: number; bitRate: number; dataBitRate?: number; acknowledges: boolean });
