// Reads from a session file what its report says: facts, a stored reading, and checks and pulls judged on it.
import { checkBus } from '../checks/bus-check.ts';
import { TrafficLog } from '../checks/bus-traffic.ts';
import { checkFirstStart } from '../checks/first-start.ts';
import type { CheckResult } from '../checks/verdict.ts';
import { findPulls } from '../dyno/pulls.ts';
import { findCylinderPeaks, findPullPeaks } from '../report/cylinder-peaks.ts';
import { chooseMainPlots } from '../report/main-plots.ts';
import type { PlotData, ReportData } from '../report/report-data.ts';
import { CheckRuns } from './check-runs.ts';
import { LogBook } from './log-book.ts';
import { listReadings, ReadingFile } from './reading-file.ts';
import { binCodes, seriesSetOf } from './reading-series.ts';
import { SessionFile } from './session-file.ts';
import { busesByName, onBuses } from './session-frames.ts';

const plotBins = 700;

/**
 * @param reading Another reading than the one that pages show.
 * @throws EvenburnError SESSION_UNKNOWN, READING_UNKNOWN, SESSION_DAMAGED, SESSION_TOO_NEW
 */
export async function gatherReport(data: string, session: number, reading?: number): Promise<ReportData> {
  const runs = await new CheckRuns(data).ofSession(session);
  const file = SessionFile.open(data, session);
  try {
    const entries = await new LogBook(data).list(file.facts.vehicle);
    return { ...gather(file, reading), runs, log: entries.filter((entry) => entry.session === session) };
  } finally {
    file.close();
  }
}

function gather(file: SessionFile, asked: number | undefined): Omit<ReportData, 'runs' | 'log'> {
  const { facts, notes } = file;
  const opened = new ReadingFile(file, asked ?? file.shownReading);
  const about = listReadings(file).find(({ id }) => id === opened.id);
  const vehicle = file.reading(() => file.vehicleOf(about?.hash ?? facts.hash));
  const series = seriesSetOf(opened, facts);
  const traffic = trafficOf(file, new TrafficLog(vehicle), vehicle);
  const { pulls, notJudged } = findPulls(series, vehicle);
  const start = checkFirstStart(series, vehicle, traffic);
  const checks: CheckResult[] = [checkBus(traffic), ...(start.verdicts.length > 0 ? [start] : [])];
  const { name, note, tags, conditions } = notes;
  return {
    session: file.session,
    name,
    note,
    tags,
    conditions,
    vehicle,
    recordedHash: facts.hash,
    reading: {
      id: opened.id,
      program: about?.program ?? '',
      node: about?.node ?? '',
      madeWallMs: about?.madeWallMs ?? 0,
      note: about?.note ?? '',
    },
    startedWallMs: facts.startedWallMs,
    seconds: facts.frames === 0 ? 0 : (facts.lastUs - facts.firstUs) / 1e6,
    frames: facts.frames,
    origin: facts.origin,
    state: facts.state,
    stamps: facts.stamps ?? {},
    loss: facts.loss,
    events: facts.events.map(({ timeUs, kind, text }) => ({ atS: (timeUs - facts.firstUs) / 1e6, kind, text })),
    remarks: facts.remarks,
    startUs: facts.firstUs,
    alarms: opened.alarms(),
    checks,
    pulls,
    notJudged,
    peaks: findCylinderPeaks(series, vehicle),
    pullPeaks: findPullPeaks(series, vehicle, pulls),
    plots: plotsOf(opened, vehicle, facts),
  };
}

/** All frames of the session, on the buses of the vehicle that judges. */
function trafficOf(file: SessionFile, traffic: TrafficLog, vehicle: ReportData['vehicle']): TrafficLog {
  let buses = busesByName(file.vehicle, vehicle);
  for (const input of file.record()) {
    if (input.kind === 'definitions') buses = busesByName(input.vehicle, vehicle);
    else if (input.kind === 'frames') traffic.take(onBuses(input.batch, buses));
  }
  return traffic;
}

function plotsOf(
  reading: ReadingFile,
  vehicle: ReportData['vehicle'],
  { firstUs, lastUs }: { firstUs: number; lastUs: number },
): PlotData[] {
  const known = new Map(reading.channels.map(({ name, unit }) => [name, unit]));
  return chooseMainPlots(vehicle, known).map((choice) => {
    const { widthUs, first, traces } = reading.window({ channels: choice.channels, fromUs: firstUs, toUs: lastUs + 1, pixels: plotBins });
    return {
      choice,
      fromS: (first * widthUs - firstUs) / 1e6,
      widthS: widthUs / 1e6,
      seconds: Math.max(0.001, (lastUs - firstUs) / 1e6),
      traces: traces.map((trace) => ({
        channel: trace.channel,
        low: Array.from(trace.min, (value, i) => (trace.numbers[i] === 0 ? null : value)),
        high: Array.from(trace.max, (value, i) => (trace.numbers[i] === 0 ? null : value)),
        quality: binCodes(trace),
      })),
    };
  });
}
