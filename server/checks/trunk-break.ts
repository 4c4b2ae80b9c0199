// Where along the trunk a wire or connector interrupts: from which devices vanish together and which stay.
import type { Bus, TrunkItem } from '../definitions/vehicle.ts';
import { atLeastByChance } from './chance.ts';
import { type DevicePresence, indexAtOrBefore, type Outage } from './outage.ts';

/** Outages of one bus that began and ended together. */
export interface Episode {
  fromUs: number;
  toUs: number;
  /** First and last time at which a frame of somebody who vanished was due and did not come: the interruption for certain. */
  coreFromUs: number;
  coreToUs: number;
  outages: Outage[];
}

/** A break between two neighbours on the trunk and the episodes that it explains. */
export interface TrunkBreak {
  stretch: string;
  episodes: Episode[];
  /** Other stretches that the same episodes allow. */
  alternatives: string[];
  /** Names of the devices beyond it, as seen from the listener. */
  beyond: string[];
}

/** Joins outages that share both ends within their slack. What lies on two sides of the listener has no wire in common, and so no break. */
export function toEpisodes(outages: readonly Outage[], trunk: readonly TrunkItem[] = []): Episode[] {
  const listener = trunk.findIndex(({ kind }) => kind === 'listener');
  const before = new Set(trunk.slice(0, Math.max(0, listener)).map(({ name }) => name));
  const isBefore = ({ device }: Outage) => before.has(device.name);
  return [...joined(outages.filter(isBefore)), ...joined(outages.filter((outage) => !isBefore(outage)))];
}

function joined(outages: readonly Outage[]): Episode[] {
  const episodes: Episode[] = [];
  for (const outage of [...outages].sort((a, b) => a.fromUs - b.fromUs || a.toUs - b.toUs)) {
    const together = episodes.find((episode) => episode.outages.every((other) => shareEnds(other, outage)));
    if (together) {
      together.outages.push(outage);
      together.fromUs = Math.min(together.fromUs, outage.fromUs);
      together.toUs = Math.max(together.toUs, outage.toUs);
      together.coreFromUs = Math.min(together.coreFromUs, outage.fromUs + outage.slackUs);
      together.coreToUs = Math.max(together.coreToUs, outage.toUs - outage.slackUs);
    } else {
      episodes.push({
        fromUs: outage.fromUs,
        toUs: outage.toUs,
        coreFromUs: outage.fromUs + outage.slackUs,
        coreToUs: outage.toUs - outage.slackUs,
        outages: [outage],
      });
    }
  }
  return episodes;
}

/** Each end is known to within one period of the device before or after; a device that speaks seldom is heard of late. */
function shareEnds(a: Outage, b: Outage): boolean {
  if (a.device === b.device) return false;
  const slack = 1.3 * Math.max(a.slackUs, b.slackUs) + 5_000;
  const starts = a.kind === 'never' || b.kind === 'never' ? a.kind === b.kind : Math.abs(a.fromUs - b.fromUs) <= slack;
  const isBack = ({ kind }: Outage) => kind === 'gap' || kind === 'late';
  const ends = isBack(a) && isBack(b) ? Math.abs(a.toUs - b.toUs) <= slack : a.kind === b.kind;
  return starts && ends;
}

/** One side of the trunk as seen from the listener: places at which it can break, nearest first, and what lies beyond each. */
interface Cut {
  stretch: string;
  beyond: Set<string>;
}

/**
 * All stretches of a trunk with the devices that a break there hides from the listener. A listener that the trunk doesn't name is
 * taken to sit at its front end. A stretch between two items with no device beyond hides nobody and is left out.
 */
export function listCuts(trunk: readonly TrunkItem[]): Cut[] {
  const listener = trunk.findIndex((item) => item.kind === 'listener');
  const cuts: Cut[] = [];
  for (let i = 0; i + 1 < trunk.length; i++) {
    const left = trunk[i] as TrunkItem;
    const right = trunk[i + 1] as TrunkItem;
    const hidden = i < listener ? trunk.slice(0, i + 1) : trunk.slice(i + 1);
    const beyond = new Set(hidden.filter((item) => item.kind === 'device').map((item) => item.name));
    if (beyond.size > 0) cuts.push({ stretch: `${left.name} - ${right.name}`, beyond });
  }
  return cuts;
}

/**
 * Explains episodes by breaks of the trunk: a break hides all devices beyond it and no other. An episode that no stretch explains is
 * left to others. Greedy: the stretch that explains most, then the rest; among equals the one that hides fewest.
 */
export function findBreaks(bus: Bus, presences: readonly DevicePresence[], episodes: readonly Episode[]): TrunkBreak[] {
  if (!bus.trunk) return [];
  const cuts = listCuts(bus.trunk);
  let open: OpenEpisode[] = episodes.map((episode) => ({ episode, allowed: cuts.filter((cut) => explains(cut, episode, presences)) }));
  const own = new Set(open.filter(({ allowed }) => allowed.length === 0).map(({ episode }) => loneDevice(episode)));
  const together = new Set(open.filter(({ episode }) => episode.outages.length > 1).flatMap(({ allowed }) => allowed));
  // A device that also falls silent while those behind it are heard does so by itself when these were not due.
  for (const entry of open) {
    const lone = loneDevice(entry.episode);
    if (lone && own.has(lone)) entry.allowed = entry.allowed.filter((cut) => cut.beyond.size === 1 || together.has(cut));
  }
  open = open.filter(({ allowed }) => allowed.length > 0);
  const found: TrunkBreak[] = [];
  while (open.length > 0) {
    const ranked = cuts
      .map((cut) => ({ cut, explained: open.filter(({ allowed }) => allowed.includes(cut)) }))
      .filter(({ explained }) => explained.length > 0)
      .sort((a, b) => b.explained.length - a.explained.length || a.cut.beyond.size - b.cut.beyond.size);
    const best = ranked[0];
    if (!best) break;
    const taken = best.explained;
    const nested = findNested(best.cut, taken, cuts, presences);
    if (nested) {
      // The rest of them is looked at again, with the nearer break only where it shows.
      for (const entry of open) if (nested.entries.includes(entry)) entry.allowed = entry.allowed.filter((cut) => cut !== best.cut);
      continue;
    }
    const alternatives = cuts.filter((cut) => cut !== best.cut && taken.every(({ allowed }) => allowed.includes(cut)));
    found.push({
      stretch: best.cut.stretch,
      episodes: taken.map(({ episode }) => episode),
      alternatives: alternatives.map((cut) => cut.stretch),
      beyond: [...best.cut.beyond],
    });
    open = open.filter((entry) => !taken.includes(entry));
  }
  return found;
}

/** Name of the device that falls silent alone for a moment; undefined for others. */
function loneDevice({ outages }: Episode): string | undefined {
  const [only] = outages;
  return outages.length === 1 && only?.kind === 'gap' ? only.device.name : undefined;
}

interface OpenEpisode {
  episode: Episode;
  /** Cuts that explain it. */
  allowed: Cut[];
}

/** So seldom would openings of the nearer break alone leave out those who speak often. */
const nestedByChance = 0.01;

/**
 * A second break farther out on the same side: a device there that speaks seldom is missed again and again while those between, who speak
 * more often, are all heard. Openings too short for these are rare where most are long.
 * @returns The episodes that only the farther break explains; undefined when the nearer one may have made them all.
 */
function findNested(near: Cut, taken: readonly OpenEpisode[], cuts: readonly Cut[], presences: readonly DevicePresence[]) {
  for (const far of cuts) {
    if (far === near || ![...far.beyond].every((name) => near.beyond.has(name)) || far.beyond.size >= near.beyond.size) continue;
    const isBetween = (name: string) => near.beyond.has(name) && !far.beyond.has(name);
    const pacesUs = presences.flatMap(({ device, fastestUs }) => (isBetween(device.name) ? (fastestUs ?? []) : []));
    if (pacesUs.length === 0) continue;
    const paceUs = Math.min(...pacesUs);
    const between = taken.map(({ episode }) => episode.outages.filter(({ device }) => isBetween(device.name)));
    const entries = taken.filter(({ episode, allowed }, i) => {
      return between[i]?.length === 0 && allowed.includes(far) && episode.outages.every(({ slackUs }) => slackUs > 2 * paceUs);
    });
    const short = between.filter((outages) => outages.length > 0 && outages.every(({ missed }) => missed < 2)).length;
    const slackUs = Math.min(...entries.flatMap(({ episode }) => episode.outages.map((outage) => outage.slackUs)));
    const isNearShown = between.some((outages) => outages.length > 0);
    if (isNearShown && entries.length >= 2 && atLeastByChance(entries.length, ((short + 1) * paceUs) / slackUs) < nestedByChance)
      return { entries };
  }
  return undefined;
}

/** Everybody who vanished lies beyond the cut, and nobody beyond it was heard meanwhile (one who was not due may be beyond or not). */
function explains(cut: Cut, episode: Episode, presences: readonly DevicePresence[]): boolean {
  if (!episode.outages.every((outage) => cut.beyond.has(outage.device.name))) return false;
  const gone = new Set(episode.outages.map((outage) => outage.device.name));
  return presences
    .filter((presence) => cut.beyond.has(presence.device.name) && !gone.has(presence.device.name))
    .every((presence) => !heardWithin(presence, episode.coreFromUs, episode.coreToUs));
}

/** Heard inside, with some slack for jitter at the edges. */
function heardWithin(presence: DevicePresence, fromUs: number, toUs: number): boolean {
  const slackUs = 2_000;
  const last = indexAtOrBefore(presence.timesUs, toUs - slackUs);
  return last >= 0 && (presence.timesUs[last] as number) > fromUs + slackUs;
}
