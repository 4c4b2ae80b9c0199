// Whether silences are certain enough to be called a break of the trunk: told from a noisy line, and from another break seen again.
import type { BusEvidence } from './bus-evidence.ts';
import { atLeastByChance } from './chance.ts';
import { strayLosses } from './frame-findings.ts';
import type { DevicePresence, Outage } from './outage.ts';
import type { Episode, TrunkBreak } from './trunk-break.ts';

/** So many falsely found breaks are accepted in a recording of nothing but noise. */
const noiseBreaksMax = 0.01;

/**
 * Told from a noisy line, which takes single frames of anybody here and there: silences longer than its noise would ever make, or many
 * in which several devices vanish together.
 * @param others Breaks that are certain: what they hide is no noise.
 */
export function isCertainEnough(on: BusEvidence, found: TrunkBreak, others: readonly TrunkBreak[]): boolean {
  const noise = noiseShare(
    on,
    [found, ...others].flatMap(({ beyond }) => beyond),
  );
  const due = on.presences
    .filter(({ device }) => found.beyond.includes(device.name))
    .reduce((sum, presence) => sum + framesDue(on, presence), 0);
  const byNoise = Math.ceil(Math.log(noiseBreaksMax / Math.max(1, due)) / Math.log(noise));
  const missedIn = ({ outages }: Episode) => outages.reduce((sum, outage) => sum + outage.missed, 0);
  const clear = found.episodes.filter((episode) => {
    const least = hasContactFaults(on, episode) ? 2 : 3;
    return missedIn(episode) >= Math.max(least, byNoise) + (episode.outages.length > 1 ? 1 : 0);
  });
  if (clear.length > 0 || isShownByContacts(on, found, due * noise)) return true;
  const together = found.episodes.filter(({ outages }) => outages.length > 1).length;
  if (together >= 3 + 4 * chanceMeetings(on, found.beyond, noise)) return true;
  // Frames of one device alone, though others lie beyond too, are that device's own.
  return found.beyond.length === 1 && found.episodes.length > 5 + 4 * due * noise;
}

/**
 * A loose contact spoils a few frames each time it opens or closes: silences with such error frames, more of them than chance would make,
 * tell a loose wire to a device that speaks too seldom to show anything else.
 * @param expected Frames that noise takes from these devices.
 */
function isShownByContacts(on: BusEvidence, found: TrunkBreak, expected: number): boolean {
  const shown = found.episodes.filter((episode) => hasContactFaults(on, episode)).length;
  return shown >= 2 && atLeastByChance(shown, expected) < noiseBreaksMax / 2;
}

/** Error frames as a contact makes them when it opens or closes. */
export function hasContactFaults(on: BusEvidence, { fromUs, toUs }: Episode): boolean {
  return on.faultsWithin(fromUs, toUs) >= contactFaultsMin;
}

const contactFaultsMin = 2;

/** How often noise alone makes two of these devices miss a frame at the same time in the whole recording. */
function chanceMeetings(on: BusEvidence, beyond: readonly string[], noise: number): number {
  const periodsUs = on.presences.filter(({ device }) => beyond.includes(device.name)).flatMap((presence) => presence.fastestUs ?? []);
  const lengthUs = on.traffic.lastUs - on.traffic.firstUs;
  let meetings = 0;
  for (const [i, a] of periodsUs.entries()) {
    for (const b of periodsUs.slice(i + 1)) meetings += (lengthUs / a) * noise * (noise / b) * 2.6 * Math.max(a, b);
  }
  return meetings;
}

/** Share of due frames that are lost on devices which no break hides; few in a row only, so that other faults don't count. */
function noiseShare(on: BusEvidence, hidden: readonly string[]): number {
  let lost = 0;
  let due = 0;
  for (const { device, logs } of on.presences) {
    if (hidden.includes(device.name)) continue;
    for (const log of logs) {
      const missed = strayLosses(log);
      lost += missed;
      due += log.timesUs.length + missed;
    }
  }
  if (due < framesForNoise) return 0.002;
  // So few losses are no exact share: what it may well be counts.
  return Math.min(0.5, (lost + 2 * Math.sqrt(lost) + 1) / due);
}

const framesForNoise = 500;

function framesDue(on: BusEvidence, presence: DevicePresence): number {
  return presence.fastestUs === undefined ? 0 : (on.traffic.lastUs - on.traffic.firstUs) / presence.fastestUs;
}

/** A break farther out that shows a nearer one again, at a device that speaks seldom: whenever it was due and not heard, the nearer one was open. */
export function isEcho(of: TrunkBreak, found: TrunkBreak): boolean {
  if (of === found || !found.beyond.every((name) => of.beyond.includes(name)) || found.beyond.length >= of.beyond.length) return false;
  const isCovered = ({ outages }: Episode) =>
    outages.every((outage) => dueTimes(outage).every((dueUs) => isOpen(of, dueUs, outage.slackUs)));
  const others = found.episodes.filter((episode) => !isCovered(episode));
  // Where both were open for a while, the edges of one are taken for the other's: once is no proof.
  return others.length === 0 || (others.length === 1 && others.every(({ fromUs, toUs }) => overlapsAny(of.episodes, fromUs, toUs)));
}

/** Any of them lies in this stretch, in part at least. */
export function overlapsAny(episodes: readonly Episode[], fromUs: number, toUs: number): boolean {
  return episodes.some((episode) => episode.fromUs < toUs && episode.toUs > fromUs);
}

/** When an outage's missing frames were due. */
function dueTimes({ fromUs, toUs, missed }: Outage): number[] {
  return Array.from({ length: Math.min(missed, dueTimesMax) }, (_, k) => fromUs + ((k + 1) * (toUs - fromUs)) / (missed + 1));
}

const dueTimesMax = 1000;

function isOpen({ episodes }: TrunkBreak, timeUs: number, slackUs: number): boolean {
  const tolerance = 0.15 * slackUs + 5_000;
  return episodes.some(({ fromUs, toUs }) => fromUs - tolerance <= timeUs && toUs + tolerance >= timeUs);
}
