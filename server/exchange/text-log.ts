// Reads text logs, `(1700000000.000454) can0 512#6C9600E3`, and the form that the same tools print on a screen.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { Intake } from './intake.ts';
import type { FrameParser } from './recorded-file.ts';
import { TextLine } from './text-line.ts';

const newline = 0x0a;

/** Byte by byte and without a string a line, for files of hours. */
export class TextParser implements FrameParser {
  readonly format = 'text log';
  private readonly intake: Intake;
  private readonly line = new TextLine();
  private lineNumber = 0;

  constructor(intake: Intake) {
    this.intake = intake;
  }

  take(bytes: Buffer, last: boolean, batch: FrameBatch): number {
    const whole = bytes.lastIndexOf(newline) + 1;
    this.takeLines(bytes, whole, batch);
    if (!last || whole === bytes.length) return whole;
    const closed = Buffer.concat([bytes.subarray(whole), Buffer.of(newline)]);
    this.takeLines(closed, closed.length, batch);
    return bytes.length;
  }

  /** All lines of `bytes[0 .. end)`, the last of which ends in a newline. */
  private takeLines(bytes: Buffer, end: number, batch: FrameBatch): void {
    const { line, intake } = this;
    for (let at = 0; at < end; ) {
      this.lineNumber++;
      const next = line.parse(bytes, at);
      if (next > at) {
        this.takeFrame(bytes, batch);
        at = next;
      } else {
        if (line.fault !== '') intake.malformed('line', this.lineNumber, line.fault);
        at = bytes.indexOf(newline, at) + 1;
      }
    }
  }

  private takeFrame(bytes: Buffer, batch: FrameBatch): void {
    const { line, intake } = this;
    const bus = intake.busOf(bytes, line.nameFrom, line.nameTo);
    if (line.rounded) intake.counts.roundedTimes++;
    if (line.direction === 'R') intake.counts.received++;
    else if (line.direction === 'T') intake.counts.transmitted++;
    if (bus >= 0) batch.push(line.timeUs, bus, line.id, line.flags, line.data, 0, line.length);
  }
}
