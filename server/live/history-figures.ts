// Why a figure of the engine's history is what it is: of a start, a run, a heat cycle, a cold soak, a leak-down, a probe's lag.
import type { EngineHistoryView } from '../contract/engine-history.ts';
import type { FigureView } from '../contract/why.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { arithmetic, commonPractice, linkTo, rounded, said, toAddress } from '../dyno/figure.ts';

export interface HistoryBehind {
  history: EngineHistoryView;
  /** Today's definitions: they say which channel has which part. */
  vehicle: Vehicle;
  /** Session time of its first frame, microseconds; undefined: it can't be read any more. */
  startUsOf(session: number): Promise<number | undefined>;
}

/**
 * One figure of the history.
 *
 * @param key `start SESSION AT_S WHAT [CYLINDER]` with `startC crankedS crankingV oilAfterS lit`; `compared PLACE`; `run SESSION FROM_S WHAT [S]` with
 *   `coolantPeakC oilPeakC coolantKPerMin oilKPerMin coolantC oilC exhaustC`; `cycle SESSION FROM_S WHAT [CYLINDER]` with `startC coolantPeakC
 *   oilPeakC peak`; `hours PROBE [SESSION FROM_S]` up to the end of a cycle; `drift CHANNEL off|last|moved`; `leak SESSION SET from|S`; `lag SESSION CYLINDER`; `timing ENTRY` of
 *   a reading, `timing CODE` of what the readings say together.
 * @returns Undefined for what the history has not.
 */
export async function explainHistoryFigure(behind: HistoryBehind, key: readonly string[]): Promise<FigureView | undefined> {
  const found = findPart(behind, key);
  if (!found) return undefined;
  const { at, ...parts } = found;
  const places = await Promise.all(at.map(async (place) => ({ ...place, startUs: await behind.startUsOf(place.session) })));
  return {
    isDifference: false,
    doubts: [],
    figures: [],
    ...parts,
    stretches: places.map(({ session, startUs, fromS, toS }) => ({
      session: startUs === undefined ? null : session,
      fromUs: (startUs ?? 0) + fromS * 1e6,
      toUs: (startUs ?? 0) + toS * 1e6,
      what: `session ${session}, ${fromS.toFixed(1)} to ${toS.toFixed(1)} s${startUs === undefined ? ', which can not be read any more' : ''}`,
    })),
    channels: places.flatMap(({ session, startUs, fromS, toS, channels }) =>
      channels.flatMap((channel) => {
        if (channel === undefined) return [];
        return [
          {
            session: startUs === undefined ? null : session,
            channel,
            atUs: (startUs ?? 0) + ((fromS + toS) / 2) * 1e6,
            what: 'in the middle of it',
          },
        ];
      }),
    ),
  };
}

/** Where in a session a figure was read, and from which channels. */
interface Place {
  session: number;
  fromS: number;
  toS: number;
  channels: (string | undefined)[];
}

type Part = Pick<FigureView, 'title' | 'value' | 'unit' | 'rule' | 'source' | 'worked'> &
  Partial<Pick<FigureView, 'isDifference' | 'doubts' | 'figures'>> & { at: Place[] };

function findPart(behind: HistoryBehind, [kind, first = '', second = '', third = '', fourth = '']: readonly string[]): Part | undefined {
  switch (kind) {
    case 'start':
      return ofStart(behind, Number(first), Number(second), third, Number(fourth));
    case 'compared':
      return ofComparison(behind, Number(first));
    case 'run':
      return ofRun(behind, Number(first), Number(second), third, Number(fourth));
    case 'cycle':
      return ofCycle(behind, Number(first), Number(second), third, Number(fourth));
    case 'hours':
      return ofHours(behind, first, second === '' ? undefined : { session: Number(second), fromS: Number(third) });
    case 'drift':
      return ofDrift(behind, first, second);
    case 'leak':
      return ofLeak(behind, Number(first), second, third);
    case 'lag':
      return ofLag(behind, Number(first), Number(second));
    case 'timing':
      return ofTiming(behind, first);
    default:
      return undefined;
  }
}

const isSame = (a: number, b: number) => Math.abs(a - b) < 1e-3;

function ofStart({ history, vehicle }: HistoryBehind, session: number, atS: number, what: string, cylinder: number): Part | undefined {
  const start = history.starts.find((one) => one.session === session && isSame(one.atS, atS));
  if (!start) return undefined;
  const roles = vehicle.engine?.roles;
  const probes = vehicle.engine?.exhaustTemps ?? [];
  const ranS = start.atS + start.crankedS;
  const place = (fromS: number, toS: number, ...channels: (string | undefined)[]): Place[] => [{ session, fromS, toS, channels }];
  const of = `the start at ${start.atS.toFixed(1)} s of session ${session}`;
  const plain = (title: string, value: number | null, unit: string, digits: number): Pick<Part, 'title' | 'value' | 'unit' | 'worked'> => ({
    title: `${title}, ${of}`,
    value: rounded(value, digits),
    unit,
    worked: value === null ? [] : [`${said(value, digits)} ${unit}`],
  });
  switch (what) {
    case 'startC':
      return {
        ...plain('How warm the engine was', start.startC, 'degC', 1),
        rule: 'The median of coolant from 2 s before the starter engages; without coolant of oil, without either of the probes.',
        source: commonPractice,
        at: place(Math.max(0, start.atS - 2), start.atS, roles?.coolantTemp ?? roles?.oilTemp ?? probes[0]?.channel),
      };
    case 'crankedS':
      return {
        ...plain('How long it cranked', start.crankedS, 's', 2),
        rule: 'From the starter engaging (speed above the cranking threshold) until the engine ran by itself, or was given up.',
        source: `${commonPractice}; engine: cranking_above: and running_above: of vehicle.yaml`,
        worked: [`${start.atS.toFixed(2)} to ${ranS.toFixed(2)} s: ${said(start.crankedS, 2)} s`],
        at: place(start.atS, ranS, roles?.speed),
      };
    case 'crankingV':
      return {
        ...plain('Lowest supply while it cranked', start.crankingV, 'V', 2),
        rule: 'The lowest mean over 0.1 s from 0.2 s after the starter engages: the inrush is left out.',
        source: commonPractice,
        at: place(start.atS, ranS, roles?.battery),
      };
    case 'oilAfterS':
      return {
        ...plain('Oil pressure after', start.oilAfterS, 's', 2),
        rule: 'From the moment that the engine ran until oil pressure was over its limit; 0 when it came while cranking.',
        source: `${commonPractice}; checks: first-start: oil_running:`,
        at: place(start.atS, ranS + Math.max(1, start.oilAfterS ?? 0), roles?.oilPressure),
      };
    case 'lit': {
      const lit = start.lit.find((one) => one.cylinder === cylinder);
      return (
        lit && {
          ...plain(`Cylinder ${cylinder} lit after`, lit.afterS, 's', 2),
          rule: 'From the moment that the engine ran until its port had risen by 25 K above the lowest since the fire, for 0.3 s; within 20 s.',
          source: commonPractice,
          doubts: ['cylinders within 0.3 s of each other have no order: probes lag'],
          at: place(ranS, ranS + Math.max(1, lit.afterS ?? 20), probes.find((probe) => probe.cylinder === cylinder)?.channel),
        }
      );
    }
    default:
      return undefined;
  }
}

function ofComparison({ history }: HistoryBehind, place: number): Part | undefined {
  const measure = history.comparison?.measures[place];
  if (!measure || !history.comparison) return undefined;
  const { what, unit, now, mean, low, high, starts, verdict } = measure;
  const digits = unit === 'V' ? 2 : 1;
  const { start, like } = history.comparison;
  const all = [
    start,
    ...like.flatMap(({ session, atS }) => history.starts.find((one) => one.session === session && isSame(one.atS, atS)) ?? []),
  ];
  return {
    title: `${what}, the last start beside ${starts} like it`,
    value: rounded(now, digits),
    unit,
    rule: 'Starts are alike when the engine was as warm within 15 K. In what 99 of 100 further ones would lie: mean ± t × scatter × √(1 + 1/n), Student with n − 1 degrees of freedom, and never less scatter than a reading has.',
    source: 'prediction interval of one further observation: any handbook of statistics (NIST/SEMATECH e-Handbook, 2.4 and 7.2)',
    worked: [
      `now ${said(now, digits)} ${unit}; usually ${said(mean, digits)}, ${said(low, digits)} to ${said(high, digits)} ${unit}: ${verdict}`,
    ],
    doubts: ['below three like starts nothing is said'],
    figures: all.map((one) => {
      const title = `The start at ${one.atS.toFixed(1)} s of session ${one.session}, cranked`;
      return linkTo(toAddress('history', 'start', one.session, one.atS, 'crankedS'), { title, value: rounded(one.crankedS, 2), unit: 's' });
    }),
    at: all.map(({ session, atS, crankedS }) => ({ session, fromS: atS, toS: atS + crankedS, channels: [] })),
  };
}

function ofRun({ history, vehicle }: HistoryBehind, session: number, fromS: number, what: string, s: number): Part | undefined {
  const run = history.runs.find((one) => one.session === session && isSame(one.fromS, fromS));
  if (!run) return undefined;
  const roles = vehicle.engine?.roles;
  const of = `the run from ${run.fromS.toFixed(0)} s of session ${session}`;
  const part = (title: string, value: number | null, unit: string, rule: string, at: Place): Part => ({
    title: `${title}, ${of}`,
    value: rounded(value, 1),
    unit,
    isDifference: unit !== 'degC',
    rule,
    source: unit === 'degC' ? arithmetic : commonPractice,
    worked: value === null ? [] : [`${said(value)} ${unit}`],
    at: [at],
  });
  const whole = { session, fromS: run.fromS, toS: run.toS };
  const lastMinute = { session, fromS: Math.max(run.fromS, run.toS - 60), toS: run.toS };
  const point = run.warmUp.find((one) => one.s === s);
  const near = { session, fromS: run.fromS + s - 2, toS: run.fromS + s };
  switch (what) {
    case 'coolantPeakC':
      return part('Highest coolant', run.coolantPeakC, 'degC', 'The highest good sample of the run.', {
        ...whole,
        channels: [roles?.coolantTemp],
      });
    case 'oilPeakC':
      return part('Highest oil temperature', run.oilPeakC, 'degC', 'The highest good sample of the run.', {
        ...whole,
        channels: [roles?.oilTemp],
      });
    case 'coolantKPerMin':
      return part('Coolant over the last minute', run.coolantKPerMin, 'K/min', 'The slope of a straight line by least squares.', {
        ...lastMinute,
        channels: [roles?.coolantTemp],
      });
    case 'oilKPerMin':
      return part('Oil over the last minute', run.oilKPerMin, 'K/min', 'The slope of a straight line by least squares.', {
        ...lastMinute,
        channels: [roles?.oilTemp],
      });
    case 'coolantC':
      return (
        point &&
        part(`Coolant ${s} s after the fire`, point.coolantC, 'degC', 'The median of the 2 s before.', {
          ...near,
          channels: [roles?.coolantTemp],
        })
      );
    case 'oilC':
      return (
        point &&
        part(`Oil ${s} s after the fire`, point.oilC, 'degC', 'The median of the 2 s before.', { ...near, channels: [roles?.oilTemp] })
      );
    case 'exhaustC':
      return (
        point &&
        part(`Exhaust ${s} s after the fire`, point.exhaustC, 'degC', 'The median of the probes, each the median of the 2 s before.', {
          ...near,
          channels: (vehicle.engine?.exhaustTemps ?? []).map(({ channel }) => channel),
        })
      );
    default:
      return undefined;
  }
}

function ofCycle({ history, vehicle }: HistoryBehind, session: number, fromS: number, what: string, cylinder: number): Part | undefined {
  const cycle = history.cycles.find((one) => one.session === session && isSame(one.fromS, fromS));
  if (!cycle) return undefined;
  const roles = vehicle.engine?.roles;
  const probe = vehicle.engine?.exhaustTemps.find((one) => one.cylinder === cylinder)?.channel;
  const peak = cycle.exhaustPeaks.find((one) => one.cylinder === cylinder)?.peakC;
  const known: Readonly<Record<string, [title: string, value: number | null | undefined, channel: string | undefined]>> = {
    startC: ['How warm it began', cycle.startC, roles?.coolantTemp ?? roles?.oilTemp],
    coolantPeakC: ['Highest coolant', cycle.coolantPeakC, roles?.coolantTemp],
    oilPeakC: ['Highest oil temperature', cycle.oilPeakC, roles?.oilTemp],
    peak: [`Highest indicated temperature of cylinder ${cylinder}`, peak, probe],
  };
  const [title, value, channel] = (Object.hasOwn(known, what) ? known[what] : undefined) ?? [];
  if (title === undefined || value === undefined) return undefined;
  const { warmC, coldC } = history.cycleLimits;
  const lastsS = what === 'startC' ? 1 : Math.max(1, (cycle.endedWallMs - cycle.startedWallMs) / 1000);
  return {
    title: `${title}, ${cycle.number === null ? 'not up to temperature' : `heat cycle ${cycle.number}`}`,
    value: rounded(value, 1),
    unit: 'degC',
    rule:
      what === 'startC'
        ? 'The median of the 2 s before the fire.'
        : `The highest good sample of its ${cycle.runs} ${cycle.runs === 1 ? 'run' : 'runs'}.`,
    source: `${commonPractice}: up to ${warmC} °C and cold again below ${coldC} °C make a cycle`,
    worked: value === null ? [] : [`${said(value)} degC`],
    doubts: cycle.runs > 1 ? ['the runs may lie in several sessions: the first is shown'] : [],
    at: [{ session, fromS: cycle.fromS, toS: cycle.fromS + lastsS, channels: [channel] }],
  };
}

/** @param until The cycle up to whose end they are; undefined: all. */
function ofHours(
  { history, vehicle }: HistoryBehind,
  probe: string,
  until: { session: number; fromS: number } | undefined,
): Part | undefined {
  const all = history.cycles.flatMap((cycle) => {
    const upTo = cycle.probeHours.find((one) => one.probe === probe)?.hours;
    return upTo === undefined ? [] : [{ cycle, upTo }];
  });
  const place = until && all.findIndex(({ cycle }) => cycle.session === until.session && isSame(cycle.fromS, until.fromS));
  const ends = place === undefined ? all : all.slice(0, place + 1);
  const newest = history.probeHours.find((one) => one.probe === probe);
  const hours = place === undefined ? newest : ends.at(-1)?.cycle.probeHours.find((one) => one.probe === probe);
  if (!hours) return undefined;
  const channel = vehicle.engine?.exhaustTemps.find(({ cylinder }) => cylinder === hours.cylinder)?.channel;
  return {
    title: `Hours of probe ${probe} in a running exhaust`,
    value: rounded(hours.hours, 2),
    unit: 'h',
    rule: 'The time that the engine ran while the vehicle file of that day had this probe in a cylinder, over all sessions.',
    source: arithmetic,
    worked: ends.map(({ cycle, upTo }, i) => {
      const more = upTo - (ends[i - 1]?.upTo ?? 0);
      return `+ ${said(more, 2)} h from session ${cycle.session} on: ${said(upTo, 2)} h`;
    }),
    doubts: ['sessions that can not be read any more are not in it'],
    at: ends.map(({ cycle }) => ({ session: cycle.session, fromS: cycle.fromS, toS: cycle.fromS + 1, channels: [channel] })),
  };
}

function ofDrift({ history }: HistoryBehind, channel: string, which: string): Part | undefined {
  const { drift } = history;
  const probe = drift?.probes.find((one) => one.channel === channel);
  if (!drift || !probe) return undefined;
  const value = which === 'off' ? probe.offK : which === 'last' ? probe.lastOffK : which === 'moved' ? probe.driftK : undefined;
  if (value === undefined || value === null) return undefined;
  const rule = "The median of the probe less the median of the others' on a cold-soaked engine, key on and before the first turn";
  const place = (session: number): Place => ({ session, fromS: 0, toS: 2, channels: [channel] });
  const last = drift.lastSession === null ? [] : [place(drift.lastSession)];
  return {
    title: `${channel} from the other probes${which === 'off' ? '' : which === 'last' ? ' last time' : ', moved'}`,
    value,
    unit: 'K',
    isDifference: true,
    rule: which === 'moved' ? `${rule}; now less the last time.` : `${rule}.`,
    source: commonPractice,
    worked: which === 'moved' ? [`${said(probe.offK)} − ${said(probe.lastOffK)} = ${said(probe.driftK)} K`] : [`${said(value)} K`],
    doubts: ['an amplifier and a probe repeat to a kelvin or two at room temperature: from 3 K on it has moved'],
    at: which === 'off' ? [place(drift.session)] : which === 'last' ? last : [place(drift.session), ...last],
  };
}

function ofLeak({ history }: HistoryBehind, session: number, set: string, mark: string): Part | undefined {
  const leak = history.leaks.find((one) => one.session === session && one.set === set);
  const found = mark === 'from' ? { s: 0, kpa: leak?.fromKpa } : leak?.marks.find(({ s }) => s === Number(mark));
  if (!leak || found?.kpa === undefined) return undefined;
  const atS = leak.atS + found.s;
  return {
    title: mark === 'from' ? `Where ${set} began to fall` : `${set} ${found.s} s behind its prime`,
    value: found.kpa,
    unit: 'kPa',
    rule:
      mark === 'from'
        ? 'The median of the 0.3 s before pressure falls: the last time within 4 % of the level that the pump held.'
        : 'The median of one second around that time, with pump and engine off.',
    source: commonPractice,
    worked: [`${said(found.kpa)} kPa${mark === 'from' ? '' : `, ${said(leak.fromKpa - found.kpa)} kPa below ${said(leak.fromKpa)}`}`],
    doubts: [
      'compared with last time and never judged alone: a first prime has air in the rails, and many regulators drop to zero by design',
    ],
    at: [{ session, fromS: atS - 0.3, toS: atS + (mark === 'from' ? 0 : 0.5), channels: [leak.channel] }],
  };
}

function ofLag({ history }: HistoryBehind, session: number, cylinder: number): Part | undefined {
  const lag = history.lags.find((one) => one.session === session && one.cylinder === cylinder);
  if (!lag) return undefined;
  const { channel, steps, tauS, low, high, fileS } = lag;
  return {
    title: `Lag of ${channel}`,
    value: rounded(tauS, 2),
    unit: 's',
    rule: 'T(t) = end + size × e^(−t/τ) fitted by least squares to the 4 s behind each fuel cut of a hot port.',
    source: "first-order response, y' = (T − y)/τ, any handbook of measurement; 95 % interval by Student's t",
    worked: [`${steps} ${steps === 1 ? 'cut' : 'cuts'}: τ = ${said(tauS, 2)} s, ${said(low, 2)} to ${said(high, 2)} s`],
    doubts: [
      'metal that fades slowly makes it lean to the long side, and lag falls with flow',
      ...(fileS ? [`the vehicle file says ${said(fileS.low, 2)} to ${said(fileS.high, 2)} s`] : []),
    ],
    at: [{ session, fromS: 0, toS: 1, channels: [] }],
  };
}

const timingRules: Readonly<Record<string, string>> = {
  'timing-offset':
    'Light less commanded, the mean of all readings where it keeps with speed; where it does not, the straight line through them carried to no speed.',
  'timing-delay':
    'The slope of a straight line of least squares through light less commanded over engine speed: one microsecond of delay is 6 × 10⁻⁶ degrees of crank a revolution a minute (360° × 1/60 s).',
  'timing-scatter': 'How far the readings lie about the straight line: the root of the sum of their squares over readings less two.',
  'sync-loss': 'The highest count of lost sync at any reading, less the lowest.',
};

/** Readings of the timing light are typed: nothing recorded lies behind them but what was commanded then. */
function ofTiming({ history: { timing } }: HistoryBehind, of: string): Part | undefined {
  const toLine = ({ speedRpm, lightDeg, commandedDeg, errorDeg }: (typeof timing.readings)[number]) =>
    `${said(speedRpm, 0)} rpm: ${said(lightDeg)} − ${commandedDeg < 0 ? `(${said(commandedDeg)})` : said(commandedDeg)} = ${said(errorDeg)} deg`;
  const reading = timing.readings.find(({ entry }) => String(entry) === of);
  if (reading) {
    return {
      title: `Timing error at ${said(reading.speedRpm, 0)} rpm`,
      value: rounded(reading.errorDeg, 2),
      unit: 'deg',
      isDifference: true,
      rule: 'What the light showed less what was commanded, degrees before top centre: less than 0 is late.',
      source: arithmetic,
      worked: [toLine(reading)],
      doubts: [`typed by ${reading.by}; a damper is read to half a degree with a steady hand`],
      at: [],
    };
  }
  const verdict = timing.verdicts.find(({ code }) => code === of);
  const rule = timingRules[of];
  if (!verdict || rule === undefined) return undefined;
  const about = of === 'timing-delay' ? ([timing.delayUs, 'us', 0] as const) : ([timing.offsetDeg, 'deg', 2] as const);
  const [estimate, unit, digits] = of === 'timing-offset' || of === 'timing-delay' ? about : ([null, verdict.unit ?? '', 2] as const);
  return {
    title: verdict.say,
    value: estimate ? rounded(estimate.value, digits) : typeof verdict.measured === 'number' ? verdict.measured : null,
    unit,
    isDifference: true,
    rule,
    source: `least squares and Student's t, any handbook of statistics; limits ${commonPractice}`,
    worked: [
      ...timing.readings.map(toLine),
      ...(estimate
        ? [`${said(estimate.value, digits)} ${unit}, 95 % between ${said(estimate.low, digits)} and ${said(estimate.high, digits)} ${unit}`]
        : []),
    ],
    doubts: ['never surer than a steady hand at a damper, half a degree a reading'],
    figures: timing.readings.map((one) =>
      linkTo(toAddress('history', 'timing', one.entry), {
        title: `At ${said(one.speedRpm, 0)} rpm`,
        value: rounded(one.errorDeg, 2),
        unit: 'deg',
      }),
    ),
    at: [],
  };
}
