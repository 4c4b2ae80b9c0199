// Readings of a resting engine that step together when something is switched: the supply or ground that they share. Pure.
import { findUnit } from '../channels/unit.ts';
import { addVerdict, type Rest, round, signalsOf, spanOf } from './resting-readings.ts';
import { medianOf, medianWithin, type Watched, watch } from './watch.ts';

/** Something that a reading did when a load was switched. */
interface Step {
  channel: string;
  atUs: number;
  by: number;
  /** Of the channel's span. */
  share: number;
}

const stepHalfUs = 700_000;
const stepEveryUs = 100_000;
const togetherUs = 700_000;
/** Fewer units of the last digit are noise that the digits hide. */
const stepResolutions = 3;

/** Readings at rest that step when something is switched, by the supply or ground that they share. No reading may move. */
export function checkSupplies(rest: Rest): void {
  const { vehicle, series } = rest;
  const battery = vehicle.engine?.roles.battery;
  const switched = battery ? stepsOf(watch(series, battery, 'V'), { span: 12, resolution: 0 }, rest).length : 0;
  const moving = new Set([battery, vehicle.engine?.roles.throttle, ...vehicle.injectorSets.map(({ pulse }) => pulse)]);
  const rails = new Set(vehicle.injectorSets.map(({ rail }) => rail));
  // Once the pump ran a rail moves by itself.
  const beforePrime = { ...rest, toUs: Math.min(rest.toUs, (rest.primeUs ?? rest.toUs) - stepHalfUs) };
  const steps = signalsOf(vehicle)
    .filter((signal) => !moving.has(signal.name) && ['pressure', 'temperature'].includes(findUnit(signal.unit)?.dimension ?? ''))
    .flatMap((signal) =>
      stepsOf(
        watch(series, signal.name, undefined),
        { span: spanOf(signal), resolution: Math.abs(signal.factor) },
        rails.has(signal.name) ? beforePrime : rest,
      ),
    );
  const groups = [...vehicle.supplies, ...vehicle.grounds];
  const probes = new Set((vehicle.engine?.exhaustTemps ?? []).map(({ channel }) => channel));
  const told: Set<string>[] = [];
  for (const meeting of toMeetings(steps)) {
    const channels = [...new Set(meeting.map((step) => step.channel))];
    const largest = meeting.reduce((most, step) => (Math.abs(step.share) > Math.abs(most.share) ? step : most));
    // Rails that fall are leaks: they tell of a wire only together with what shares it.
    if (channels.every((channel) => rails.has(channel))) continue;
    if (channels.length < 2 && Math.abs(largest.share) < rest.limits.shiftAloneShare) continue;
    if (isPressureAtPrime(rest, channels, largest)) continue;
    // The same channels again, when the next load is switched: one fault.
    if (told.some((before) => channels.filter((channel) => before.has(channel)).length >= 0.5 * Math.min(channels.length, before.size)))
      continue;
    told.push(new Set(channels));
    const group = channels.every((channel) => probes.has(channel)) && channels.length > 1 ? 'thermocouples' : bestGroup(groups, channels);
    addVerdict(rest, {
      code: 'supply-shift',
      ok: false,
      ...(group ? { group } : {}),
      channel: largest.channel,
      channels,
      atUs: largest.atUs,
      measured: round(largest.by, 3),
      limit: 0,
      say: `${channels.join(', ')} ${channels.length === 1 ? 'moves' : 'move together'} when something is switched${group ? `: ${group} drops` : ''}`,
      next: group
        ? `Measure ${group} at the sensor plugs while switching: a drop points to a thin or shared wire, or a poor ground.`
        : 'Measure its supply and ground while switching.',
    });
  }
  if (told.length === 0 && switched > 0)
    addVerdict(rest, {
      code: 'supply-shift',
      ok: true,
      measured: 0,
      limit: 0,
      say: `something was switched ${switched} times and no reading moved`,
    });
  if (switched === 0 && told.length === 0)
    rest.result.notJudged?.push({
      what: 'supplies and grounds (nothing was switched)',
      line: 'key on, switch pump, fan, ignition and lights one at a time',
    });
  if (told.length > 0 && groups.length === 0)
    rest.result.notJudged?.push({ what: 'which supply or ground moved', line: 'supplies: { sensor-5v: [<channels>] }' });
}

/** A pressure that nothing calls a rail, alone, when the pump starts: fuel, not a supply. */
function isPressureAtPrime(rest: Rest, channels: readonly string[], step: Step): boolean {
  const signal = channels.length === 1 ? signalsOf(rest.vehicle).find(({ name }) => name === channels[0]) : undefined;
  if (findUnit(signal?.unit ?? '')?.dimension !== 'pressure') return false;
  const atPrime = rest.primeUs !== undefined && Math.abs(step.atUs - rest.primeUs) < 1_500_000;
  return atPrime || Math.abs(step.share) > 0.1;
}

/** Steps of the median, larger than noise and resolution, at their steepest. */
function stepsOf(watched: Watched | undefined, { span, resolution }: { span: number; resolution: number }, rest: Rest): Step[] {
  if (!watched) return [];
  const marks: { atUs: number; by: number }[] = [];
  for (let at = rest.fromUs + stepHalfUs + 300_000; at < rest.toUs - stepHalfUs; at += stepEveryUs) {
    const before = medianWithin(watched, at - stepHalfUs, at - 1);
    const after = medianWithin(watched, at, at + stepHalfUs);
    if (before !== undefined && after !== undefined) marks.push({ atUs: at, by: after - before });
  }
  const noise = (medianOf(marks.map(({ by }) => Math.abs(by))) ?? 0) * 1.5;
  const least = Math.max(rest.limits.shiftNoiseTimes * noise, rest.limits.shiftShare * span, stepResolutions * resolution);
  const steps: Step[] = [];
  for (const [i, mark] of marks.entries()) {
    const size = Math.abs(mark.by);
    const peak = marks.slice(Math.max(0, i - 7), i + 8).every((other) => Math.abs(other.by) <= size);
    const last = steps[steps.length - 1];
    if (size >= least && peak && (!last || mark.atUs - last.atUs > stepHalfUs))
      steps.push({ channel: watched.channel, atUs: mark.atUs, by: mark.by, share: mark.by / span });
  }
  return steps;
}

function toMeetings(steps: readonly Step[]): Step[][] {
  const meetings: Step[][] = [];
  for (const step of [...steps].sort((a, b) => a.atUs - b.atUs)) {
    const last = meetings[meetings.length - 1];
    if (last && step.atUs - (last[0] as Step).atUs <= togetherUs) last.push(step);
    else meetings.push([step]);
  }
  return meetings;
}

/** The group whose channels and those that moved overlap most. */
export function bestGroup(groups: readonly (readonly [string, readonly string[]])[], channels: readonly string[]): string | undefined {
  let best: { name: string; share: number } | undefined;
  for (const [name, members] of groups) {
    const both = channels.filter((channel) => members.includes(channel)).length;
    const share = both / new Set([...channels, ...members]).size;
    if (both > 0 && (!best || share > best.share)) best = { name, share };
  }
  return best?.name;
}
