// `evenburn decode FILE --vehicle DIR`: a recorded file to samples on standard output, streaming; counts on standard error.
import { type Command, Option } from 'commander';
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { NotMade } from '../channels/built-in.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';
import type { DecodeCounts } from '../codec/decoder.ts';
import type { Transport } from '../codec/transport.ts';
import type { Bus, Frame, Vehicle } from '../definitions/vehicle.ts';
import type { RecordedFileCounts } from '../exchange/intake.ts';
import type { SampleTextFormat } from '../exchange/sample-text.ts';

interface DecodeOptions {
  vehicle: string;
  format: SampleTextFormat;
  signalsOnly?: boolean;
  bus?: string;
  columns?: string;
}

/** Samples turned into text at a time; some 100 kB. */
const samplesPerWrite = 1024;
const outputPieceCharacters = 64 * 1024;
const unknownIdsNamed = 10;
const malformedNamed = 10;

export function addDecodeCommand(program: Command): void {
  program
    .command('decode')
    .argument('<file>', 'text log, pcap, pcapng or CSV of frames, also as gzip; - for standard input')
    .requiredOption('--vehicle <dir>', 'vehicle folder')
    .addOption(new Option('--format <format>', 'form of the output').choices(['ndjson', 'csv']).default('ndjson'))
    .option('--signals-only', 'no derived channels')
    .option('--bus <name>', 'every frame of the file belongs to this bus')
    .option('--columns <mapping>', 'for CSV: field=header, ... (docs/recorded-files.md)')
    .description('turn a recorded file into samples, a line each')
    .action(decode);
}

async function decode(path: string, options: DecodeOptions): Promise<void> {
  const { getVehicle } = await import('../definitions/load-vehicle.ts');
  const { openRecordedFile } = await import('../exchange/recorded-file.ts');
  const { parseCsvColumns } = await import('../exchange/csv-frames.ts');
  const { SampleText } = await import('../exchange/sample-text.ts');
  const { listChannels } = await import('../channels/channel-list.ts');
  const { listBuiltIns } = await import('../channels/built-in.ts');
  const { showProgress, stoppedByHand } = await import('./progress-line.ts');
  const vehicle = await getVehicle(options.vehicle);
  const signal = stoppedByHand();
  const text = new SampleText(
    options.format,
    listChannels(vehicle),
    vehicle.buses.map((bus) => bus.name),
  );
  const output = new Output();
  const write = (batch: SampleBatch): void => {
    for (let from = 0; from < batch.count; from += samplesPerWrite) {
      output.add(text.text(batch, from, Math.min(batch.count, from + samplesPerWrite)));
    }
  };
  const stage = await createStage(vehicle, options.signalsOnly === true, write);
  const file = openRecordedFile(path, {
    buses: vehicle.buses,
    signal,
    ...(options.bus === undefined ? {} : { bus: options.bus }),
    ...(options.columns === undefined ? {} : { columns: parseCsvColumns(options.columns) }),
  });
  output.add(text.header());
  const progressOver = showProgress(file, path, true);
  try {
    for await (const batch of file) {
      stage.take(batch);
      await output.drained();
    }
  } catch (error) {
    if (!signal.aborted) throw error;
    process.stderr.write(`evenburn: ${path}: stopped after ${counted(file.counts.frames, 'frame')}\n`);
    process.exitCode = 130;
    return;
  } finally {
    progressOver();
  }
  stage.finish();
  await output.drained();
  for (const line of reportLines(path, file.counts, stage, vehicle.buses, text.lines)) process.stderr.write(`evenburn: ${line}\n`);
  if (!options.signalsOnly) for (const line of notMadeLines(listBuiltIns(vehicle).notMade)) process.stderr.write(`evenburn: ${line}\n`);
}

/** Built-in channels that the vehicle file does not make possible, together where one line would let them be. */
function* notMadeLines(notMade: readonly NotMade[]): Generator<string> {
  const byLine = new Map<string, string[]>();
  for (const { channel, line } of notMade) byLine.set(line, [...(byLine.get(line) ?? []), channel]);
  for (const [line, channels] of byLine) yield `not made: ${channels.join(', ')}; it would take '${line}'`;
}

/** What turns frames into samples: the decoder alone, or the whole pipeline with its derived channels. */
interface Stage {
  take(batch: FrameBatch): void;
  finish(): void;
  readonly counts: DecodeCounts;
  readonly frames: readonly Frame[];
  readonly transport: Transport | undefined;
}

async function createStage(vehicle: Vehicle, signalsOnly: boolean, write: (batch: SampleBatch) => void): Promise<Stage> {
  return signalsOnly ? createDecoderStage(vehicle, write) : createPipelineStage(vehicle, write);
}

async function createDecoderStage(vehicle: Vehicle, write: (batch: SampleBatch) => void): Promise<Stage> {
  const { compileDecoder } = await import('../codec/decoder.ts');
  const { SampleBatch } = await import('../channels/sample-batch.ts');
  const decoder = compileDecoder(vehicle);
  const samples = new SampleBatch();
  return {
    counts: decoder.counts,
    frames: decoder.frames,
    transport: decoder.transport,
    finish: () => undefined,
    take: (batch) => {
      samples.clear();
      decoder.decode(batch, 0, batch.count, samples);
      write(samples);
    },
  };
}

async function createPipelineStage(vehicle: Vehicle, write: (batch: SampleBatch) => void): Promise<Stage> {
  const { Pipeline } = await import('../pipeline.ts');
  const pipeline = new Pipeline(vehicle, { samples: write, alarm: () => undefined });
  return {
    take: (batch) => pipeline.take({ kind: 'frames', batch }),
    finish: () => pipeline.finish(),
    get counts() {
      return pipeline.counts;
    },
    get transport() {
      return pipeline.transport;
    },
    frames: vehicle.buses.flatMap((bus) => bus.frames),
  };
}

/** Standard output, filled in pieces; `drained` waits for a slow reader. */
class Output {
  private text = '';

  add(text: string): void {
    this.text += text;
    if (this.text.length > outputPieceCharacters) this.flush();
  }

  async drained(): Promise<void> {
    this.flush();
    if (process.stdout.writableNeedDrain) await new Promise((resolve) => process.stdout.once('drain', resolve));
  }

  private flush(): void {
    if (this.text !== '') process.stdout.write(this.text);
    this.text = '';
  }
}

function* reportLines(path: string, file: RecordedFileCounts, stage: Stage, buses: readonly Bus[], samples: number): Generator<string> {
  yield `${path}: ${file.format}, ${counted(file.frames, 'frame')}, ${counted(samples, 'sample')}`;
  yield* fileLines(file);
  const { total, tooShort, longer, remote } = stage.counts;
  if (total.error > 0) yield counted(total.error, 'error frame');
  if (total.remote > 0) yield counted(total.remote, 'remote frame');
  for (const [i, { name, lengthBytes }] of stage.frames.entries()) {
    if (tooShort[i]) yield `${name}: ${counted(tooShort[i] as number, 'frame')} shorter than ${lengthBytes} bytes, not decoded`;
    if (longer[i]) yield `${name}: ${counted(longer[i] as number, 'frame')} longer than ${lengthBytes} bytes, decoded`;
    if (remote[i]) yield `${name}: ${counted(remote[i] as number, 'remote frame')}`;
  }
  if (stage.transport) yield* messageLines(stage.transport);
  if (total.unknown === 0) return;
  const unknown = stage.counts.unknownIds();
  yield `${counted(total.unknown, 'frame')} with ${counted(unknown.length, 'id')} that the vehicle does not name`;
  for (const { bus, id, extended, fd, frames } of unknown.slice(0, unknownIdsNamed)) {
    const hex = id
      .toString(16)
      .toUpperCase()
      .padStart(extended ? 8 : 3, '0');
    yield `  0x${hex}${fd ? ' FD' : ''} on ${buses[bus]?.name}: ${counted(frames, 'frame')}`;
  }
  if (unknown.length > unknownIdsNamed) yield `  and ${counted(unknown.length - unknownIdsNamed, 'more id')}`;
}

/** What became of J1939 messages of several packets. */
function* messageLines({ counts, underWay }: Transport): Generator<string> {
  const { complete, incomplete, aborted, stray, malformed } = counts;
  if (complete > 0) yield `${counted(complete, 'J1939 message')} put together from packets`;
  const lost = incomplete + underWay;
  if (lost > 0) yield `${counted(lost, 'J1939 message')} incomplete, not decoded`;
  if (aborted > 0) yield `${counted(aborted, 'J1939 message')} called off by sender or receiver`;
  if (stray > 0) yield `${counted(stray, 'J1939 packet')} of messages whose beginning or place is not known, not decoded`;
  if (malformed > 0) yield `${counted(malformed, 'J1939 packet')} malformed`;
}

function* fileLines(file: RecordedFileCounts): Generator<string> {
  if (file.malformed > 0) yield `${counted(file.malformed, 'part')} of the file ${file.malformed === 1 ? 'is' : 'are'} no frame`;
  for (const { unit, at, why } of file.malformedNamed.slice(0, malformedNamed)) yield `  ${unit} ${at}: ${why}`;
  if (file.malformed > malformedNamed) yield `  and ${file.malformed - malformedNamed} more`;
  for (const [name, frames] of file.unmatched) {
    yield `${counted(frames, 'frame')} of interface ${name} left out: give it to a bus with \`interface: ${name}\`, or choose one with --bus NAME`;
  }
  if (file.roundedTimes > 0) yield `${counted(file.roundedTimes, 'time')} finer than a microsecond, rounded`;
  if (file.backwards > 0) yield `${counted(file.backwards, 'frame')} older than the one before, kept in the file's order`;
  if (file.received + file.transmitted > 0)
    yield `direction: ${file.received} received, ${file.transmitted} sent by the recording computer`;
}

function counted(count: number, what: string): string {
  return `${count} ${what}${count === 1 ? '' : 's'}`;
}
