// `evenburn find FILE|SESSION`: where an undocumented signal lies, by what it follows; and writes it into its device's file.
import { join } from 'node:path';
import { type Command, InvalidArgumentError } from 'commander';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import type { Evidence } from '../finder/finding-evidence.ts';
import type { FrameColumns } from '../finder/frame-columns.ts';
import type { Finding, Search } from '../finder/signal-finder.ts';
import type { Stimulus } from '../finder/stimulus.ts';
import { AnswerIsNo } from './answer.ts';

interface FindOptions {
  vehicle: string;
  like?: string;
  during?: { from: number; to: number }[];
  unclaimed?: boolean;
  top: number;
  json?: boolean;
  data?: string;
  accept?: number;
  device?: string;
  name?: string;
  unit?: string;
}

const evidencePoints = 48;

export function addFindCommand(program: Command): void {
  program
    .command('find')
    .argument('<source>', 'a recorded file, or the number of a session')
    .requiredOption('--vehicle <dir>', 'vehicle folder')
    .option('--like <channel>', 'a channel that it follows')
    .option('--during <stretches>', 'seconds from the first frame in which it was heated, swept or pressed: 10..20,30..40', toStretches)
    .option('--unclaimed', 'only bits that no definition claims')
    .option('--top <number>', 'findings wanted', toCount, 10)
    .option('--json', 'print the findings as JSON, each with its evidence')
    .option('--data <dir>', 'folder of the sessions')
    .option('--accept <number>', 'write this finding into a device file, with --device and --name', toCount)
    .option('--device <name>', 'the device that sends it')
    .option('--name <channel>', 'what to call it')
    .option('--unit <unit>', 'its unit; that of the channel it is like by default')
    .description('rank the fields of all frames by how well they follow a channel, or what was done; exit 1 when none does')
    .action(find);
}

function toCount(text: string): number {
  if (!/^[1-9]\d{0,3}$/.test(text)) throw new InvalidArgumentError('a whole number from 1 is needed.');
  return Number(text);
}

function toStretches(text: string): { from: number; to: number }[] {
  return text.split(',').map((part) => {
    const match = /^\s*(\d+(?:\.\d+)?)\s*\.\.\s*(\d+(?:\.\d+)?)\s*$/.exec(part);
    const [from, to] = [Number(match?.[1]), Number(match?.[2])];
    if (!match || from >= to) throw new InvalidArgumentError('stretches are seconds like 10..20,30..40.');
    return { from, to };
  });
}

async function find(source: string, options: FindOptions): Promise<void> {
  if ((options.like === undefined) === (options.during === undefined)) {
    throw new EvenburnError('USAGE_WRONG', { what: 'give --like CHANNEL or --during FROM..TO' });
  }
  if (options.accept !== undefined && (options.device === undefined || options.name === undefined)) {
    throw new EvenburnError('USAGE_WRONG', { what: '--accept needs --device and --name' });
  }
  const { getVehicle } = await import('../definitions/load-vehicle.ts');
  const vehicle = await getVehicle(options.vehicle);
  const { recording, stimulus, unit } = await readAll(source, vehicle, options);
  const { findSignal } = await import('../finder/signal-finder.ts');
  const { claimedBits } = await import('../finder/claimed-bits.ts');
  const search = findSignal(recording, stimulus, {
    top: Math.max(options.top, options.accept ?? 0),
    ...(options.unclaimed ? { claimed: claimedBits(vehicle) } : {}),
  });
  process.stderr.write(`evenburn: ${search.candidates} fields in ${search.frames} frames of ${search.ids} ids\n`);
  if (options.accept === undefined) await print(search, recording, stimulus, vehicle, options);
  else await accept(search, vehicle, { ...options, unit: options.unit ?? unit });
  if (search.findings.length === 0) throw new AnswerIsNo();
}

async function readAll(source: string, vehicle: Vehicle, options: FindOptions) {
  const { FrameColumns } = await import('../finder/frame-columns.ts');
  const { stimulusDuring, stimulusLike } = await import('../finder/stimulus.ts');
  const { GrowingSeries } = await import('../collect-series.ts');
  const { recordedFrames } = await import('./recorded-input.ts');
  const { dataFolder } = await import('../settings.ts');
  const { listChannels } = await import('../channels/channel-list.ts');
  const { like, during = [] } = options;
  const channel = listChannels(vehicle).find(({ name }) => name === like);
  if (like !== undefined && !channel) throw new EvenburnError('LIVE_CHANNEL_UNKNOWN', { channel: like });
  const recording = new FrameColumns();
  const series = like === undefined ? undefined : new GrowingSeries(vehicle);
  for await (const batch of recordedFrames(source, vehicle, dataFolder(options.data))) {
    recording.take(batch);
    series?.take(batch);
  }
  series?.finish();
  if (like === undefined) {
    const stretches = during.map(({ from, to }) => ({ fromUs: recording.startUs + from * 1e6, toUs: recording.startUs + to * 1e6 }));
    return { recording, stimulus: stimulusDuring(stretches), unit: '' };
  }
  const known = series?.toSeriesSet().get(like);
  if (!known) throw new EvenburnError('STIMULUS_SILENT', { channel: like });
  return { recording, stimulus: stimulusLike(known), unit: known.unit };
}

async function print(search: Search, recording: FrameColumns, stimulus: Stimulus, vehicle: Vehicle, options: FindOptions): Promise<void> {
  const { evidenceOf } = await import('../finder/finding-evidence.ts');
  const { definedAs } = await import('../finder/claimed-bits.ts');
  const rows = search.findings.map((finding, i) => ({
    number: i + 1,
    busName: vehicle.buses[finding.bus]?.name ?? String(finding.bus),
    idHex: toIdText(finding),
    defined: definedAs(vehicle, finding),
    ...finding,
    evidence: evidenceOf(recording, stimulus, finding, evidencePoints),
  }));
  if (options.json) {
    process.stdout.write(`${JSON.stringify({ ...search, findings: rows })}\n`);
    return;
  }
  for (const row of rows) process.stdout.write(`${toText(row, row.number, row.busName, row.defined, row.evidence)}\n`);
  if (rows.length === 0) process.stdout.write('Nothing follows it.\n');
}

function toIdText({ id, extended }: Finding): string {
  return `0x${id
    .toString(16)
    .toUpperCase()
    .padStart(extended ? 8 : 3, '0')}`;
}

function toText(finding: Finding, number: number, bus: string, defined: string[], evidence: Evidence): string {
  const { r, variant, frames, page, factor, offset, alike, sign, signTold } = finding;
  const lag = variant.lagS === 0 ? '' : `, ${Math.abs(variant.lagS)} s ${variant.lagS > 0 ? 'later' : 'earlier'}`;
  const rise = variant.riseS === 0 ? '' : `, answering within some ${variant.riseS} s`;
  const shape = variant.swept ? ', there and back' : '';
  const lines = [
    `${String(number).padStart(2)}  ${toIdText(finding)} on ${bus}, ${toPlaceText(finding)}${signTold || sign === 'signed' ? '' : ' (or signed: never that high)'}`,
    `    correlation ${r.toFixed(5)} over ${frames} frames${lag}${rise}${shape}; value = raw × ${Number(factor.toPrecision(6))} + ${Number(offset.toPrecision(6))}`,
  ];
  if (page)
    lines.push(
      `    only where byte ${page.startBit >> 3}${page.bitLength === 4 ? (page.startBit & 7 ? ', upper half,' : ', lower half,') : ''} is ${page.value}`,
    );
  if (defined.length > 0) lines.push(`    these bits are defined: ${defined.join(', ')}`);
  lines.push(`    raw       ${toStrokes(evidence.raw)}`, `    stimulus  ${toStrokes(evidence.stimulus)}`);
  if (alike.length > 0) lines.push(`    as well: ${alike.map(toPlaceText).join('; ')}`);
  return lines.join('\n');
}

function toPlaceText({ startBit, bitLength, byteOrder, sign }: Finding['alike'][number]): string {
  const order = bitLength > 8 ? ` ${byteOrder}` : '';
  return `start bit ${startBit}, ${bitLength} bits${order}${sign === 'signed' ? ' signed' : ''}`;
}

/** A series as one line of text, low to high. */
function toStrokes(values: readonly (number | null)[]): string {
  const known = values.filter((value) => value !== null);
  const [low, high] = [Math.min(...known), Math.max(...known)];
  const strokes = '▁▂▃▄▅▆▇█';
  return values.map((value) => (value === null ? ' ' : strokes[Math.min(7, Math.floor(((value - low) / (high - low || 1)) * 8))])).join('');
}

async function accept(search: Search, vehicle: Vehicle, options: FindOptions): Promise<void> {
  const { accept: number = 1, device = '', name = '', unit } = options;
  const finding = search.findings[number - 1];
  if (!finding) throw new EvenburnError('FINDING_UNKNOWN', { number, count: search.findings.length });
  const { acceptFinding } = await import('../finder/accept-finding.ts');
  const { replaceFile } = await import('../definitions/replace-file.ts');
  const file = acceptFinding(vehicle, finding, { device, name, ...(unit ? { unit } : {}), scaled: options.like !== undefined });
  const path = join(options.vehicle, file.path);
  replaceFile(path, file.text);
  process.stdout.write(`${path}: ${name} added, ${toIdText(finding)} ${toPlaceText(finding)}\n`);
}
