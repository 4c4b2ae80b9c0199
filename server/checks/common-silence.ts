// Silences of everybody on a bus at once: no single wire of the trunk does that, but the listener's own plug, adapter or computer does.
import { errorClass } from '../bus/error-frame.ts';
import type { BusEvidence } from './bus-evidence.ts';
import type { BusTraffic } from './bus-traffic.ts';
import { indexAtOrBefore, type Outage, toMeanwhile } from './outage.ts';

/** A stretch in which nobody at all was heard on a bus, although several devices were due. */
export interface CommonSilence {
  fromUs: number;
  toUs: number;
  outages: Outage[];
}

/** An adapter makes one silence shorter than this, without an error frame about it, as easily as a contact does. Common practice, no source. */
const adapterPauseMaxUs = 500_000;

/**
 * The silences that are the listener's own: devices on both sides of it vanish together, or those of other buses too. Where it sits at an
 * end of the trunk, the wire beside it hides everybody as well: only one that is short, seldom and clean, or in which its controller was
 * off the bus, is then taken for its own.
 * Devices that all begin anew behind it lost their supply.
 */
export function findCommonSilences(on: BusEvidence): CommonSilence[] {
  if (on.presences.length < 2) return [];
  const silences = joinSilences(on).filter(({ outages }) => outages.length > 1 && !haveRestarted(outages));
  const isClean = ({ fromUs, toUs }: CommonSilence) => on.faultsWithin(fromUs - edgeUs, toUs + edgeUs) === 0;
  // With error frames about it, one missed frame on the other side may be another contact's.
  const least = (silence: CommonSilence) => (isClean(silence) ? 1 : 2);
  const certain = silences.filter(
    (silence) => isBusOff(on, silence) || isOnBothSides(on, silence.outages, least(silence)) || areOthersSilent(on, silence),
  );
  // Beside one on both sides, those in which only one side was due are no other story.
  if (certain.length > 0) return silences.every(isClean) ? silences : certain;
  const [only, ...more] = silences;
  if (!only || more.length > 0) return [];
  return only.toUs - only.fromUs < adapterPauseMaxUs && isClean(only) && isListenerAtEnd(on) ? [only] : [];
}

function haveRestarted(outages: readonly Outage[]): boolean {
  const together = outages.reduce((sum, { ranOn }) => sum + ranOn, 0);
  return toMeanwhile(together) === 'restarted' || outages.every(({ meanwhile }) => meanwhile === 'restarted');
}

/** Error frames of an opening contact come about it. */
const edgeUs = 20_000;

/** Outages whose due frames all fall into a stretch without any frame of the bus. */
function joinSilences(on: BusEvidence): CommonSilence[] {
  const silences: CommonSilence[] = [];
  const outages = on.presences.flatMap((presence) => presence.outages).filter(({ kind }) => kind !== 'late');
  for (const outage of outages.sort((a, b) => a.slackUs - b.slackUs)) {
    const known = silences.find(
      (silence) => isDueWithin(outage, silence) && !silence.outages.some(({ device }) => device === outage.device),
    );
    if (known) {
      known.outages.push(outage);
      continue;
    }
    const around = silenceAround(on.seen, outage);
    if (isDueWithin(outage, around)) silences.push({ ...around, outages: [outage] });
  }
  return silences;
}

function isDueWithin({ kind, fromUs, toUs, slackUs }: Outage, silence: { fromUs: number; toUs: number }): boolean {
  const tolerance = 0.3 * slackUs + 2_000;
  const isFrom = kind === 'never' || fromUs + slackUs >= silence.fromUs - tolerance;
  const isTo = kind === 'gap' ? toUs - slackUs <= silence.toUs + tolerance : silence.toUs >= toUs;
  return isFrom && isTo && fromUs <= silence.fromUs + tolerance && toUs >= silence.toUs - tolerance;
}

/** From the last frame of anybody before the middle of an outage to the first one after. */
function silenceAround({ logs }: BusTraffic, { fromUs, toUs }: Outage): { fromUs: number; toUs: number } {
  const middle = (fromUs + toUs) / 2;
  const around = { fromUs, toUs };
  for (const log of logs) {
    const last = indexAtOrBefore(log.timesUs.values, middle);
    if (last >= 0) around.fromUs = Math.max(around.fromUs, log.timesUs.at(last));
    if (last + 1 < log.timesUs.length) around.toUs = Math.min(around.toUs, log.timesUs.at(last + 1));
  }
  return around;
}

/** The listener's own controller left the bus, and hears nothing until it is started again. */
function isBusOff({ seen }: BusEvidence, { fromUs, toUs }: CommonSilence): boolean {
  return seen.errors.some(({ timeUs, classes }) => (classes & errorClass.busOff) !== 0 && timeUs >= fromUs - edgeUs && timeUs <= toUs);
}

/** Without a trunk nobody knows who sits where: several at once are then several sides. */
function isOnBothSides({ bus }: BusEvidence, outages: readonly Outage[], missedMin: number): boolean {
  const listener = bus.trunk?.findIndex(({ kind }) => kind === 'listener') ?? -1;
  if (!bus.trunk) return true;
  const before = new Set(bus.trunk.slice(0, Math.max(0, listener)).map(({ name }) => name));
  const clear = outages.filter(({ missed }) => missed >= missedMin);
  return clear.some(({ device }) => before.has(device.name)) && clear.some(({ device }) => !before.has(device.name));
}

function isListenerAtEnd({ bus, presences }: BusEvidence): boolean {
  const listener = bus.trunk?.findIndex(({ kind }) => kind === 'listener') ?? -1;
  const before = new Set(bus.trunk?.slice(0, Math.max(0, listener)).map(({ name }) => name));
  const sides = new Set(presences.map(({ device }) => before.has(device.name)));
  return sides.size === 1;
}

/** Other buses that speak more often than this silence is long were silent too. */
function areOthersSilent({ traffic, seen }: BusEvidence, { fromUs, toUs }: CommonSilence): boolean {
  const others = traffic.buses.filter((bus) => bus !== seen && bus.frames > 0 && meanGapUs(bus) < (toUs - fromUs) / 5);
  const slackUs = 2_000;
  const isSilent = ({ logs }: BusTraffic) =>
    logs.every(
      ({ timesUs }) =>
        indexAtOrBefore(timesUs.values, toUs - slackUs) === indexAtOrBefore(timesUs.values, Math.min(fromUs + slackUs, toUs - slackUs)),
    );
  return others.length > 0 && others.every(isSilent);
}

function meanGapUs({ logs, frames }: BusTraffic): number {
  const firstUs = Math.min(...logs.map((log) => log.firstUs));
  const lastUs = Math.max(...logs.map((log) => log.lastUs));
  return (lastUs - firstUs) / frames;
}

/** So many silences, or so long, are more than an adapter's own pause. */
const silencesMin = 3;
const silenceMinS = 1;
/** Shorter ones are frames lost here and there. */
const silenceMinUs = 40_000;

export function addCommonSilences(on: BusEvidence, all: readonly CommonSilence[]): void {
  // Those that last are told device by device.
  const silences = all.filter(({ fromUs, toUs, outages }) => toUs - fromUs >= silenceMinUs && outages.every(({ kind }) => kind === 'gap'));
  const [first] = silences;
  if (!first) return;
  const totalS = silences.reduce((sum, { fromUs, toUs }) => sum + toUs - fromUs, 0) / 1e6;
  const times = silences.length === 1 ? 'once' : `${silences.length} times`;
  const when = `at ${on.at(first.fromUs).toFixed(3)} s for ${((first.toUs - first.fromUs) / 1e6).toFixed(2)} s`;
  if (silences.length < silencesMin && totalS < silenceMinS) {
    on.result.notJudged?.push({
      what: `what bus ${on.bus.name} did while nobody at all was heard on it, ${times}, first ${when}`,
      line: 'a recording without such pauses: another adapter, its plug held still, a computer with less to do',
    });
    return;
  }
  on.add({
    code: 'nobody-heard',
    ok: false,
    at: on.at(first.fromUs),
    measured: Math.round(totalS * 1000) / 1000,
    limit: 0,
    episodes: silences.slice(0, 50).map(({ fromUs, toUs }) => ({ at: on.at(fromUs), seconds: (toUs - fromUs) / 1e6 })),
    say: `nobody at all was heard on ${on.bus.name}, ${times}, first ${when}: no single wire of the trunk takes everybody away`,
    next: "Move the listener's own plug and stub while watching, then try another adapter; after that look at the supply that all devices share, and for a short between the lines.",
  });
}
