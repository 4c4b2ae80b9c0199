// What a check measured, explained: how the number of a verdict is made, by which limits and from which source, over which stretch of which channel. Pure.
import { commonPractice, type Figure, said } from '../dyno/figure.ts';
import type { LimitInForce } from './check-limits.ts';
import { countedMeasures } from './counted-measures.ts';
import type { VerdictSamples } from './verdict-samples.ts';

/** How the number of a verdict that comes from a channel is made. */
interface Measure {
  /** Of `measured`; '' is the channel's own. */
  unit: string;
  isDifference?: boolean;
  rule: string;
  /** Limits that decide, as `checks:` writes them. */
  limits: readonly string[];
}

const measures: Readonly<Record<string, Measure>> = {
  'zero-offset': {
    unit: 'kPa',
    isDifference: true,
    rule: 'The median of the sensor at rest, before the prime, less what presses there: nothing for gauge and differential sensors, the barometer for absolute ones.',
    limits: ['zero_span', 'zero_least', 'zero_without_span', 'atmosphere', 'atmosphere_other'],
  },
  'probe-open': {
    unit: 'degC',
    rule: 'The median of the probe on an engine at rest: no number, one above the limit, or one that floats means open.',
    limits: ['probe_open', 'probe_floats'],
  },
  'probe-disagrees': {
    unit: 'K',
    isDifference: true,
    rule: "The median of the probe at rest less the median of the others', on a cold-soaked engine.",
    limits: ['probes_apart', 'cold_soaked', 'cold_soaked_most'],
  },
  'probe-shorted': {
    unit: 'K',
    isDifference: true,
    rule: "The median of the probe less the median of the others' on a warm engine, while it reads the temperature of its cable.",
    limits: ['probe_shorted', 'probe_ambient'],
  },
  'throttle-range': {
    unit: '%',
    rule: 'The end of its way that was missed, else the highest opening; of a jump by how much it jumps between two samples.',
    limits: ['throttle_closed', 'throttle_open', 'throttle_jump', 'throttle_stands_out', 'throttle_fastest', 'throttle_samples'],
  },
  battery: {
    unit: 'V',
    rule: 'The median of the supply in the first four seconds at rest, before the prime. Limits are for 12 V and scale with `nominal:`.',
    limits: ['battery_lead', 'battery_lithium'],
  },
  prime: {
    unit: 'kPa',
    rule: 'Fuel pressure delta where it settles after the prime; of an overshoot its peak.',
    limits: ['prime_overshoot', 'prime_band', 'prime_band_least', 'prime_within', 'prime_steady', 'prime_began'],
  },
  'leak-down': {
    unit: 'kPa',
    isDifference: true,
    rule: 'The fall of the rail a minute with the pump off, by a straight line of least squares from two seconds on. Compared with last time, never judged alone.',
    limits: [],
  },
  'prime-at-reference': {
    unit: 'kPa',
    rule: 'The median of fuel pressure delta over the last two seconds with air on the reference; it must be the target and that pressure.',
    limits: ['prime_band', 'prime_band_least'],
  },
  'supply-shift': {
    unit: '',
    isDifference: true,
    rule: 'By how much the reading stepped when a load was switched: the median behind less the median before.',
    limits: ['shift', 'shift_alone', 'shift_noise', 'moved', 'moved_noise', 'moved_for'],
  },
  'probe-swapped': {
    unit: 'K',
    isDifference: true,
    rule: 'By how much the channel that moved first and most rose while this probe was warmed.',
    limits: ['moving', 'moved_least', 'moved_noise', 'second_rise', 'stray', 'stray_ahead', 'creep'],
  },
  'probe-dead': {
    unit: 'K',
    isDifference: true,
    rule: 'By how much the channel moved while its probe was warmed.',
    limits: ['moving', 'moved_least', 'moved_noise', 'long_rest'],
  },
  'extension-crossed': {
    unit: 'K',
    isDifference: true,
    rule: 'By how much the channel fell when its connector was warmed: a right probe does not move.',
    limits: ['moved_least', 'moved_noise', 'connector_rest', 'connector_rest_least'],
  },
  'oil-pressure': {
    unit: 'kPa',
    rule: 'While cranking without fuel the highest oil pressure of all turns; once the engine runs the pressure as it came, as it was lost, or as it stood when time was up.',
    limits: ['oil_cranking', 'oil_cranked_for', 'oil_running', 'oil_running_within', 'oil_lost_for', 'oil_steady', 'oil_steady_for'],
  },
  'cranking-voltage': {
    unit: 'V',
    rule: 'The lowest supply, averaged over 0.1 s, from 0.2 s after the starter engages until the engine runs. Limits are for 12 V and scale with `nominal:`.',
    limits: ['cranking', 'cranking_for'],
  },
  charging: {
    unit: 'V',
    rule: 'The median supply of the last ten seconds with the engine running. Limits are for 12 V and scale with `nominal:`.',
    limits: ['charging_from', 'charging_to', 'charging_after'],
  },
  'fuel-delta': {
    unit: 'kPa',
    rule: 'Fuel pressure delta, averaged over 0.2 s, where it left its band; where it did not, the median of the run.',
    limits: ['fuel_delta', 'fuel_delta_least', 'fuel_delta_for', 'fuel_delta_after'],
  },
  'cylinder-cold': {
    unit: 'K',
    isDifference: true,
    rule: "The rise of the probe since the engine runs less the others': level and trend against them.",
    limits: [
      'cold',
      'cold_behind',
      'cold_for',
      'cold_after',
      'cold_others',
      'level_cold',
      'level_behind',
      'alone_rise',
      'cold_stop_after',
      'cold_stop_break_in',
    ],
  },
  'cylinder-lazy': {
    unit: 'K',
    isDifference: true,
    rule: "The rise of the probe since the engine runs less the others': level and trend against them.",
    limits: ['level_lazy', 'level_behind', 'caught_up', 'lazy_rise', 'lazy_behind'],
  },
  'coolant-hot': {
    unit: 'degC',
    rule: 'The temperature where it passed its limit while the engine runs without load; where it did not, the highest.',
    limits: ['coolant_most', 'hot_for'],
  },
  'oil-hot': {
    unit: 'degC',
    rule: 'The temperature where it passed its limit while the engine runs without load; where it did not, the highest.',
    limits: ['oil_most', 'hot_for'],
  },
  'sync-loss': { unit: '', rule: 'How often the sync was lost while the engine turned.', limits: [] },
  'channel-silent': { unit: '', rule: 'Whether the signal ever carried a number while its frame came.', limits: [] },
};

/** In a key-on check `probe-reversed` is beside the others, in a probe check a rise, in a first start the reading itself. */
const reversed: Readonly<Record<string, Measure>> = {
  'key-on': {
    unit: 'K',
    isDifference: true,
    rule: "The median of the probe less the median of the others' on a warm engine: it reads colder than everything around.",
    limits: ['probe_reversed'],
  },
  'first-start': { unit: 'degC', rule: 'What the probe reads while the exhaust warms it: it falls.', limits: ['reversed_below'] },
  probes: {
    unit: 'K',
    isDifference: true,
    rule: 'By how much the channel moved while its probe was warmed: it fell.',
    limits: ['moving', 'moved_least', 'moved_noise'],
  },
};

/** What of a verdict is explained. */
export interface MeasuredVerdict {
  code: string;
  ok: boolean;
  bus?: string | undefined;
  device?: string | undefined;
  frame?: string | undefined;
  channel?: string | undefined;
  stretch?: string | undefined;
  measured?: number | string | null | undefined;
  limit?: number | string | null | undefined;
  /** Of both, where the check gives it. */
  unit?: string | undefined;
  at?: number | undefined;
  confidence?: number | undefined;
  say: string;
  samples?: unknown;
  /** Further numbers behind it, by name. */
  evidence?: unknown;
}

/** A check's answer that holds a verdict, with where it lies in a recording. */
export interface JudgedRun {
  check: string;
  /** `run 3` */
  called: string;
  limits: readonly LimitInForce[];
  seconds: number;
  /** Null: nothing was recorded meanwhile. */
  session: number | null;
  /** Session time of the check's beginning, microseconds. */
  startUs: number;
  /** Channels whose chain shows what a verdict without a channel was counted from. */
  channelsCounted?(verdict: MeasuredVerdict): string[];
}

const otherMeasure = (code: string): Measure => ({ unit: '', rule: `What rule ${code} measures: docs/checks.md.`, limits: [] });

/** How the number of a verdict of this check is made: its unit, and the limits that decide. */
export function measureOf(check: string, code: string): Measure {
  return (code === 'probe-reversed' ? reversed[check] : measures[code]) ?? countedMeasures[code] ?? otherMeasure(code);
}

/** Undefined for a verdict that has no channel and counts nothing. */
export function explainVerdict(verdict: MeasuredVerdict, run: JudgedRun): Figure | undefined {
  const { code, channel, measured, at } = verdict;
  const counted = countedMeasures[code];
  if (channel === undefined && counted === undefined) return undefined;
  const measure = measureOf(run.check, code);
  const samples = verdict.samples as VerdictSamples | undefined;
  const ofChannel = samples && samples.channel === channel ? samples : undefined;
  const countsAlone = measure === measures['sync-loss'] || measure === counted;
  const unit = verdict.unit ?? (measure.unit === '' && !countsAlone ? (ofChannel?.unit ?? '') : measure.unit);
  const limits = run.limits.filter(({ limit }) => measure.limits.includes(limit));
  const value = typeof measured === 'number' ? measured : null;
  const [fromS, toS] = stretchOf(at, ofChannel, run.seconds);
  const atS = at ?? (fromS + toS) / 2;
  const stretch = { session: run.session, fromUs: run.startUs + fromS * 1e6, toUs: run.startUs + toS * 1e6 };
  return {
    title: `${subjectOf(verdict)} in ${run.called}, rule ${code}`,
    value,
    unit: measure.isDifference && unit === 'degC' ? 'K' : unit,
    isDifference: verdict.unit === 'K' || (measure.isDifference ?? false),
    rule: measure.rule,
    source: [...new Set(limits.map(({ source }) => source))].join('; ') || commonPractice,
    worked: [
      ...(value === null
        ? []
        : [
            `measured ${said(value, 2)}${unit === '' ? '' : ` ${unit}`}${typeof verdict.limit === 'number' ? `, limit ${said(verdict.limit, 2)}` : ''}: ${verdict.ok ? 'right' : 'wrong'}`,
          ]),
      ...evidenceLines(verdict.evidence),
      ...limits.map(({ what, value: limit, unit: of, source }) => `${what}: ${limit} ${of} (${source})`),
    ],
    doubts: [
      verdict.say,
      ...(value === null ? ['it gave no number'] : []),
      ...(verdict.confidence === undefined ? [] : [`${Math.round(100 * verdict.confidence)} % sure`]),
    ],
    stretches: [
      { ...stretch, what: `${run.called}, ${fromS.toFixed(1)} to ${toS.toFixed(1)} s of the check${ofChannel ? '' : ': all of it'}` },
    ],
    channels: (channel === undefined ? (run.channelsCounted?.(verdict) ?? []) : [channel]).map((one) => ({
      session: run.session,
      channel: one,
      atUs: run.startUs + atS * 1e6,
      what: at === undefined ? 'in the middle of the stretch' : `at ${at.toFixed(1)} s of the check`,
    })),
    figures: [],
  };
}

function subjectOf({ channel, frame, device, stretch, bus }: MeasuredVerdict): string {
  return channel ?? frame ?? device ?? stretch ?? (bus === undefined ? 'The bus' : `Bus ${bus}`);
}

/** `mean ms: 9.9997` */
function evidenceLines(evidence: unknown): string[] {
  if (typeof evidence !== 'object' || evidence === null || Array.isArray(evidence)) return [];
  return Object.entries(evidence).flatMap(([name, value]) =>
    typeof value === 'number' || typeof value === 'string'
      ? [`${toWords(name)}: ${typeof value === 'number' ? Number(value.toPrecision(5)) : value}`]
      : [],
  );
}

/** `jitter99Ms` → `jitter 99 ms`, as the page writes it. */
function toWords(name: string): string {
  return name.replace(/[A-Z]+|\d+/g, (part) => ` ${part.toLowerCase()}`);
}

/** Around its moment, as its samples were kept; without them the whole check. Seconds of the check. */
function stretchOf(at: number | undefined, samples: VerdictSamples | undefined, seconds: number): [from: number, to: number] {
  const [first, last] = [samples?.at[0], samples?.at.at(-1)];
  if (first !== undefined && last !== undefined) return [first, last];
  return at === undefined ? [0, seconds] : [Math.max(0, at - 3), Math.min(seconds, at + 3)];
}
