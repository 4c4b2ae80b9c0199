// Finds where an undocumented signal lies: ranks the fields of all frames by how well they follow a stimulus, with the evidence.
import {
  bitsFromLowest,
  countFields,
  type Field,
  type Fit,
  fitLine,
  lowestBitOf,
  type Pairs,
  rawValues,
  refineFit,
  searchFields,
} from './field-search.ts';
import { BitTurns, oddityOf, type Surroundings } from './field-shape.ts';
import type { FrameColumns, IdFrames } from './frame-columns.ts';
import type { Stimulus, Variant } from './stimulus.ts';

/** The field is there only in frames in which this byte, or half of it, has this value. */
export interface Page {
  startBit: number;
  bitLength: number;
  value: number;
}

/** A candidate with its evidence. */
export interface Finding extends Field {
  bus: number;
  id: number;
  extended: boolean;
  /** Flags as in `frameFlag`: extended and FD. */
  flags: number;
  lengthBytes: number;
  page?: Page;
  /** Correlation with the stimulus, negative where it falls as the stimulus rises. */
  r: number;
  variant: Variant;
  /** stimulus ≈ raw × factor + offset. */
  factor: number;
  offset: number;
  /** Whether the highest bit was ever set: without, the recording doesn't tell whether it is a sign. */
  signTold: boolean;
  /** Frames compared. */
  frames: number;
  /** Smaller is better: log10 of what the field leaves unexplained, and what is odd about the place. */
  cost: number;
  /** Other places in the same bits that follow about as well: what this recording can't tell apart, the likeliest first. */
  alike: Field[];
}

export interface Search {
  findings: Finding[];
  frames: number;
  ids: number;
  /** Fields tried, each in the frames of its id, summed over ids. */
  candidates: number;
}

export interface FindOptions {
  /** Findings wanted. */
  top?: number;
  /** Bits that are not looked at, as byte × 8 + bit: those that definitions claim already. */
  claimed?: (frames: IdFrames) => ReadonlySet<number>;
  /** Told after each id how much is done, 0 to 1. */
  progress?: (share: number) => void;
}

/** Below this what is left unexplained is rounding. */
const unexplainedMin = 1e-11;
const exactUnexplained = 1e-10;
const refinedMax = 800;
const refinedPerId = 24;
const pagesMax = 8;
const framesPerPageMin = 8;
const alikeMax = 6;
/** Candidates whose costs differ by less can't be told apart. */
const alikeCost = 0.5;

/** One id, or one page of it, ready to be searched. */
interface Lane {
  pairs: Pairs;
  around: Surroundings;
  page?: Page;
  variants: readonly Variant[];
  oddity: number;
}

interface Ranked {
  lane: Lane;
  fit: Fit;
  cost: number;
}

/** Searches a whole recording. Pure; some 5 s of one core at 100,000 frames at most (`npm run bench -- finder`). */
export function findSignal(recording: FrameColumns, stimulus: Stimulus, { top = 20, claimed, progress }: FindOptions = {}): Search {
  let candidates = 0;
  const screened: { lane: Lane; fit: Fit }[] = [];
  let searched = 0;
  for (const frames of recording.ids) {
    progress?.(searched / recording.frames);
    searched += frames.count;
    candidates += countFields(frames.lengthBytes);
    const taken = claimed?.(frames);
    for (const lane of lanesOf(frames, stimulus)) {
      const fits = searchFields(lane.pairs).filter(
        ({ field }) => !taken || bitsFromLowest(field, frames.lengthBytes * 8).every((bit) => !taken.has(bit)),
      );
      screened.push(...fits.map((fit) => ({ lane, fit })));
    }
  }
  const ranked = chooseForRefining(screened).flatMap(({ lane, fit }): Ranked[] => {
    const refined = refineFit(lane.pairs, fit);
    return refined ? [{ lane, fit: refined, cost: costOf(refined, lane) }] : [];
  });
  ranked.sort((a, b) => a.cost - b.cost);
  return { findings: withoutOverlaps(ranked, top), frames: recording.frames, ids: recording.ids.length, candidates };
}

function costOf(fit: Fit, { pairs, around, oddity, page }: Lane): number {
  const { r, field, variant } = fit;
  // Among as many fields as these some follow anything by chance where frames are few.
  const chance = 20 / pairs.index.length;
  const onPage =
    page && bitsFromLowest(field, around.here.bits).some((bit) => bit >= page.startBit && bit < page.startBit + page.bitLength);
  const falling = r < 0 ? 0.2 : 0;
  const follows = Math.log10(1 - r * r + unexplainedMin) + chance;
  return follows + oddityOf(field, around) + crookedness(fit, pairs) + falling + oddity + (onPage ? 1 : 0) + variant * 0.003;
}

/**
 * Where several places follow a channel to the last digit, the one whose offset is rounder: -20 is what a device's maker would choose,
 * 287.2 what is left when the upper byte is forgotten.
 */
function crookedness({ r, field, variant }: Fit, { frames, index, stimulus }: Pairs): number {
  if (1 - r * r > exactUnexplained) return 0;
  const line = fitLine(rawValues(frames, index, field), stimulus[variant] as Float64Array);
  if (!line || Math.abs(line.offset) < 1e-6 * Math.abs(line.factor)) return 0;
  const digits = Number(line.offset.toPrecision(7))
    .toExponential()
    .replace(/e.*|[-.]/g, '').length;
  return 0.03 * digits;
}

/** Correlations that differ by less are one: bits that never turn, taken along, change nothing but the last digits. */
const sameCorrelation = 1e-6;

/** The best of each id, and the best of all; of those that follow alike first the ones whose lowest bit turns. */
function chooseForRefining(screened: { lane: Lane; fit: Fit }[]): { lane: Lane; fit: Fit }[] {
  const order = screened.map((one) => {
    const { field, r } = one.fit;
    const idle = one.lane.around.here.turnsOf(lowestBitOf(field)) === 0;
    return { one, r: Math.round(Math.abs(r) / sameCorrelation), idle: Number(idle) };
  });
  order.sort((a, b) => b.r - a.r || a.idle - b.idle);
  const perId = new Map<IdFrames, number>();
  return order.flatMap(({ one }, i) => {
    const had = perId.get(one.lane.pairs.frames) ?? 0;
    perId.set(one.lane.pairs.frames, had + 1);
    return i < refinedMax || had < refinedPerId ? [one] : [];
  });
}

/** All frames of an id, and its pages apart where some byte looks like a page number. */
function lanesOf(frames: IdFrames, stimulus: Stimulus): Lane[] {
  const all = Int32Array.from({ length: frames.count }, (_, i) => i);
  const everywhere = new BitTurns(frames, all);
  const toLane = (index: Int32Array, page: Page | undefined, oddity: number): Lane => {
    const here = index.length === all.length ? everywhere : new BitTurns(frames, index);
    const pairs = toPairs(frames, index, stimulus);
    return { pairs, around: { here, everywhere }, ...(page ? { page } : {}), variants: stimulus.variants, oddity };
  };
  const same = framesOfSamples(frames, stimulus);
  if (same) return [toLane(same, pageOfSamples(frames, same, all), 0)];
  return [toLane(all, undefined, 0), ...pagesOf(frames).map(({ page, index }) => toLane(index, page, 0.3))];
}

/** Frames at whose time the stimulus is known. */
function toPairs(frames: IdFrames, index: Int32Array, stimulus: Stimulus): Pairs {
  const columns = (among: Int32Array) => {
    const timesUs = Float64Array.from(among, (i) => frames.timeUs[i] as number);
    return stimulus.variants.map((variant) => stimulus.valuesAt(timesUs, variant));
  };
  const known = columns(index);
  const kept = index.filter((_, i) => !Number.isNaN(known[0]?.[i] as number));
  return { frames, index: kept, stimulus: kept.length === index.length ? known : columns(kept) };
}

/**
 * The frames that came exactly when the stimulus was sampled: it is decoded from this id, or from one page of it. Undefined unless
 * nearly all samples have one.
 */
function framesOfSamples(frames: IdFrames, { sampleUs }: Stimulus): Int32Array | undefined {
  if (!sampleUs || sampleUs.length < framesPerPageMin) return undefined;
  const { timeUs } = frames;
  const found: number[] = [];
  for (let i = 0, s = 0; i < timeUs.length && s < sampleUs.length; ) {
    const apart = (timeUs[i] as number) - (sampleUs[s] as number);
    if (apart === 0) found.push(i);
    if (apart <= 0) i++;
    if (apart >= 0) s++;
  }
  return found.length >= sampleUs.length * 0.95 ? Int32Array.from(found) : undefined;
}

/** The byte, or half of one, that is constant in some frames of an id and not in all of them. */
function pageOfSamples(frames: IdFrames, same: Int32Array, all: Int32Array): Page | undefined {
  if (same.length > all.length * 0.9) return undefined;
  let best: { page: Page; values: number } | undefined;
  for (const place of selectorPlaces(frames)) {
    const values = new Set(Array.from(all, (i) => selectorOf(frames, i, place)));
    const own = new Set(Array.from(same, (i) => selectorOf(frames, i, place)));
    const [value] = own;
    if (own.size !== 1 || values.size < 2 || value === undefined || values.size >= (best?.values ?? 64)) continue;
    const others = all.reduce((count, i) => count + Number(selectorOf(frames, i, place) === value), 0);
    // Frames with the same value that have no sample speak against it; a few were faulty or out of range.
    if (others <= same.length * 1.5) best = { page: { ...place, value }, values: values.size };
  }
  return best?.page;
}

/** Pages of an id whose frames take turns: some byte, or half of one, has few values and mostly changes from frame to frame. */
function pagesOf(frames: IdFrames): { page: Page; index: Int32Array }[] {
  for (const place of selectorPlaces(frames)) {
    const byValue = new Map<number, number[]>();
    let turns = 0;
    let before = -1;
    for (let i = 0; i < frames.count && byValue.size <= pagesMax; i++) {
      const value = selectorOf(frames, i, place);
      const index = byValue.get(value);
      if (index) index.push(i);
      else byValue.set(value, [i]);
      if (value !== before) turns++;
      before = value;
    }
    const few = byValue.size >= 2 && byValue.size <= pagesMax;
    // Pages come in an order; the low bits of a noisy number change as often and don't.
    if (!few || turns < frames.count * 0.6 || orderOf(frames, place) < 0.6) continue;
    const pages = [...byValue].filter(([, index]) => index.length >= framesPerPageMin);
    return pages.map(([value, index]) => ({ page: { ...place, value }, index: Int32Array.from(index) }));
  }
  return [];
}

/** In how many of the frames, 0 to 1, a place takes the value that mostly comes after the one before. */
function orderOf(frames: IdFrames, place: { startBit: number; bitLength: number }): number {
  const after = new Map<number, Map<number, number>>();
  for (let i = 1; i < frames.count; i++) {
    const before = selectorOf(frames, i - 1, place);
    const next = selectorOf(frames, i, place);
    const counts = after.get(before) ?? new Map<number, number>();
    after.set(before, counts.set(next, (counts.get(next) ?? 0) + 1));
  }
  let usual = 0;
  for (const counts of after.values()) usual += Math.max(...counts.values());
  return usual / Math.max(1, frames.count - 1);
}

function selectorPlaces(frames: IdFrames): { startBit: number; bitLength: number }[] {
  const bytes = Array.from({ length: Math.min(8, frames.lengthBytes) }, (_, byte) => byte * 8);
  return [
    ...bytes.map((startBit) => ({ startBit, bitLength: 8 })),
    ...bytes.flatMap((startBit) => [
      { startBit, bitLength: 4 },
      { startBit: startBit + 4, bitLength: 4 },
    ]),
  ];
}

function selectorOf(frames: IdFrames, i: number, { startBit, bitLength }: { startBit: number; bitLength: number }): number {
  return (frames.byteAt(i, startBit >> 3) >> (startBit & 7)) & (2 ** bitLength - 1);
}

/** The best place of each stretch of bits; what lies in the same moving bits is the same thing seen less well. */
function withoutOverlaps(ranked: readonly Ranked[], top: number): Finding[] {
  const kept: { finding: Finding; bits: Set<number>; frames: IdFrames }[] = [];
  for (const { lane, fit, cost } of ranked) {
    const { frames } = lane.pairs;
    const moving = bitsFromLowest(fit.field, frames.lengthBytes * 8).filter((bit) => lane.around.here.turnsOf(bit) > 0);
    const same = kept.find((one) => one.frames === frames && moving.some((bit) => one.bits.has(bit)));
    if (same) {
      if (cost - same.finding.cost < alikeCost && same.finding.alike.length < alikeMax) same.finding.alike.push(fit.field);
      continue;
    }
    if (kept.length < top) kept.push({ finding: toFinding(lane, fit, cost), bits: new Set(moving), frames });
  }
  return kept.map(({ finding }) => finding);
}

function toFinding({ pairs, page, variants }: Lane, { field, variant, r }: Fit, cost: number): Finding {
  const { frames, index, stimulus } = pairs;
  const raw = rawValues(frames, index, field);
  const line = fitLine(raw, stimulus[variant] as Float64Array);
  const signFrom = 2 ** (field.bitLength - 1);
  return {
    bus: frames.bus,
    id: frames.id,
    extended: frames.extended,
    flags: frames.flags,
    lengthBytes: frames.lengthBytes,
    ...field,
    ...(page ? { page } : {}),
    r,
    variant: variants[variant] as Variant,
    factor: line?.factor ?? 1,
    offset: line?.offset ?? 0,
    signTold: raw.some((value) => value < 0 || value >= signFrom),
    frames: index.length,
    cost,
    alike: [],
  };
}
