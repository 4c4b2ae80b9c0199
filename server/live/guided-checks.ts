// Checks led step by step on the live bus: what people did in each step, the same for every browser, kept through a new start.
import { buildProcedures, findProcedure, type Procedure, type Step, withWatchChannels } from '../checks/procedure.ts';
import { applyStepEvent, beginProgress, blockerOf, type Progress, type StepEvent, type StepState } from '../checks/step-state.ts';
import { isOf } from '../checks/step-verdicts.ts';
import type { CheckResult } from '../checks/verdict.ts';
import type { StepAct } from '../contract/check-steps.ts';
import type { CheckRun, CheckState } from '../contract/checks.ts';
import type { LogEntry, LogEntryRequest } from '../contract/log-book.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { checkResumeMsMax } from '../limits.ts';
import type { CheckRuns } from '../recording/check-runs.ts';
import type { GatheringState, LiveChecks } from './live-checks.ts';

/** What it asks of the running station. */
export interface GuidedStation {
  readonly vehicle: Vehicle;
  wallMs(): number;
}

export interface GuidedParts {
  live: LiveChecks;
  runs: CheckRuns;
  station: GuidedStation;
  /** Writes a line of the log book; without one nothing outlives a new start. */
  write?(entry: LogEntryRequest): Promise<LogEntry>;
  /** Titles of blocking items of the preparation list that are open. */
  blocking?(): Promise<string[]>;
  /** The session that is recorded now. */
  session(): number | null;
}

interface Led {
  procedure: Procedure;
  progress: Progress;
  order: number[] | undefined;
  by: string;
  /** Number of the log book's entry; undefined without a log book. */
  entry: number | undefined;
  resumed: boolean;
}

export class GuidedChecks {
  private readonly parts: GuidedParts;
  private led: Led | undefined;
  /** A step that has come to be is on its way to the disk. */
  private settling = false;
  /** One act is done after the other, so that two browsers never settle a step twice. */
  private last: Promise<unknown> = Promise.resolve();

  constructor(parts: GuidedParts) {
    this.parts = parts;
    parts.live.onResult = (result) => this.hear(result);
  }

  /** The checks of the vehicle in force, in the order of the first evening. */
  procedures(): Procedure[] {
    return buildProcedures(this.parts.station.vehicle);
  }

  /** Null while none runs. */
  state(): CheckState | null {
    const gathering = this.parts.live.state();
    return gathering && this.led ? toState(gathering, this.led) : null;
  }

  /** @throws EvenburnError CHECK_RUNNING, CHECK_UNKNOWN, DATA_UNWRITABLE */
  start(check: string, by: string, order?: number[]): Promise<CheckState> {
    return this.inTurn(async () => {
      const { live, station } = this.parts;
      const procedure = findProcedure(station.vehicle, check);
      // The preparation list is no check of the bus: it is settled item by item.
      if (!procedure || check === 'preparation') throw new EvenburnError('CHECK_UNKNOWN', { check });
      const led: Led = { procedure, progress: beginProgress(procedure), order, by, entry: undefined, resumed: false };
      live.start(check, toOptions(led), withWatchChannels(station.vehicle, procedure));
      this.led = led;
      try {
        led.entry = (await this.write({ kind: 'check-begun', check, by, note: '', ...(order ? { order } : {}) }))?.entry;
      } catch (error) {
        live.drop();
        throw error;
      }
      return this.getState();
    });
  }

  /** @throws EvenburnError CHECK_NOT_RUNNING, CHECK_STEP_UNKNOWN, CHECK_STEP_BLOCKED, CHECK_STEP_WAITS, CHECK_NOT_READY, REQUEST_WRONG */
  act(asked: StepAct): Promise<CheckState> {
    return this.inTurn(async () => {
      const { gathering, led } = this.getLed();
      const step = led.procedure.steps.find(({ name }) => name === asked.step);
      if (!step) throw new EvenburnError('CHECK_STEP_UNKNOWN', { step: asked.step });
      await this.refuseTooEarly(step, asked, led, gathering.result);
      const { value, cylinders, reason, by } = asked;
      const outcome = ({ begin: 'begun', done: 'done', skip: 'skipped' } as const)[asked.act];
      const read = {
        ...(value === undefined || !step.reading ? {} : { value }),
        ...(cylinders === undefined || !step.choose ? {} : { cylinders }),
        ...(reason === undefined || outcome !== 'skipped' ? {} : { reason }),
      };
      await this.apply({ step: step.name, outcome, seconds: gathering.seconds, by, wallMs: this.parts.station.wallMs(), ...read });
      return this.getState();
    });
  }

  /** Judges for the last time and keeps the run. @throws EvenburnError CHECK_NOT_RUNNING, DATA_UNWRITABLE */
  finish(): Promise<CheckRun> {
    return this.inTurn(async () => {
      const { led, gathering } = this.getLed();
      closeWindow(led, gathering);
      this.parts.live.setOptions(toOptions(led));
      const { state, vehicle, result } = await this.parts.live.finish();
      this.led = undefined;
      const { procedure, by } = led;
      const steps = led.progress.steps as CheckRun['steps'];
      const { check, startedWallMs, seconds, definitionHash, unseenFrames } = state;
      const run = await this.parts.runs.add({
        ...{ check, startedWallMs, seconds, definitionHash, unseenFrames, vehicle, by, steps },
        title: procedure.title,
        procedure: procedure as CheckRun['procedure'],
        skipped: Object.values(steps).filter((step) => step.state === 'skipped').length,
        session: this.parts.session(),
        result: withNotDone(result, led) as CheckRun['result'],
      });
      if (led.entry !== undefined) await this.write({ kind: 'check-ended', of: led.entry, run: run.run, by, note: '' });
      return run;
    });
  }

  /** Forgets the running check. @throws EvenburnError CHECK_NOT_RUNNING */
  drop(): Promise<void> {
    return this.inTurn(async () => {
      const { led } = this.getLed();
      this.parts.live.drop();
      this.led = undefined;
      if (led.entry !== undefined) await this.write({ kind: 'check-ended', of: led.entry, by: led.by, note: '' });
    });
  }

  /**
   * Goes on with the check that ran when the server was ended: its steps from the log book, its evidence from the record.
   * @param startedWallMs When this server's session time began: what was recorded before is read from the disk.
   */
  resume(log: readonly LogEntry[], data: string, startedWallMs: number): void {
    const begun = log.findLast((entry) => entry.kind === 'check-begun');
    if (!begun || log.some((entry) => entry.kind === 'check-ended' && entry.of === begun.entry)) return;
    const { live, station } = this.parts;
    const procedure = findProcedure(station.vehicle, begun.check);
    if (!procedure || station.wallMs() - begun.wallMs > checkResumeMsMax) return;
    const events = log.flatMap((entry) => (entry.kind === 'check-step' && entry.of === begun.entry ? [toEvent(entry)] : []));
    const known = events.filter(({ step }) => procedure.steps.some(({ name }) => name === step));
    const progress = known.reduce((before, event) => applyStepEvent(procedure, before, event), beginProgress(procedure));
    const led: Led = { procedure, progress, order: begun.order, by: begun.by, entry: begun.entry, resumed: true };
    const shiftUs = Math.round((startedWallMs - begun.wallMs) * 1000);
    const resumed = { data, begunWallMs: begun.wallMs, untilWallMs: startedWallMs, shiftUs };
    live.start(begun.check, toOptions(led), withWatchChannels(station.vehicle, procedure), resumed);
    this.led = led;
  }

  /** A step that waits for something is settled when it has come. */
  private hear({ met = [] }: CheckResult): void {
    const step = this.led?.procedure.steps.find(({ name }) => name === this.led?.progress.current);
    if (this.settling || !step?.watch || step.cylinder !== undefined || !met.includes(step.name)) return;
    this.settling = true;
    const settled = () => {
      this.settling = false;
    };
    void this.act({ step: step.name, act: 'done', by: 'the check itself' }).then(settled, settled);
  }

  private async refuseTooEarly(step: Step, asked: StepAct, led: Led, result: CheckResult | null): Promise<void> {
    const blocker = blockerOf(led.procedure, led.progress.steps, step.name);
    if (blocker !== undefined) throw new EvenburnError('CHECK_STEP_BLOCKED', { step: step.title, blocker });
    if (asked.act === 'skip' && asked.reason === undefined)
      throw new EvenburnError('REQUEST_WRONG', { what: 'a skipped step needs a reason' });
    if (asked.act !== 'done') return;
    if (step.reading && asked.value === undefined) throw new EvenburnError('REQUEST_WRONG', { what: 'this step needs a value' });
    if (step.choose && asked.cylinders === undefined)
      throw new EvenburnError('REQUEST_WRONG', { what: 'this step needs cylinders, or []' });
    const waits = step.watch && (step.watch.until !== undefined || step.watch.verdict) && step.blocking;
    if (waits && !result?.met?.includes(step.name)) throw new EvenburnError('CHECK_STEP_WAITS', { step: step.title });
    const open = step.arms ? ((await this.parts.blocking?.()) ?? []) : [];
    if (open.length > 0) throw new EvenburnError('CHECK_NOT_READY', { items: open.join(', ') });
  }

  /** On the disk before it counts: what a page shows as done is done after a new start, too. */
  private async apply(event: StepEvent): Promise<void> {
    const { led } = this.getLed();
    const { wallMs: _, ...said } = event;
    if (led.entry !== undefined) await this.write({ kind: 'check-step', of: led.entry, note: '', ...said });
    led.progress = applyStepEvent(led.procedure, led.progress, event);
    this.parts.live.setOptions(toOptions(led));
  }

  private async write(entry: LogEntryRequest): Promise<LogEntry | undefined> {
    return this.parts.write?.(entry);
  }

  private getLed(): { led: Led; gathering: GatheringState } {
    const gathering = this.parts.live.state();
    if (!gathering || !this.led) throw new EvenburnError('CHECK_NOT_RUNNING');
    return { led: this.led, gathering };
  }

  private getState(): CheckState {
    const { gathering, led } = this.getLed();
    return toState(gathering, led);
  }

  private inTurn<T>(work: () => Promise<T>): Promise<T> {
    const done = this.last.then(work);
    this.last = done.catch(() => undefined);
    return done;
  }
}

function toOptions({ order, procedure, progress }: Led) {
  return { ...(order ? { order } : {}), guide: { procedure, steps: progress.steps } };
}

function toState(gathering: GatheringState, { procedure, progress, order, by, resumed }: Led): CheckState {
  const arming = procedure.steps.find(({ arms }) => arms);
  const steps = progress.steps as CheckState['steps'];
  return {
    ...gathering,
    result: gathering.result as CheckState['result'],
    procedure: procedure as CheckState['procedure'],
    steps,
    current: progress.current ?? null,
    armed: arming !== undefined && (steps[arming.name]?.state ?? 'open') !== 'open',
    by,
    resumed,
    ...(order ? { order } : {}),
  };
}

function toEvent(entry: LogEntry & { kind: 'check-step' }): StepEvent {
  const { step, outcome, seconds, value, cylinders, reason, by, wallMs } = entry;
  return {
    ...{ step, outcome, seconds, by, wallMs },
    ...(value === undefined ? {} : { value }),
    ...(cylinders === undefined ? {} : { cylinders }),
    ...(reason === undefined ? {} : { reason }),
  };
}

/** The stretch in which the check itself looked ends with the check; nobody has to say so. */
function closeWindow(led: Led, { seconds, result }: GatheringState): void {
  const { procedure, progress } = led;
  const step = procedure.steps.find(({ name }) => name === progress.current);
  const state = step && progress.steps[step.name];
  if (!step?.watch || step.watch.until !== undefined || !state) return;
  if (step.watch.verdict && !result?.met?.includes(step.name)) return;
  const closed: StepState = { ...state, state: 'done', toS: seconds, by: led.by };
  led.progress = { steps: { ...progress.steps, [step.name]: closed }, current: undefined };
}

/** What nobody came to is said, beside what the file doesn't let the check judge. */
function withNotDone(result: CheckResult, { procedure, progress }: Led): CheckResult {
  const isOpen = (step: Step) => (progress.steps[step.name]?.state ?? 'open') === 'open';
  const open = procedure.steps.filter((step) => isOpen(step) && !result.verdicts.some((verdict) => isOf(step, verdict)));
  const notDone = open.map(({ title }) => ({ what: `${title}: not done`, line: 'nothing: the check was finished before' }));
  return { ...result, notJudged: [...(result.notJudged ?? []), ...notDone] };
}
