// Worker entry: gathers and judges a live check, and watches the bus for a wiggle or unplug test, apart from the thread of the alarms.
import { parentPort } from 'node:worker_threads';
import type { FrameBatch } from '../bus/frame-batch.ts';
import { BusWatch, type WatchEvent } from '../checks/bus-watch.ts';
import { GatheredCheck, type JudgeOptions } from '../checks/gathered-check.ts';
import { UnplugTest } from '../checks/unplug-test.ts';
import { machineClock } from '../clock.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { checkEvidenceMax, judgeIntervalMs, judgeShareMax } from '../limits.ts';
import { Pipeline } from '../pipeline.ts';
import { type FromCheckWorker, fromPlainBatch, type GatheringStart, type ToCheckWorker } from './check-messages.ts';

type ResumedCheck = NonNullable<GatheringStart['resumed']>;

const port = parentPort;
if (!port) throw new Error('this is a worker');
const tell = (message: FromCheckWorker): void => port.postMessage(message);

let gathered: GatheredCheck | undefined;
/** Added to the times of live frames. */
let shiftUs = 0;
/** Live messages that came while recorded frames were being looked at. */
let held: ToCheckWorker[] | undefined;
let judging: NodeJS.Timeout | undefined;
let watching: { watch: BusWatch; samples: Pipeline | undefined } | undefined;
let unplug: UnplugTest | undefined;
let events: WatchEvent[] = [];
let toldDevices = '';

function judge(): void {
  if (!gathered) return;
  const beganUs = machineClock.monotonicUs();
  tell({ kind: 'result', result: gathered.judge(), full: gathered.evidence > checkEvidenceMax, last: false });
  const tookMs = (machineClock.monotonicUs() - beganUs) / 1000;
  judging = setTimeout(judge, Math.max(judgeIntervalMs, tookMs / judgeShareMax));
}

/** A deadline has come: oil pressure that is missing then is told at once, not at the next look. */
function judgeIfDue(): void {
  if (!gathered?.isDue || held) return;
  clearTimeout(judging);
  judge();
}

function finish(): void {
  clearTimeout(judging);
  if (!gathered) return;
  gathered.finish();
  tell({ kind: 'result', result: gathered.judgeWithSamples(), full: gathered.evidence > checkEvidenceMax, last: true });
  gathered = undefined;
}

function begin({ check, vehicle, options, fromUs, resumed }: ToCheckWorker & { kind: 'check' }): void {
  clearTimeout(judging);
  gathered = new GatheredCheck(check, vehicle, options);
  shiftUs = resumed?.shiftUs ?? 0;
  gathered.pass(resumed ? 0 : fromUs);
  if (resumed) void lookBack(gathered, vehicle, resumed);
  else judge();
}

/** Frames that were recorded before the server was started anew; live ones wait meanwhile. */
async function lookBack(check: GatheredCheck, vehicle: Vehicle, { data, begunWallMs, untilWallMs }: ResumedCheck): Promise<void> {
  held = [];
  const { framesSince } = await import('../recording/frames-since.ts');
  try {
    for await (const batch of framesSince(data, vehicle, begunWallMs, untilWallMs)) {
      if (check.evidence <= checkEvidenceMax) check.take(batch);
    }
  } catch (error) {
    process.stderr.write(`evenburn: what was recorded before can't be looked at: ${(error as Error).message}\n`);
  }
  const waiting = held;
  held = undefined;
  for (const message of waiting) take(message);
  if (gathered === check) judge();
}

function shifted(batch: FrameBatch): FrameBatch {
  if (shiftUs === 0) return batch;
  return Object.assign(Object.create(Object.getPrototypeOf(batch)) as FrameBatch, batch, {
    timeUs: batch.timeUs.map((at) => at + shiftUs),
  });
}

function startWatch(vehicle: Vehicle, names: string[]): void {
  const told = (event: WatchEvent) => events.push(event);
  const sink = { samples: (batch: Parameters<BusWatch['takeSamples']>[0]) => watching?.watch.takeSamples(batch), alarm: () => {} };
  const samples = names.length > 0 ? new Pipeline(vehicle, sink) : undefined;
  const channels = samples?.channels.filter(({ name }) => names.includes(name)) ?? [];
  watching = { watch: new BusWatch(vehicle, told, channels), samples };
  unplug = undefined;
  toldDevices = '';
}

function takeFrames(batch: FrameBatch): void {
  if (gathered && gathered.evidence <= checkEvidenceMax) gathered.take(shifted(batch));
  watching?.watch.take(batch);
  watching?.samples?.take({ kind: 'frames', batch });
  tell({ kind: 'taken', frames: batch.count });
  judgeIfDue();
}

function takeMark(timeUs: number): void {
  if (gathered && gathered.evidence <= checkEvidenceMax) gathered.pass(timeUs + shiftUs);
  judgeIfDue();
  watching?.watch.pass(timeUs);
  watching?.samples?.take({ kind: 'mark', timeUs });
}

/** Events at once; who is there only when it changed. */
function tellWatch(): void {
  if (!watching) return;
  const { watch } = watching;
  if (events.length > 0) tell({ kind: 'events', events });
  events = [];
  const state = {
    silent: watch.silentDevices(),
    limping: watch.limpingDevices(),
    absent: watch.absentDevices(),
    unplug: unplug?.step(watch) ?? null,
  };
  const text = JSON.stringify(state);
  if (text === toldDevices) return;
  toldDevices = text;
  tell({ kind: 'devices', ...state });
}

port.on('message', (message: ToCheckWorker) => {
  if (held) held.push(message);
  else take(message);
});

function take(message: ToCheckWorker): void {
  if (message.kind === 'frames') takeFrames(fromPlainBatch(message.batch));
  else if (message.kind === 'mark') takeMark(message.timeUs);
  else if (message.kind === 'watch') startWatch(message.vehicle, message.channels);
  else if (message.kind === 'unplug') unplug = watching && new UnplugTest(message.device, watching.watch);
  else if (message.kind === 'unwatch') watching = undefined;
  else if (message.kind === 'finish') finish();
  else if (message.kind === 'options') setOptions(message.options);
  else begin(message);
  tellWatch();
}

function setOptions(options: JudgeOptions): void {
  if (gathered) gathered.options = options;
}
