// Opens a recorded file of any form and gives its frames in batches, streaming: detection by content, gzip unpacked on the way.
import { FrameBatch } from '../bus/frame-batch.ts';
import { EvenburnError } from '../errors.ts';
import { recordBytesMax } from '../limits.ts';
import { type ByteProgress, unpackedBytes } from './byte-source.ts';
import { type CsvColumns, CsvParser, looksLikeCsv } from './csv-frames.ts';
import { type BusChoice, Intake, type RecordedFileCounts } from './intake.ts';
import { looksLikePcap, PcapParser } from './pcap.ts';
import { looksLikePcapng, PcapngParser } from './pcapng.ts';
import { TextParser } from './text-log.ts';

/** Reads one form. `take` consumes whole records and returns how many bytes it is done with; the rest comes again, with more. */
export interface FrameParser {
  readonly format: string;
  /** @param last Nothing follows: a record that is cut off here is malformed. */
  take(bytes: Buffer, last: boolean, batch: FrameBatch): number;
}

export interface RecordedFileOptions {
  /** Buses of the vehicle. One: every frame is its. Several: the interface name picks, by `interface`, else by the bus's name. */
  buses: BusChoice;
  /** Name of the bus that every frame belongs to, whatever the file says. */
  bus?: string;
  /** For CSV: which column holds what. */
  columns?: CsvColumns;
  /** Ends the reading; the iteration throws its reason. */
  signal?: AbortSignal;
}

/** A recorded file being read once. A batch is valid until the next one is asked for. */
export interface RecordedFile extends AsyncIterable<FrameBatch> {
  readonly counts: RecordedFileCounts;
  readonly progress: Readonly<ByteProgress>;
}

/**
 * Opens `path` ('-' is standard input). Nothing is read before iteration begins.
 *
 * Iteration throws INPUT_FILE_MISSING, INPUT_FILE_UNREADABLE and INPUT_NOT_A_RECORDING; parts that are no frame don't throw, they are
 * counted and named in `counts`.
 */
export function openRecordedFile(path: string, options: RecordedFileOptions): RecordedFile {
  const intake = new Intake(options.buses, options.bus);
  const progress: ByteProgress = { bytesRead: 0, bytesTotal: undefined };
  return {
    counts: intake.counts,
    progress,
    [Symbol.asyncIterator]: () => readBatches(path, options, intake, progress),
  };
}

async function* readBatches(
  path: string,
  options: RecordedFileOptions,
  intake: Intake,
  progress: ByteProgress,
): AsyncGenerator<FrameBatch> {
  const batch = new FrameBatch(8192);
  const order = new OrderAccount(intake);
  let parser: FrameParser | undefined;
  let rest: Buffer = Buffer.alloc(0);
  let taken = 0;
  /** Takes whole records of what is there. */
  const take = (bytes: Buffer, last: boolean): void => {
    batch.clear();
    parser ??= chooseParser(path, bytes, last, options, intake);
    const used = parser ? parser.take(bytes, last, batch) : 0;
    rest = bytes.subarray(used);
    taken += used;
    if (rest.length > recordBytesMax) {
      intake.malformed('byte', taken, `no record ends within ${recordBytesMax} bytes`);
      taken += rest.length;
      rest = Buffer.alloc(0);
    }
    order.add(batch);
  };
  for await (const chunk of unpackedBytes(path, intake, progress)) {
    options.signal?.throwIfAborted();
    take(rest.length === 0 ? chunk : Buffer.concat([rest, chunk]), false);
    if (batch.count > 0) yield batch;
  }
  take(intake.brokenOff ? Buffer.alloc(0) : rest, true);
  if (batch.count > 0) yield batch;
  refuseNonRecording(path, intake);
}

/** Counts frames, and those older than the one before. */
class OrderAccount {
  private readonly counts: RecordedFileCounts;
  private lastUs = Number.NEGATIVE_INFINITY;

  constructor(intake: Intake) {
    this.counts = intake.counts;
  }

  add(batch: FrameBatch): void {
    this.counts.frames += batch.count;
    for (let i = 0; i < batch.count; i++) {
      const timeUs = batch.timeUs[i] as number;
      if (timeUs < this.lastUs) this.counts.backwards++;
      this.lastUs = timeUs;
    }
  }
}

/** Undefined as long as too little is there to tell. */
function chooseParser(path: string, bytes: Buffer, last: boolean, options: RecordedFileOptions, intake: Intake): FrameParser | undefined {
  if (bytes.length < 4 && !last) return undefined;
  const parser = looksLikePcapng(bytes)
    ? new PcapngParser(path, intake)
    : looksLikePcap(bytes)
      ? new PcapParser(path, intake)
      : chooseTextParser(path, bytes, last, options, intake);
  if (parser) intake.counts.format = parser.format;
  return parser;
}

function chooseTextParser(
  path: string,
  bytes: Buffer,
  last: boolean,
  options: RecordedFileOptions,
  intake: Intake,
): FrameParser | undefined {
  if (bytes.includes(0)) throw new EvenburnError('INPUT_NOT_A_RECORDING', { path, why: 'binary data of no known form' });
  if (!last && !bytes.includes(10)) return undefined;
  return looksLikeCsv(bytes, options.columns) ? new CsvParser(intake, options.columns) : new TextParser(intake);
}

/**
 * Text in which nothing was a frame and something was malformed is not a recording; an empty file is a recording of silence, and the
 * header of a pcap says that it is one.
 */
function refuseNonRecording(path: string, intake: Intake): void {
  if (intake.counts.format.startsWith('pcap')) return;
  const { frames, malformed, malformedNamed, unmatched } = intake.counts;
  const first = malformedNamed[0];
  if (frames > 0 || unmatched.size > 0 || malformed === 0 || !first) return;
  throw new EvenburnError('INPUT_NOT_A_RECORDING', { path, why: `no frame in it; ${first.unit} ${first.at}: ${first.why}` });
}
