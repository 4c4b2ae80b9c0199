// The journal's encoding: pipeline inputs one after the other, uncompressed, cheap to write, each with a few bytes of overhead.
import { frameFlag } from '../bus/frame-batch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { PipelineInput } from '../pipeline-input.ts';
import { ByteReader, ByteWriter } from './bytes.ts';
import type { InputVisitor, OtherInput } from './input-log.ts';

// A record opens with one byte: below `markTag` a frame, whose flags it is.
//
//     frame:  flags · time · bus · id · length · data            mark:  0x80 · time           other:  0x81 · time · text
//
// `time` is the difference to the record before (the first: to 0), so it is a byte or two; `text` is JSON.
const markTag = 0x80;
const otherTag = 0x81;

/** Gives the vehicle that a definitions entry names by its content hash. */
export type VehicleByHash = (hash: string) => Vehicle;

/** Encodes inputs one after the other; what was written is a chunk that `visitJournal` reads. */
export class JournalWriter implements InputVisitor {
  readonly out = new ByteWriter(1 << 14);
  frameCount = 0;
  private lastUs = 0;

  take(input: PipelineInput): void {
    if (input.kind !== 'frames') {
      this.other(input);
      return;
    }
    const { batch } = input;
    for (let i = 0; i < batch.count; i++) {
      this.frame(
        batch.timeUs[i] as number,
        batch.bus[i] as number,
        batch.id[i] as number,
        batch.flags[i] as number,
        batch.data,
        batch.offset[i] as number,
        batch.length[i] as number,
      );
    }
  }

  frame(timeUs: number, bus: number, id: number, flags: number, bytes: Uint8Array, from: number, length: number): void {
    const { out } = this;
    out.reserve(96);
    out.bytes[out.length++] = flags;
    out.signed(timeUs - this.lastUs);
    out.bytes[out.length++] = bus;
    out.varint(id);
    const to = out.bytes;
    let at = out.length;
    to[at++] = length;
    if ((flags & frameFlag.remote) === 0) for (let k = 0; k < length; k++) to[at++] = bytes[from + k] as number;
    out.length = at;
    this.lastUs = timeUs;
    this.frameCount++;
  }

  other(input: OtherInput): void {
    this.out.byte(input.kind === 'mark' ? markTag : otherTag);
    this.out.signed(input.timeUs - this.lastUs);
    this.lastUs = input.timeUs;
    if (input.kind !== 'mark') this.out.text(toText(input));
  }

  clear(): void {
    this.out.clear();
    this.frameCount = 0;
    this.lastUs = 0;
  }
}

/**
 * Reads a chunk of the journal, calling `visitor` input by input.
 * @throws RangeError, SyntaxError when the bytes are damaged.
 */
export function visitJournal(bytes: Uint8Array, vehicleOf: VehicleByHash, visitor: InputVisitor): void {
  const reader = new ByteReader(bytes);
  let timeUs = 0;
  while (!reader.done) {
    const tag = reader.byte();
    timeUs += reader.signed();
    if (tag === markTag) visitor.other({ kind: 'mark', timeUs });
    else if (tag === otherTag) visitor.other(toOther(reader.text(), timeUs, vehicleOf));
    else if (tag < markTag) {
      const bus = reader.byte();
      const id = reader.varint();
      const length = reader.byte();
      const held = (tag & frameFlag.remote) !== 0 ? 0 : length;
      const from = reader.at;
      reader.take(held);
      visitor.frame(timeUs, bus, id, tag, bytes, from, length);
    } else throw new RangeError(`no record opens with byte ${tag}`);
  }
}

/** An input's content without its time, a definition set by its hash alone (its files are stored once, beside the record). */
export function toText(input: OtherInput): string {
  if (input.kind === 'definitions') return JSON.stringify({ kind: input.kind, hash: input.vehicle.hash });
  const { timeUs: _, ...rest } = input;
  return JSON.stringify(rest);
}

export function toOther(text: string, timeUs: number, vehicleOf: VehicleByHash): OtherInput {
  const { kind, ...rest } = JSON.parse(text) as { kind: string; hash?: string };
  if (kind === 'definitions') return { kind, timeUs, vehicle: vehicleOf(rest.hash ?? '') };
  return { kind, timeUs, ...rest } as OtherInput;
}
