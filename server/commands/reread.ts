// `evenburn reread SESSION --vehicle DIR`: a new reading of a stored record, beside the old, and what is different.
import type { Command } from 'commander';
import type { AlarmEvent } from '../alarms/alarm-event.ts';
import type { ChannelDifference, ReadingsCompared } from '../recording/compare-readings.ts';
import { sessionNumber } from './session-number.ts';

interface RereadOptions {
  vehicle?: string;
  asRecorded?: boolean;
  data?: string;
  json?: boolean;
  use?: boolean;
}

export function addRereadCommand(program: Command): void {
  program
    .command('reread')
    .description("read a session's frames again by today's definitions, beside the reading that it has, and say what is different")
    .argument('<session>', 'number of the session')
    .option('--vehicle <dir>', 'vehicle folder to read by')
    .option('--as-recorded', 'read by the definitions that were in force, each from where it came into force')
    .option('--use', 'pages show the new reading from now on; the old one is kept')
    .option('--json', 'the differences as JSON')
    .option('--data <dir>', 'folder of the recorded sessions')
    .action(reread);
}

async function reread(text: string, options: RereadOptions): Promise<void> {
  const [{ EvenburnError }, { dataFolder }, { rereadSession }, { SessionFile }, { ReadingFile }, { compareReadings }, { machineClock }] =
    await Promise.all([
      import('../errors.ts'),
      import('../settings.ts'),
      import('../recording/reread.ts'),
      import('../recording/session-file.ts'),
      import('../recording/reading-file.ts'),
      import('../recording/compare-readings.ts'),
      import('../clock.ts'),
    ]);
  const session = sessionNumber(text);
  const data = dataFolder(options.data);
  if ((options.vehicle === undefined) === (options.asRecorded !== true)) {
    throw new EvenburnError('USAGE_WRONG', { what: 'reread needs either --vehicle DIR or --as-recorded' });
  }
  const shown = shownReading(SessionFile.open(data, session));
  const vehicle =
    options.vehicle === undefined ? undefined : await (await import('../definitions/load-vehicle.ts')).getVehicle(options.vehicle);
  const reading = await rereadSession(data, session, { nowWallMs: machineClock.wallMs(), ...(vehicle ? { vehicle } : {}) });
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
