// Heat cycles over all sessions: up to temperature and cold again, numbered; and the hours that each probe has been in a running exhaust. Pure.
import { withUsersLimits } from '../checks/check-limits.ts';
import type { LimitsOf } from '../checks/usual-limits.ts';
import type { CheckResult } from '../checks/verdict.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { RunDigest } from './runs.ts';
import type { SessionDigest } from './session-digest.ts';

/** A session with its place in wall time, oldest first in every list. */
export interface PlacedDigest {
  session: number;
  startedWallMs: number;
  seconds: number;
  digest: SessionDigest;
}

export interface ProbeHours {
  /** The probe's own name, or its cylinder where the file doesn't name it. */
  probe: string;
  cylinder: number;
  hours: number;
}

export interface HeatCycle {
  /** Null: it didn't come up to temperature and doesn't count. */
  number: number | null;
  /** Its first run: what its sheet is kept by. */
  session: number;
  /** Seconds from that session's first frame. */
  fromS: number;
  startedWallMs: number;
  /** The end of its last run. */
  endedWallMs: number;
  runs: number;
  runningS: number;
  startC: number | null;
  coolantPeakC: number | null;
  oilPeakC: number | null;
  exhaustPeaks: RunDigest['exhaustPeaks'];
  /** Seen cold behind it; null: not yet. */
  cold: { wallMs: number; degC: number | null } | null;
  /** Of the probes that were in it, all their hours up to its end. */
  probeHours: ProbeHours[];
}

interface PlacedRun {
  session: number;
  startedWallMs: number;
  endedWallMs: number;
  run: RunDigest;
  digest: SessionDigest;
}

/** @param sessions Oldest first. */
export function findHeatCycles(sessions: readonly PlacedDigest[], vehicle: Vehicle): HeatCycle[] {
  const { limits } = readHeatCycleLimits(vehicle);
  const cycles: HeatCycle[] = [];
  const hours = new Map<string, ProbeHours>();
  let number = 0;
  for (const session of sessions) {
    const open = cycles.at(-1);
    if (open) closeIfCold(open, session, limits);
    for (const placed of runsOf(session)) {
      addHours(hours, placed);
      const last = cycles.at(-1);
      const isNew = !last || last.cold !== null || isColdStart(placed, last, limits);
      if (isNew && last) last.cold ??= { wallMs: placed.startedWallMs, degC: placed.run.startC };
      if (isNew) cycles.push(beginCycle(placed));
      const cycle = cycles.at(-1) as HeatCycle;
      extend(cycle, placed, hours);
      if (cycle.number === null && peakOf(cycle) >= limits.warmC) cycle.number = ++number;
    }
  }
  return cycles;
}

type Limits = LimitsOf<'heat-cycles'>;

/** Those in force, and what of the vehicle file was not understood. */
export function readHeatCycleLimits(vehicle: Vehicle): { limits: Limits; notJudged: { what: string; line: string }[] } {
  const unread: CheckResult = { check: 'heat-cycles', frames: 0, seconds: 0, verdicts: [], notJudged: [] };
  const limits = withUsersLimits('heat-cycles', vehicle, unread);
  return { limits, notJudged: unread.notJudged ?? [] };
}

function runsOf({ session, startedWallMs, digest }: PlacedDigest): PlacedRun[] {
  return digest.runs.map((run) => ({
    session,
    startedWallMs: Math.round(startedWallMs + run.fromS * 1000),
    endedWallMs: Math.round(startedWallMs + run.toS * 1000),
    run,
    digest,
  }));
}

/** A session that began cold says so even when it never fired. */
function closeIfCold(cycle: HeatCycle, { startedWallMs, digest }: PlacedDigest, limits: Limits): void {
  if (cycle.cold === null && digest.restC !== null && digest.restC <= limits.coldC)
    cycle.cold = { wallMs: startedWallMs, degC: digest.restC };
}

function isColdStart({ run, startedWallMs }: PlacedRun, last: HeatCycle, { coldC, coldAfterS }: Limits): boolean {
  if (run.startC !== null) return run.startC <= coldC;
  return startedWallMs - last.endedWallMs >= coldAfterS * 1000;
}

function beginCycle({ session, startedWallMs, endedWallMs, run }: PlacedRun): HeatCycle {
  return {
    number: null,
    session,
    fromS: run.fromS,
    startedWallMs,
    endedWallMs,
    runs: 0,
    runningS: 0,
    startC: run.startC,
    coolantPeakC: null,
    oilPeakC: null,
    exhaustPeaks: [],
    cold: null,
    probeHours: [],
  };
}

function extend(cycle: HeatCycle, { endedWallMs, run, digest }: PlacedRun, hours: ReadonlyMap<string, ProbeHours>): void {
  cycle.endedWallMs = endedWallMs;
  cycle.runs++;
  cycle.runningS += run.toS - run.fromS;
  cycle.coolantPeakC = higher(cycle.coolantPeakC, run.coolantPeakC);
  cycle.oilPeakC = higher(cycle.oilPeakC, run.oilPeakC);
  const peaks = new Map(cycle.exhaustPeaks.map(({ cylinder, peakC }) => [cylinder, peakC]));
  for (const { cylinder, peakC } of run.exhaustPeaks) peaks.set(cylinder, Math.max(peakC, peaks.get(cylinder) ?? peakC));
  cycle.exhaustPeaks = [...peaks].sort(([a], [b]) => a - b).map(([cylinder, peakC]) => ({ cylinder, peakC }));
  cycle.probeHours = digest.probes.map((probe) => ({ ...(hours.get(keyOf(probe)) as ProbeHours) }));
}

function higher(a: number | null, b: number | null): number | null {
  return a === null ? b : b === null ? a : Math.max(a, b);
}

function peakOf({ coolantPeakC, oilPeakC }: HeatCycle): number {
  return coolantPeakC ?? oilPeakC ?? Number.NEGATIVE_INFINITY;
}

const keyOf = ({ probe, cylinder }: { probe: string | null; cylinder: number }): string => probe ?? `cylinder ${cylinder}`;

function addHours(hours: Map<string, ProbeHours>, { run, digest }: PlacedRun): void {
  for (const fitted of digest.probes) {
    const key = keyOf(fitted);
    const known = hours.get(key)?.hours ?? 0;
    hours.set(key, { probe: key, cylinder: fitted.cylinder, hours: known + (run.toS - run.fromS) / 3600 });
  }
}

/** Of every probe that was ever in, most hours first; `cylinder` is where it was last. */
export function totalProbeHours(sessions: readonly PlacedDigest[]): ProbeHours[] {
  const hours = new Map<string, ProbeHours>();
  for (const session of sessions) for (const placed of runsOf(session)) addHours(hours, placed);
  return [...hours.values()].sort((a, b) => b.hours - a.hours || a.cylinder - b.cylinder);
}
