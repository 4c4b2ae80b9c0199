// `evenburn reread SESSION... --vehicle DIR`: new readings of stored records, beside the old ones, and what is different.
import type { Command } from 'commander';
import type { AlarmEvent } from '../alarms/alarm-event.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { ChannelDifference, ReadingsCompared } from '../recording/compare-readings.ts';
import { AnswerIsNo } from './answer.ts';
import { sessionNumber } from './session-number.ts';

interface RereadOptions {
  vehicle?: string;
  asRecorded?: boolean;
  all?: boolean;
  data?: string;
  json?: boolean;
  use?: boolean;
}

export function addRereadCommand(program: Command): void {
  program
    .command('reread')
    .description("read sessions' frames again by today's definitions, beside the reading that each has, and say what is different")
    .argument('[session...]', 'numbers of sessions')
    .option('--all', 'every session, oldest first')
    .option('--vehicle <dir>', 'vehicle folder to read by')
    .option('--as-recorded', 'read by the definitions that were in force, each from where it came into force')
    .option('--use', 'pages show the new reading from now on; the old one is kept')
    .option('--json', 'the differences as JSON, a line a session')
    .option('--data <dir>', 'folder of the recorded sessions')
    .action(reread);
}

async function reread(texts: string[], options: RereadOptions): Promise<void> {
  const [{ EvenburnError }, { dataFolder }, { sessionNumbers }] = await Promise.all([
    import('../errors.ts'),
    import('../settings.ts'),
    import('../recording/data-folder.ts'),
  ]);
  const usage = (what: string) => new EvenburnError('USAGE_WRONG', { what });
  const data = dataFolder(options.data);
  if ((options.vehicle === undefined) === (options.asRecorded !== true)) throw usage('reread needs either --vehicle DIR or --as-recorded');
  if (texts.length > 0 === (options.all === true)) throw usage('reread needs either the numbers of sessions or --all');
  const vehicle =
    options.vehicle === undefined ? undefined : await (await import('../definitions/load-vehicle.ts')).getVehicle(options.vehicle);
  const sessions = options.all ? sessionNumbers(data) : [...new Set(texts.map(sessionNumber))];
  const stopping = new AbortController();
  process.once('SIGINT', () => stopping.abort());
  if (sessions.length === 1) await rereadOne(data, sessions[0] as number, vehicle, options, stopping.signal);
  else await rereadMany(data, sessions, vehicle, options, stopping.signal);
  if (stopping.signal.aborted) process.exitCode = 130;
}

/** One session after the other: what goes wrong with one is said, and the others are read. */
async function rereadMany(
  data: string,
  sessions: readonly number[],
  vehicle: Vehicle | undefined,
  options: RereadOptions,
  signal: AbortSignal,
): Promise<void> {
  const { EvenburnError } = await import('../errors.ts');
  let failed = 0;
  for (const [i, session] of sessions.entries()) {
    if (signal.aborted) break;
    process.stderr.write(`session ${session}, ${i + 1} of ${sessions.length}\n`);
    try {
      await rereadOne(data, session, vehicle, options, signal);
    } catch (error) {
      if (!(error instanceof EvenburnError)) throw error;
      if (options.all && error.code === 'SESSION_RECORDING')
        process.stderr.write(`session ${session} is being recorded and was left out\n`);
      else {
        failed++;
        process.stderr.write(`evenburn: ${error.message}. ${error.cure}\n`);
      }
    }
  }
  if (failed > 0) throw new AnswerIsNo();
}

async function rereadOne(
  data: string,
  session: number,
  vehicle: Vehicle | undefined,
  options: RereadOptions,
  signal: AbortSignal,
): Promise<void> {
  const [{ finishLeftOpen }, { rereadSession }, { SessionFile }, { ReadingFile }, { compareReadings }, { machineClock }] =
    await Promise.all([
      import('../recording/recovery.ts'),
      import('../recording/reread.ts'),
      import('../recording/session-file.ts'),
      import('../recording/reading-file.ts'),
      import('../recording/compare-readings.ts'),
      import('../clock.ts'),
    ]);
  await finishLeftOpen(data, session);
  const shown = shownReading(SessionFile.open(data, session));
  const reading = await unlessStopped(signal, session, () =>
    rereadSession(data, session, { nowWallMs: machineClock.wallMs(), ...(vehicle ? { vehicle } : {}), progress: showProgress, signal }),
  );
  if (reading === undefined) return;
  if (options.use) (await import('../recording/session-edits.ts')).showReading(data, session, reading);
  const file = SessionFile.open(data, session);
  try {
    const compared = compareReadings(new ReadingFile(file, shown), new ReadingFile(file, reading));
    const startUs = file.facts.firstUs;
    process.stdout.write(
      options.json
        ? `${JSON.stringify({ session, reading, beside: shown, ...compared })}\n`
        : told(session, reading, shown, compared, startUs),
    );
  } finally {
    file.close();
  }
}

/** Undefined when the user stopped it: what was half read is gone then. */
async function unlessStopped(signal: AbortSignal, session: number, work: () => Promise<number>): Promise<number | undefined> {
  try {
    return await work();
  } catch (error) {
    if (!signal.aborted) throw error;
    process.stderr.write(`evenburn: stopped; session ${session} is as it was\n`);
    return undefined;
  }
}

/** On a screen, the share done; a file or a pipe isn't filled with it. */
function showProgress(share: number): void {
  if (!process.stderr.isTTY) return;
  process.stderr.write(share < 1 ? `\r${Math.floor(share * 100)} %` : '\r     \r');
}

function shownReading(file: import('../recording/session-file.ts').SessionFile): number {
  try {
    return file.shownReading;
  } finally {
    file.close();
  }
}

function told(session: number, reading: number, shown: number, compared: ReadingsCompared, startUs: number): string {
  const lines = [`session ${session}: reading ${reading}, beside reading ${shown}`];
  if (compared.identical) lines.push(`identical: ${compared.samples} samples and every alarm are the same to the last bit`);
  for (const difference of compared.channels) lines.push(channelLine(difference, startUs));
  for (const channel of compared.onlyOld) lines.push(`${channel}: only in reading ${shown}`);
  for (const channel of compared.onlyNew) lines.push(`${channel}: only in reading ${reading}`);
  for (const event of compared.alarmsOnlyNew) lines.push(`alarm that would have come: ${alarmText(event, startUs)}`);
  for (const event of compared.alarmsOnlyOld) lines.push(`alarm that would not have come: ${alarmText(event, startUs)}`);
  if (!compared.identical && lines.length === 1) lines.push('every sample is the same; alarms differ only in their details');
  return `${lines.join('\n')}\n`;
}

function channelLine({ channel, unit, oldSamples, newSamples, different, most }: ChannelDifference, startUs: number): string {
  const count =
    oldSamples === newSamples ? `${different} of ${newSamples} samples differ` : `${oldSamples} samples before, ${newSamples} now`;
  if (!most) return `${channel}: ${count}`;
  const units = unit === '' ? '' : ` ${unit}`;
  return `${channel}: ${count}, at most by ${most.by}${units} (${seconds(most.atUs, startUs)} s: ${most.old}, now ${most.new})`;
}

function alarmText({ alarm, severity, timeUs }: AlarmEvent, startUs: number): string {
  return `${alarm} (${severity}) at ${seconds(timeUs, startUs)} s`;
}

/** From the session's first frame. */
function seconds(timeUs: number, startUs: number): string {
  return ((timeUs - startUs) / 1e6).toFixed(3);
}
