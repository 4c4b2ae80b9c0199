// Looks through a stored session for an undocumented signal: frames and stimulus out of the record, the search, and evidence to draw.
import type { FrameBatch } from '../bus/frame-batch.ts';
import { listChannels } from '../channels/channel-list.ts';
import { compileDecoder } from '../codec/decoder.ts';
import { GrowingSeries } from '../collect-series.ts';
import type { FindingView, SearchRequest } from '../contract/finder.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { claimedBits, definedAs } from '../finder/claimed-bits.ts';
import { bitsFromLowest } from '../finder/field-search.ts';
import { binEvidence } from '../finder/finding-evidence.ts';
import { FrameColumns } from '../finder/frame-columns.ts';
import { type Finding, findSignal } from '../finder/signal-finder.ts';
import { type Stimulus, stimulusDuring, stimulusLike } from '../finder/stimulus.ts';
import { searchFramesMax } from '../limits.ts';
import { toIdHex } from '../live/why.ts';
import { readSessionFrames } from './session-frames.ts';

/** What is asked, of a session by its number. */
export type SessionSearch = Omit<SearchRequest, 'session'> & { session: number };

export interface SearchResult {
  /** The likeliest first; `finding` is what is written when it is accepted. */
  findings: { finding: Finding; view: Omit<FindingView, 'number'> }[];
  frames: number;
  ids: number;
  candidates: number;
  /** Unit of the channel that it should follow. */
  unit: string;
}

const evidenceBins = 400;
/** Reading takes about so much of the whole. */
const readingShare = 0.4;

/**
 * @param progress Told how much is done, 0 to 1.
 * @throws EvenburnError LIVE_CHANNEL_UNKNOWN, STIMULUS_SILENT, SEARCH_TOO_LONG, SESSION_UNKNOWN, SESSION_DAMAGED, SESSION_TOO_NEW
 */
export async function searchSession(
  data: string,
  vehicle: Vehicle,
  search: SessionSearch,
  progress: (share: number) => void,
): Promise<SearchResult> {
  const { like, unclaimed, top } = search;
  if (like !== undefined && !listChannels(vehicle).some(({ name }) => name === like))
    throw new EvenburnError('LIVE_CHANNEL_UNKNOWN', { channel: like });
  const { recording, series } = await readAll(data, vehicle, search, (share) => progress(share * readingShare));
  const { stimulus, unit } = toStimulus(search, series);
  const { findings, ...counts } = findSignal(recording, stimulus, {
    top,
    progress: (share) => progress(readingShare + share * (1 - readingShare)),
    ...(unclaimed ? { claimed: claimedBits(vehicle) } : {}),
  });
  return { ...counts, unit, findings: findings.map((finding) => ({ finding, view: toView(finding, recording, stimulus, vehicle) })) };
}

async function readAll(data: string, vehicle: Vehicle, search: SessionSearch, progress: (share: number) => void) {
  const { session, fromUs = Number.NEGATIVE_INFINITY, toUs = Number.POSITIVE_INFINITY, like } = search;
  const recording = new FrameColumns();
  const series = like === undefined ? undefined : new GrowingSeries(vehicle);
  for await (const batch of readSessionFrames(data, session, vehicle, fromUs)) {
    const wanted = within(batch, fromUs, toUs);
    if (wanted.count === 0) continue;
    recording.take(wanted);
    series?.take(wanted);
    if (recording.frames > searchFramesMax) throw new EvenburnError('SEARCH_TOO_LONG', { frames: searchFramesMax });
    // Without both ends nobody knows how much is to come: how full it is says at least that it goes on.
    progress(
      Number.isFinite(toUs) && Number.isFinite(fromUs) ? (recording.endUs - fromUs) / (toUs - fromUs) : recording.frames / searchFramesMax,
    );
  }
  series?.finish();
  return { recording, series };
}

/** The frames of a batch in [fromUs, toUs], the batch itself where all are. */
function within(batch: FrameBatch, fromUs: number, toUs: number): FrameBatch {
  const isIn = (us: number) => us >= fromUs && us <= toUs;
  let inside = 0;
  for (let i = 0; i < batch.count; i++) if (isIn(batch.timeUs[i] as number)) inside++;
  if (inside === batch.count) return batch;
  const kept = new (batch.constructor as typeof FrameBatch)(Math.max(1, inside));
  for (let i = 0; i < batch.count; i++) if (isIn(batch.timeUs[i] as number)) kept.pushFrom(batch, i);
  return kept;
}

function toStimulus({ like, during = [] }: SessionSearch, series: GrowingSeries | undefined): { stimulus: Stimulus; unit: string } {
  if (like === undefined) return { stimulus: stimulusDuring(during), unit: '' };
  const known = series?.toSeriesSet().get(like);
  if (!known) throw new EvenburnError('STIMULUS_SILENT', { channel: like });
  return { stimulus: stimulusLike(known), unit: known.unit };
}

function toView(finding: Finding, recording: FrameColumns, stimulus: Stimulus, vehicle: Vehicle): Omit<FindingView, 'number'> {
  const { startBit, bitLength, byteOrder, sign, lengthBytes, page, r, variant, factor, offset, signTold, frames, alike } = finding;
  const bus = vehicle.buses[finding.bus];
  return {
    startBit,
    bitLength,
    byteOrder,
    sign,
    bus: bus?.name ?? '',
    idHex: toIdHex(finding.id, finding.extended),
    extended: finding.extended,
    lengthBytes,
    bits: bitsFromLowest(finding, lengthBytes * 8),
    ...(page ? { page } : {}),
    r,
    lagS: variant.lagS,
    riseS: variant.riseS,
    swept: variant.swept ?? false,
    factor,
    offset,
    signTold,
    frames,
    alike,
    defined: definedAs(vehicle, finding),
    devices: devicesOf(vehicle, finding),
    plot: binEvidence(recording, stimulus, finding, evidenceBins),
  };
}

/** The device that sends the frame, where a file says it; else any on the bus could. */
function devicesOf(vehicle: Vehicle, { bus, id, flags }: Finding): string[] {
  const owner = compileDecoder(vehicle).findFrame(bus, id, flags)?.device;
  const all = vehicle.buses[bus]?.devices.map(({ name }) => name) ?? [];
  return owner === undefined ? all : [owner];
}
