// The bus check's verdicts on devices and on the trunk: missing, restarting, dropping out, cut off.

import { hasContactFaults, isCertainEnough, isEcho, overlapsAny } from './break-certainty.ts';
import type { BusEvidence } from './bus-evidence.ts';
import { addCommonSilences, findCommonSilences } from './common-silence.ts';
import { bootMaxUs, counterWeight, type DevicePresence, type Outage, toMeanwhile } from './outage.ts';
import { settleBySupply, settleLoneGaps, settleTogether } from './outage-causes.ts';
import { type Episode, findBreaks, listCuts, type TrunkBreak, toEpisodes } from './trunk-break.ts';

const startOf = (found: TrunkBreak) => Math.min(...found.episodes.map((episode) => episode.fromUs));

export function judgeDevices(on: BusEvidence): void {
  const outages = on.presences.flatMap((presence) => presence.outages).filter((outage) => !on.isAlone(outage.fromUs, outage.toUs));
  settleLoneGaps(toEpisodes(outages, on.bus.trunk));
  settleTogether(outages);
  settleBySupply(outages, on.traffic.supply);
  const silences = findCommonSilences(on).filter(({ fromUs, toUs }) => !on.isAlone(fromUs, toUs));
  const common = new Set(silences.flatMap((silence) => silence.outages));
  const episodes = toEpisodes(
    outages.filter((outage) => !common.has(outage)),
    on.bus.trunk,
  );
  const breaks = findBreaks(
    on.bus,
    on.presences,
    episodes.filter((episode) => couldBeBreak(on, episode)),
  );
  const first = breaks.filter((found) => isCertainEnough(on, found, []));
  const certain = breaks.filter((found) => first.includes(found) || isCertainEnough(on, found, first));
  const accepted = certain.filter((found) => !certain.some((of) => isEcho(of, found))).sort((a, b) => startOf(a) - startOf(b));
  const unsure = breaks.filter((found) => !certain.includes(found) && couldBeSecond(on, found));
  for (const found of accepted) {
    addBreak(
      on,
      found,
      unsure.filter((other) => !isEcho(found, other)),
    );
  }
  if (accepted.length === 0) on.perhapsLoose.push(...unsure);
  // Two breaks, one on each side of the listener, may be open at once.
  const isHidden = ({ device }: Outage) => accepted.some(({ beyond }) => beyond.includes(device.name));
  addCommonSilences(
    on,
    silences.filter((silence) => !silence.outages.every(isHidden)),
  );
  for (const presence of on.presences) judgePresence(on, presence, { accepted, breaks, common });
}

/** What became of a bus's silences. */
interface Settled {
  accepted: readonly TrunkBreak[];
  /** Those that are too little to be certain of among them. */
  breaks: readonly TrunkBreak[];
  /** Of everybody at once, which are the listener's own. */
  common: ReadonlySet<Outage>;
}

/** Too few silences to be certain of, but with error frames as a contact makes them: beside a break that is certain it is worth a look. */
function couldBeSecond(on: BusEvidence, found: TrunkBreak): boolean {
  return found.episodes.some((episode) => hasContactFaults(on, episode));
}

/** Devices that begin anew lost their supply, not their bus wire; a lone one that is gone for good is missing, unless the line shows it. */
function couldBeBreak(on: BusEvidence, episode: Episode): boolean {
  const { outages } = episode;
  const [only] = outages;
  // At another bit rate nobody can be heard, however whole the trunk is.
  if (on.findUnread()) return false;
  const meanwhile = outages.length === 1 ? only?.meanwhile : toMeanwhile(outages.reduce((sum, { ranOn }) => sum + ranOn, 0));
  if (meanwhile === 'restarted') return false;
  // Who is first heard late may have booted late: only counters under way, and errors beside a lone one, tell of a wire.
  if (outages.some(({ kind }) => kind === 'late') && meanwhile !== 'ran-on') return false;
  if (only?.kind === 'late' && outages.length === 1) return on.faultsWithin(only.fromUs, only.toUs) >= 3;
  // Its flood of errors takes frames from everybody, together too.
  if (outages.every(({ kind }) => kind === 'gap') && isAnyoneAtWrongRate(on)) return false;
  if (outages.length > 1 || !only) return true;
  if (only.kind === 'gap') return only.meanwhile === 'ran-on' || on.faultsWithin(only.fromUs, only.toUs) >= 3 || isFramedByFaults(on, only);
  return lineFaultBegins(on, only);
}

/** Error frames where it begins and where it ends, and hardly any elsewhere: a contact that opened and closed. */
function isFramedByFaults(on: BusEvidence, { fromUs, toUs, slackUs }: Outage): boolean {
  const nearUs = slackUs + 5_000;
  const about = [fromUs, toUs].map((edgeUs) => on.faultsWithin(edgeUs - nearUs, edgeUs + nearUs));
  const elsewhere = on.faults.length - about.reduce((sum, count) => sum + count, 0);
  const byChance = (2 * nearUs * elsewhere) / (on.traffic.lastUs - on.traffic.firstUs);
  return about.every((count) => count > 0) && byChance < 0.1;
}

/** It floods the bus with errors, and others fall silent for moments. */
function isAnyoneAtWrongRate(on: BusEvidence): boolean {
  return on.presences.some(({ outages }) => outages.some((outage) => outage.kind === 'never' && on.looksLikeWrongRate(outage)));
}

/** A break takes the far terminator away too: errors begin with it. A flood of stuff and form errors is a node at another bit rate. */
function lineFaultBegins(on: BusEvidence, outage: Outage): boolean {
  const seconds = Math.max(0.1, (outage.toUs - outage.fromUs) / 1e6);
  const within = on.faultsWithin(outage.fromUs - 50_000, outage.toUs) / seconds;
  const before = on.faultsWithin(on.traffic.firstUs, outage.fromUs - 50_000);
  const beforeRate = before / Math.max(0.1, (outage.fromUs - on.traffic.firstUs) / 1e6);
  return within > 0.2 && within > 4 * beforeRate && !on.looksLikeWrongRate(outage);
}

/** An outage of a device beyond a break, while it interrupted; or any other, once it interrupts again and again, unless counters say that the device restarted. */
function isExplained(breaks: readonly TrunkBreak[], outage: Outage): boolean {
  return breaks.some((found) => {
    if (!found.beyond.includes(outage.device.name)) return false;
    // Not there yet: hidden all the time, and until the wire closed.
    if (outage.kind === 'late') return found.episodes.some(({ toUs }) => Math.abs(toUs - outage.toUs) <= 2 * outage.slackUs + 5_000);
    const again = found.episodes.length >= episodesAgain && outage.kind === 'gap' && outage.ranOn > -counterWeight;
    return again || overlapsAny(found.episodes, outage.fromUs, outage.toUs);
  });
}

const episodesAgain = 3;

/** While errors flood the bus a device waits its turn, and its time grid tells nothing. */
function isFlooded(on: BusEvidence, { fromUs, toUs, ranOn }: Outage): boolean {
  return ranOn > -counterWeight && on.faultsWithin(fromUs, toUs) >= floodFaults;
}

/** So many errors within one silence. */
export const floodFaults = 8;

/** @param unsure Other places that may be loose too. */
function addBreak(on: BusEvidence, found: TrunkBreak, unsure: readonly TrunkBreak[]): void {
  const [first] = found.episodes as [Episode];
  const totalS = found.episodes.reduce((sum, episode) => sum + Math.max(0, episode.coreToUs - episode.coreFromUs), 0) / 1e6;
  const lasting = found.episodes.some((episode) => episode.outages.some((outage) => outage.kind !== 'gap'));
  const times = found.episodes.length;
  on.add({
    code: 'trunk-break',
    ok: false,
    stretch: found.stretch,
    at: on.at(first.fromUs),
    measured: Math.round(totalS * 1000) / 1000,
    limit: 0,
    confidence: Math.max(0.3, (1 - 0.5 ** (times + 1)) / (1 + found.alternatives.length)),
    ...(found.alternatives.length > 0 ? { alternatives: found.alternatives } : {}),
    ...(unsure.length > 0 ? { alsoPerhaps: unsure.map(({ stretch }) => stretch) } : {}),
    episodes: found.episodes.slice(0, 50).map((episode) => ({ at: on.at(episode.fromUs), seconds: (episode.toUs - episode.fromUs) / 1e6 })),
    devices: [...new Set(found.episodes.flatMap((episode) => episode.outages.map((outage) => outage.device.name)))],
    say: `${found.beyond.join(' and ')} ${found.beyond.length === 1 ? 'falls silent' : 'vanish together'} ${times === 1 ? 'once' : `${times} times`}${lasting ? ', in the end for good' : ''}, while everything nearer stays: the trunk interrupts between ${found.stretch.replace(' - ', ' and ')}${unsure.map((other) => `; perhaps also ${toPerhaps(other)}`).join('')}`,
    next: `Move the harness and the connector between ${found.stretch.replace(' - ', ' and ')} while watching, then measure the resistance between the lines with all power off.`,
  });
}

export function toPerhaps({ stretch, beyond, episodes }: TrunkBreak): string {
  const times = episodes.length === 1 ? 'once' : `${episodes.length} times`;
  return `loose between ${stretch.replace(' - ', ' and ')}, where ${beyond.join(' and ')} ${beyond.length === 1 ? 'was' : 'were'} missed ${times}, too seldom to tell`;
}

function judgePresence(on: BusEvidence, presence: DevicePresence, { accepted, breaks, common }: Settled): void {
  const { device, outages } = presence;
  const gone = outages.find((outage) => outage.kind === 'never' || outage.kind === 'for-good');
  const late = outages.find((outage) => outage.kind === 'late');
  if (late && !isExplained(accepted, late) && !on.isAlone(late.fromUs, late.toUs)) on.lateDevices.set(device, late);
  // A break that hides this device alone looks the same as a device that lost its supply.
  const alone = listCuts(on.bus.trunk ?? []).filter(({ beyond }) => beyond.size === 1 && beyond.has(device.name));
  const stretches = breaks.filter((found) => found.beyond.includes(device.name)).map((found) => found.stretch);
  const possible = [...new Set([...stretches, ...alone.map(({ stretch }) => stretch)])];
  if (gone && isTooShortFor(on, gone)) {
    const waitS = Math.ceil((bootMaxUs + 1.5 * gone.slackUs) / 1e6);
    on.result.notJudged?.push({
      what: `whether ${device.name} is there: it speaks every ${gone.slackUs / 1e6} s`,
      line: `a recording of ${waitS} s or more`,
    });
  } else if (gone && !isStarved(on, presence)) addMissing(on, gone, possible, isExplained(accepted, gone));
  else if (presence.timesUs.length > 0 || device.frames.some((frame) => frame.periodUs !== undefined)) {
    on.add({ code: 'device-missing', ok: true, device: device.name, say: `${device.name} is present` });
  }
  const lone = outages.filter(
    (outage) => outage.kind === 'gap' && !common.has(outage) && !isExplained(accepted, outage) && !isFlooded(on, outage),
  );
  const restarts = lone.filter((outage) => outage.meanwhile === 'restarted');
  const [restart] = restarts;
  if (restart) addRestart(on, restart, restarts);
  const drops = lone.filter((outage) => outage.meanwhile !== 'restarted' && outage.missed >= 3 && outage.toUs - outage.fromUs > 100_000);
  const [drop] = drops;
  if (drop && !on.isAlone(drop.fromUs, drop.toUs)) addDrop(on, drop, drops, possible);
}

/** A device may boot for a second before its first frame is due: where others speak, one that speaks seldom may still come. */
function isTooShortFor({ traffic }: BusEvidence, { kind, slackUs }: Outage): boolean {
  const lengthUs = traffic.lastUs - traffic.firstUs;
  return kind === 'never' && traffic.frames > 0 && slackUs > lengthUs / 3 && lengthUs < bootMaxUs + 1.5 * slackUs;
}

/** The lone unacknowledged sender itself, or anybody while it repeats: nobody could speak. */
export function isStarved(on: BusEvidence, presence: DevicePresence): boolean {
  return on.alone.some((stretch) => stretch.log?.definition?.device === presence.device.name);
}

function addMissing(on: BusEvidence, outage: Outage, possible: readonly string[], cutOff: boolean): void {
  const name = outage.device.name;
  const never = outage.kind === 'never';
  const supply = besideSupply(on, never ? [] : [outage]);
  on.add({
    code: 'device-missing',
    ok: false,
    device: name,
    at: on.at(outage.fromUs),
    measured: never ? 0 : Math.round((outage.toUs - outage.fromUs) / 1000) / 1000,
    ...(possible.length > 0 ? { alternatives: possible.map((stretch) => `trunk-break ${stretch}`) } : {}),
    ...supply.volts,
    say: never ? `${name} was never seen` : `${name} fell silent after ${on.at(outage.fromUs).toFixed(3)} s and stayed so${supply.words}`,
    next: `Check the supply and ground of ${name} at its plug, then its bus wires and its bit rate.`,
  });
  if (!cutOff && on.looksLikeWrongRate(outage)) on.addWrongRate(outage);
}

function addRestart(on: BusEvidence, first: Outage, restarts: readonly Outage[]): void {
  const longest = Math.max(...restarts.map((outage) => outage.toUs - outage.fromUs)) / 1e6;
  const supply = besideSupply(on, restarts);
  on.add({
    code: 'device-restarts',
    ok: false,
    device: first.device.name,
    at: on.at(first.fromUs),
    measured: restarts.length,
    limit: 0,
    times: restarts.slice(0, 50).map((outage) => ({ at: on.at(outage.fromUs), seconds: (outage.toUs - outage.fromUs) / 1e6 })),
    ...supply.volts,
    say: `${first.device.name} restarted ${restarts.length === 1 ? 'once' : `${restarts.length} times`} (silent for up to ${longest.toFixed(2)} s, then began anew)${supply.words}`,
    next: `Watch the supply voltage and ground at ${first.device.name}'s plug, above all while the starter turns.`,
  });
}

/** The supply voltage about silences, where the bus tells it and it was down: a device that is lost while the starter turns. */
function besideSupply(
  on: BusEvidence,
  outages: readonly Outage[],
): { volts: { supplyLowestV?: number; supplyUsualV?: number }; words: string } {
  const down = on.traffic.supply?.downDuring(outages);
  if (!down) return { volts: {}, words: '' };
  const [supplyLowestV, supplyUsualV] = [round(down.lowestV), round(down.usualV)];
  const often = outages.length === 1 ? '' : down.times === outages.length ? ' each time' : ` ${down.times} of these times`;
  const words = `; the supply was down to ${supplyLowestV} V${often} (${supplyUsualV} V as a rule): lost while the starter turns, or by a weak feed`;
  return { volts: { supplyLowestV, supplyUsualV }, words };
}

const round = (volts: number) => Math.round(volts * 10) / 10;

function addDrop(on: BusEvidence, first: Outage, drops: readonly Outage[], possible: readonly string[]): void {
  const supply = besideSupply(on, drops);
  on.add({
    code: 'device-drops',
    ok: false,
    device: first.device.name,
    at: on.at(first.fromUs),
    measured: drops.length,
    limit: 0,
    ...(possible.length > 0 ? { alternatives: possible.map((stretch) => `trunk-break ${stretch}`) } : {}),
    ...supply.volts,
    say: `${first.device.name} alone fell silent ${drops.length === 1 ? 'once' : `${drops.length} times`} and came back${supply.words}`,
    next: `Move the branch that leads to ${first.device.name} and its plug while watching.`,
  });
}
