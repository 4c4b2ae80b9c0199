// The pulls of stored sessions as people left them, with everything that is said of each; one session after the other is in memory.
import { statSync } from 'node:fs';
import { collectSeries } from '../collect-series.ts';
import type { LogEntry } from '../contract/log-book.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { diagnoseFallOff, type FallOff } from '../dyno/fuel-fall-off.ts';
import { type Hold, readHolds } from '../dyno/holds.ts';
import type { PlacedLog } from '../dyno/power-curve.ts';
import { correctPulls, type NamedPull } from '../dyno/pull-corrections.ts';
import { type PullSummary, summarisePulls } from '../dyno/pull-summary.ts';
import { findPulls, speedReader, traceSpeed } from '../dyno/pulls.ts';
import { alignBySpeed, parseTorqueLog } from '../dyno/torque-log.ts';
import { EvenburnError } from '../errors.ts';
import { dynoSessionsHeldMax } from '../limits.ts';
import { Attachments } from './attachments.ts';
import { startedWallMsOf } from './catalogue.ts';
import { sessionPath } from './data-folder.ts';
import { airOf, type DynoNotes, readDynoNotes } from './dyno-notes.ts';
import { LogBook } from './log-book.ts';
import { SessionFile } from './session-file.ts';
import { readSessionFrames } from './session-frames.ts';

/** How a torque log lies on its session. */
export interface LaidLog {
  name: string;
  rows: number;
  /** Session time of the log's time 0, seconds from the first frame; null: it doesn't fit. */
  offsetS: number | null;
  rmsRpm: number | null;
  problems: string[];
}

export interface SessionPullsFound {
  session: number;
  vehicle: Vehicle;
  startUs: number;
  seconds: number;
  startedWallMs: number;
  summaries: PullSummary<NamedPull>[];
  holds: Hold[];
  fallOff: FallOff[];
  notes: DynoNotes;
  logs: LaidLog[];
  notJudged: { what: string; line: string }[];
}

export class SessionPulls {
  private readonly data: string;
  private readonly logBook: LogBook;
  private readonly attachments: Attachments;
  /** What was found, as long as the file and what was written down about it stay as they were; the one asked for last is the last. */
  private readonly held = new Map<number, { key: string; found: SessionPullsFound }>();

  constructor(data: string) {
    this.data = data;
    this.logBook = new LogBook(data);
    this.attachments = new Attachments(data);
  }

  /** Everything that was written down about a vehicle. */
  entries(vehicle: string): Promise<LogEntry[]> {
    return this.logBook.list(vehicle);
  }

  /** @throws EvenburnError SESSION_UNKNOWN, SESSION_DAMAGED, SESSION_TOO_NEW */
  async of(session: number): Promise<SessionPullsFound> {
    const { vehicle, startedWallMs, isOpen } = this.about(session);
    const notes = readDynoNotes(await this.entries(vehicle.name), session, vehicle);
    const key = JSON.stringify([statSync(sessionPath(this.data, session)).size, notes]);
    const held = this.held.get(session);
    this.held.delete(session);
    const found = held?.key === key && !isOpen ? held.found : await this.find(session, vehicle, startedWallMs, notes);
    this.held.set(session, { key, found });
    for (const oldest of this.held.keys()) {
      if (this.held.size <= dynoSessionsHeldMax) break;
      this.held.delete(oldest);
    }
    return found;
  }

  private about(session: number): { vehicle: Vehicle; startedWallMs: number; isOpen: boolean } {
    const file = SessionFile.open(this.data, session);
    try {
      return { vehicle: file.vehicle, startedWallMs: startedWallMsOf(file), isOpen: file.facts.state === 'open' };
    } finally {
      file.close();
    }
  }

  private async find(session: number, vehicle: Vehicle, startedWallMs: number, notes: DynoNotes): Promise<SessionPullsFound> {
    const series = await collectSeries(readSessionFrames(this.data, session, vehicle), vehicle);
    const { pulls: found, notJudged } = findPulls(series, vehicle);
    const speed = traceSpeed(series, vehicle);
    const pulls = correctPulls(found, notes.corrections, series.startUs, speedReader(series, vehicle));
    const laid = await Promise.all(notes.logs.map((log) => this.lay(log, speed)));
    const placed = laid.flatMap(({ placed: log }) => log ?? []);
    return {
      session,
      vehicle,
      startUs: series.startUs,
      seconds: (series.endUs - series.startUs) / 1e6,
      startedWallMs,
      summaries: summarisePulls({ series, vehicle, air: airOf(notes.dyno), logs: placed }, pulls),
      holds: readHolds(session, series, vehicle, pulls),
      fallOff: diagnoseFallOff(series, vehicle, pulls),
      notes,
      logs: laid.map(({ placed: _, ...about }) => about),
      notJudged,
    };
  }

  /** A log that is gone or doesn't fit stands in no one's way: it says so. */
  private async lay(
    { file, name }: { file: string; name: string },
    speed: ReturnType<typeof traceSpeed>,
  ): Promise<LaidLog & { placed?: PlacedLog }> {
    const none = { name, rows: 0, offsetS: null, rmsRpm: null };
    let text: string;
    try {
      text = (await this.attachments.get(file)).bytes.toString('utf8');
    } catch (error) {
      return { ...none, problems: [error instanceof EvenburnError ? error.message : String(error)] };
    }
    const { log, problems } = parseTorqueLog(text);
    const said = problems.slice(0, problemsToldMax).map(({ line, say }) => `line ${line}: ${say}`);
    if (!log) return { ...none, problems: said };
    const rows = log.timeS.length;
    const found = speed && alignBySpeed(log, speed);
    if (!found) return { ...none, rows, problems: [...said, 'its engine speed is nowhere like that of this session'] };
    return {
      name,
      rows,
      offsetS: found.offsetS,
      rmsRpm: found.rmsRpm,
      problems: said,
      placed: { log, name, zeroUs: speed.startUs + found.offsetS * 1e6 },
    };
  }
}

const problemsToldMax = 5;
