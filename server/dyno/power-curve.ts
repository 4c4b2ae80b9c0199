// Torque and power of a pull by engine speed, from a channel or from the dyno's own log, as measured and beside it corrected by SAE J1349. Pure.
import type { SeriesSet } from '../channels/series.ts';
import { firstAtOrAfter, medianWithin, valueAt, type Watched, watch } from '../checks/watch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { correctionSaeJ1349, powerKw, vapourPressureKpa } from './corrected-power.ts';
import type { Pull } from './pulls.ts';
import { type TorqueLog, torqueOf } from './torque-log.ts';
import { findUsualChannel, lineOfUsualChannel } from './usual-channels.ts';

/** What a person typed about the air of the dyno cell; what is left out comes from channels, or isn't known. */
export interface TypedAir {
  /** Station pressure, as a barometer on the spot reads it. */
  stationKpa?: number | undefined;
  roomC?: number | undefined;
  humidityPercent?: number | undefined;
  /** Boost control holds the engine to an absolute manifold pressure. */
  holdsAbsolute?: boolean | undefined;
}

export interface PowerRow {
  /** Middle of the band, rpm; the bands of the pull's other figures. */
  speed: number;
  torqueNm: number;
  powerKw: number;
  /** Null where the air isn't known. */
  correctedNm: number | null;
  correctedKw: number | null;
  /** What it is the mean of; times are the recording's own. */
  from: { count: number; meanNm: number; meanRpm: number; fromUs: number; toUs: number };
}

export interface PowerCurve {
  /** The channel's name, or the log. */
  source: string;
  /** The channel of torque or power; undefined: a log. */
  channel?: string;
  /** Where the air is from: typed in, a line of the vehicle file, or a channel. */
  air: { station: string; room: string; humidity: string };
  rows: PowerRow[];
  peakTorque: PowerRow | null;
  peakPower: PowerRow | null;
  /** SAE J1349; null where the air isn't known, with the lines that would let it be. */
  correction: { factor: number; stationKpa: number; roomC: number; humidityPercent: number | null; notes: string[] } | null;
  notJudged: { what: string; line: string }[];
}

/** A log laid on the session: session time of its time 0. */
export interface PlacedLog {
  log: TorqueLog;
  name: string;
  zeroUs: number;
}

const bandRpm = 250;

/** Undefined when neither a log nor a channel says anything about this pull. A log has the word before a channel. */
export function findPowerCurve(
  series: SeriesSet,
  vehicle: Vehicle,
  pull: Pull,
  air: TypedAir,
  logs: readonly PlacedLog[],
): PowerCurve | undefined {
  const [fromUs, toUs] = [series.startUs + pull.from * 1e6, series.startUs + pull.to * 1e6];
  const measured = fromLogs(logs, fromUs, toUs) ?? fromChannels(series, vehicle, fromUs, toUs);
  if (!measured) return undefined;
  const { correction, notJudged, air: airFrom } = correctionOf(series, vehicle, air, fromUs, toUs);
  const rows = toRows(measured.points, correction?.factor);
  const highest = (of: (row: PowerRow) => number) =>
    rows.reduce<PowerRow | null>((best, row) => (best && of(best) >= of(row) ? best : row), null);
  return {
    source: measured.source,
    ...(measured.channel === undefined ? {} : { channel: measured.channel }),
    air: airFrom,
    rows,
    peakTorque: highest(({ torqueNm }) => torqueNm),
    peakPower: highest(({ powerKw: kw }) => kw),
    correction,
    notJudged,
  };
}

interface Point {
  atUs: number;
  rpm: number;
  torqueNm: number;
}

function fromLogs(
  logs: readonly PlacedLog[],
  fromUs: number,
  toUs: number,
): { source: string; channel?: string; points: Point[] } | undefined {
  for (const { log, name, zeroUs } of logs) {
    const points: Point[] = [];
    for (const [i, timeS] of log.timeS.entries()) {
      const at = zeroUs + timeS * 1e6;
      const torqueNm = torqueOf(log, i);
      if (at >= fromUs && at <= toUs && torqueNm !== undefined) points.push({ atUs: at, rpm: log.speedRpm[i] as number, torqueNm });
    }
    if (points.length > 1) return { source: name, points };
  }
  return undefined;
}

function fromChannels(
  series: SeriesSet,
  vehicle: Vehicle,
  fromUs: number,
  toUs: number,
): (Pick<PowerCurve, 'source' | 'channel'> & { points: Point[] }) | undefined {
  const speed = watch(series, vehicle.engine?.roles.speed, 'rpm');
  if (!speed) return undefined;
  const torqueChannel = findUsualChannel(vehicle, 'torque');
  const torque = watch(series, torqueChannel, 'Nm', 'bad');
  if (torque && torqueChannel !== undefined)
    return { source: torqueChannel, channel: torqueChannel, points: pointsOf(torque, speed, fromUs, toUs, (value) => value) };
  const powerChannel = findUsualChannel(vehicle, 'power');
  const power = watch(series, powerChannel, 'kW', 'bad');
  if (!power || powerChannel === undefined) return undefined;
  return { source: powerChannel, channel: powerChannel, points: pointsOf(power, speed, fromUs, toUs, (kw, rpm) => kw / powerKw(1, rpm)) };
}

function pointsOf(watched: Watched, speed: Watched, fromUs: number, toUs: number, toNm: (value: number, rpm: number) => number): Point[] {
  const points: Point[] = [];
  const { timeUs, value } = watched;
  for (let i = firstAtOrAfter(timeUs, fromUs); i < timeUs.length && (timeUs[i] as number) <= toUs; i++) {
    const rpm = valueAt(speed, timeUs[i] as number);
    if (rpm !== undefined && rpm > 0) points.push({ atUs: timeUs[i] as number, rpm, torqueNm: toNm(value[i] as number, rpm) });
  }
  return points;
}

/** Means by band; power from mean torque at the mean speed of its points. */
function toRows(points: readonly Point[], factor: number | undefined): PowerRow[] {
  const bands = new Map<number, { torque: number; rpm: number; count: number; fromUs: number; toUs: number }>();
  for (const { atUs, rpm, torqueNm } of points) {
    const band = Math.floor(rpm / bandRpm);
    const into = bands.get(band) ?? { torque: 0, rpm: 0, count: 0, fromUs: atUs, toUs: atUs };
    bands.set(band, into);
    into.torque += torqueNm;
    into.rpm += rpm;
    into.count++;
    into.toUs = atUs;
  }
  const rounded = (value: number) => Number(value.toFixed(1));
  return [...bands]
    .sort(([a], [b]) => a - b)
    .map(([band, { torque, rpm, count, fromUs, toUs }]) => {
      const [torqueNm, kw] = [torque / count, powerKw(torque / count, rpm / count)];
      return {
        speed: Math.round((band + 0.5) * bandRpm),
        torqueNm: rounded(torqueNm),
        powerKw: rounded(kw),
        correctedNm: factor === undefined ? null : rounded(torqueNm * factor),
        correctedKw: factor === undefined ? null : rounded(kw * factor),
        from: { count, meanNm: torqueNm, meanRpm: rpm / count, fromUs, toUs },
      };
    });
}

/** Typed air has the word before channels. Without humidity the air is taken as dry, and a note says so. */
function correctionOf(series: SeriesSet, vehicle: Vehicle, air: TypedAir, fromUs: number, toUs: number) {
  const notJudged: PowerCurve['notJudged'] = [];
  const over = (channel: string | undefined, unit: string) => {
    const watched = watch(series, channel, unit, 'bad');
    return watched && medianWithin(watched, fromUs - 1_000_000, toUs);
  };
  const barometer = vehicle.engine?.barometer;
  const ofFile = barometer && 'valueKpa' in barometer ? barometer.valueKpa : over(barometer?.channel, 'kPa');
  const stationKpa = air.stationKpa ?? ofFile;
  const roomC = air.roomC ?? over(findUsualChannel(vehicle, 'roomTemp'), 'degC');
  const typed = 'typed in';
  const ofChannel = barometer && 'channel' in barometer ? `channel ${barometer.channel}` : 'vehicle.yaml, engine: barometer:';
  const airFrom = {
    station: air.stationKpa === undefined ? ofChannel : typed,
    room: air.roomC === undefined ? `channel ${findUsualChannel(vehicle, 'roomTemp')}` : typed,
    humidity: air.humidityPercent === undefined ? 'not given' : typed,
  };
  if (stationKpa === undefined)
    notJudged.push({ what: 'corrected power', line: 'engine: { barometer: <channel, or 98.2 kPa> }, or the station pressure typed in' });
  if (roomC === undefined)
    notJudged.push({ what: 'corrected power', line: `${lineOfUsualChannel('roomTemp')}, or the temperature of the room typed in` });
  if (stationKpa === undefined || roomC === undefined) return { correction: null, notJudged, air: airFrom };
  const humidityPercent = air.humidityPercent ?? null;
  const vapourKpa = humidityPercent === null ? 0 : vapourPressureKpa(roomC, humidityPercent);
  const { factor, notes } = correctionSaeJ1349(stationKpa, vapourKpa, roomC, air.holdsAbsolute ?? false);
  if (humidityPercent === null) notes.push('humidity was not given: taken as dry air, which corrects too little in damp weather');
  if (air.stationKpa === undefined && barometer && 'altitudeM' in barometer && barometer.altitudeM !== undefined)
    notes.push('station pressure follows from altitude alone: weather makes that uncertain by 3 kPa');
  return { correction: { factor, stationKpa, roomC, humidityPercent, notes }, notJudged, air: airFrom };
}
