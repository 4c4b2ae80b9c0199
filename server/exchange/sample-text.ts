// Samples as lines of text: NDJSON or CSV, times exact to the microsecond.
import type { Channel } from '../channels/channel-list.ts';
import { hasValue, quality, qualityNames } from '../channels/quality.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';

export const sampleTextFormats = ['ndjson', 'csv'] as const;
export type SampleTextFormat = (typeof sampleTextFormats)[number];

/** What stands before and behind the value in every line of a channel; the text behind it by quality. */
interface LineParts {
  before: string;
  behind: string[];
}

/**
 * Lines of samples, of the form
 *
 *     {"t":1700000000.000454,"bus":"engine","channel":"exhaust_temp_1","value":23.4,"quality":"ok","unit":"degC"}
 *     1700000000.000454,engine,exhaust_temp_1,23.4,ok,degC
 *
 * A channel of several buses or none has no `bus` key, and an empty cell in CSV; a sample without a number has `null`, and an empty cell.
 */
export class SampleText {
  private readonly parts: LineParts[];
  private readonly none: string;
  private readonly number: (value: number) => string;
  private readonly lead: string;
  /** Samples written. */
  lines = 0;
  private readonly format: SampleTextFormat;

  constructor(format: SampleTextFormat, channels: readonly Channel[], busNames: readonly string[]) {
    this.format = format;
    this.lead = format === 'ndjson' ? '{"t":' : '';
    this.none = format === 'ndjson' ? 'null' : '';
    this.number = format === 'ndjson' ? String : exactText;
    const toParts = format === 'ndjson' ? jsonParts : csvParts;
    this.parts = channels.map((channel) => toParts(channel, channel.bus === undefined ? undefined : busNames[channel.bus]));
  }

  /** What the text begins with. */
  header(): string {
    return this.format === 'csv' ? 't,bus,channel,value,quality,unit\n' : '';
  }

  /** Going stale is a state and not a sample: it gives no line. */
  text(batch: SampleBatch, from: number, to: number): string {
    const { channel, timeUs, value, quality: qualityOf } = batch;
    const { parts, none, number, lead } = this;
    let text = '';
    let lastUs = Number.NaN;
    let begin = '';
    for (let i = from; i < to; i++) {
      const code = qualityOf[i] as number;
      if (code === quality.stale) continue;
      if (timeUs[i] !== lastUs) {
        lastUs = timeUs[i] as number;
        begin = lead + secondsText(lastUs);
      }
      const { before, behind } = parts[channel[i] as number] as LineParts;
      text += begin + before + (hasValue(code) ? number(value[i] as number) : none) + behind[code];
      this.lines++;
    }
    return text;
  }
}

/** A double as the shortest text that reads back to the same bits: JavaScript's own, but for the sign of a zero. */
export function exactText(value: number): string {
  return Object.is(value, -0) ? '-0' : String(value);
}

/** Integer microseconds as seconds with six decimals. */
export function secondsText(timeUs: number): string {
  const seconds = Math.floor(timeUs / 1_000_000);
  // A million in front keeps the zeros.
  return `${seconds}.${String(timeUs - seconds * 1_000_000 + 1_000_000).slice(1)}`;
}

function jsonParts(channel: Channel, bus: string | undefined): LineParts {
  const busText = bus === undefined ? '' : `"bus":${JSON.stringify(bus)},`;
  return {
    before: `,${busText}"channel":${JSON.stringify(channel.name)},"value":`,
    behind: qualityNames.map((name) => `,"quality":"${name}","unit":${JSON.stringify(channel.unit)}}\n`),
  };
}

function csvParts(channel: Channel, bus: string | undefined): LineParts {
  return {
    before: `,${cell(bus ?? '')},${cell(channel.name)},`,
    behind: qualityNames.map((name) => `,${name},${cell(channel.unit)}\n`),
  };
}

/** A text as a cell of a CSV file (RFC 4180). */
export function cell(text: string): string {
  return /[",\r\n]/.test(text) ? `"${text.replace(/"/g, '""')}"` : text;
}
