// Worker entry: one long piece of work on a stored session, apart from the threads of alarms, recording and replay.
import { parentPort, workerData } from 'node:worker_threads';
import { machineClock } from '../clock.ts';
import type { ReadingsComparison } from '../contract/session-tasks.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { RecordedFileOptions } from '../exchange/recorded-file.ts';
import { importFreeBytesMin } from '../limits.ts';
import { compareReadings } from './compare-readings.ts';
import { exportSession } from './export-session.ts';
import { toPlain } from './plain-error.ts';
import { ReadingFile } from './reading-file.ts';
import { rereadSession } from './reread.ts';
import { showReading } from './session-edits.ts';
import { loadStored, SessionFile } from './session-file.ts';
import type { FromTask, Task, TaskResults, TaskWork } from './task-messages.ts';

const port = parentPort;
if (!port) throw new Error('this is a worker');
const { data, task } = workerData as TaskWork;
const tell = (message: FromTask): void => port.postMessage(message);
const stopping = new AbortController();
/** How often an import tells how far it is. */
const paceMs = 250;
port.on('message', () => stopping.abort());

type Works = { [K in Task['kind']]: (task: Extract<Task, { kind: K }>) => Promise<TaskResults[K]> };

const works: Works = {
  async reread({ session, files, nowWallMs, use }) {
    const against = shownReading(session);
    const progress = (share: number): void => tell({ kind: 'progress', share });
    const reading = await rereadSession(data, session, { vehicle: loadStored(files), nowWallMs, progress, signal: stopping.signal });
    const comparison = compare(session, reading, against);
    if (use) showReading(data, session, reading);
    return { reading, comparison };
  },
  compare: async ({ session, reading, against }) => compare(session, reading, against),
  async report({ session, reading, nowWallMs }) {
    const [{ gatherReport }, { toReportPage }] = await Promise.all([import('./gather-report.ts'), import('../report/report-page.ts')]);
    return toReportPage(await gatherReport(data, session, reading), nowWallMs);
  },
  export: ({ session, options }) => exportSession(data, session, options),
  async import({ path, name, files, nowWallMs, ...source }) {
    const { importSessionFile, looksLikeSession } = await import('./import-session.ts');
    if (looksLikeSession(path)) return { session: await importSessionFile(data, path), frames: 0, remarks: [] };
    return importRecordedFile(path, loadStored(files), source, { name, nowWallMs });
  },
  async look({ path, files, ...source }) {
    const [{ lookAtFile }, { looksLikeSession }, { csvFields }] = await Promise.all([
      import('../exchange/look-at-file.ts'),
      import('./import-session.ts'),
      import('../exchange/csv-frames.ts'),
    ]);
    const nothing = { frames: 0, unmatched: [], problem: '', headers: [], guess: {} };
    const seen = looksLikeSession(path)
      ? { ...nothing, format: 'session' }
      : await lookAtFile(path, { buses: loadStored(files).buses, ...(await fileOptions(source)) });
    return { ...seen, fields: [...csvFields] };
  },
  async search({ search, files }) {
    const { searchSession } = await import('./search-session.ts');
    return searchSession(data, loadStored(files), search, (share) => tell({ kind: 'progress', share }));
  },
  async 'engine-history'({ files }) {
    const { gatherEngineHistory } = await import('./gather-engine-history.ts');
    return gatherEngineHistory(data, loadStored(files));
  },
};

interface FileSource {
  bus?: string;
  columns?: string;
}

async function fileOptions({ bus, columns }: FileSource): Promise<Pick<RecordedFileOptions, 'bus' | 'columns'>> {
  const { parseCsvColumns } = await import('../exchange/csv-frames.ts');
  return { ...(bus === undefined ? {} : { bus }), ...(columns === undefined ? {} : { columns: parseCsvColumns(columns) }) };
}

async function importRecordedFile(path: string, vehicle: Vehicle, source: FileSource, made: { name: string; nowWallMs: number }) {
  const [{ openRecordedFile }, { toRemarks }, { PaceMeter }, { importFrames }] = await Promise.all([
    import('../exchange/recorded-file.ts'),
    import('../exchange/intake.ts'),
    import('../exchange/reading-pace.ts'),
    import('./import-session.ts'),
  ]);
  const file = openRecordedFile(path, { buses: vehicle.buses, signal: stopping.signal, ...(await fileOptions(source)) });
  const remarks = () => toRemarks(file.counts);
  const nowMs = () => machineClock.monotonicUs() / 1000;
  const meter = new PaceMeter(file, nowMs());
  const timer = setInterval(() => {
    const pace = meter.look(nowMs());
    tell({ kind: 'progress', share: pace.share ?? 0, pace });
  }, paceMs);
  try {
    // What is being recorded has the last of the space.
    const of = { frames: file, origin: made.name, remarks, freeBytesMin: importFreeBytesMin };
    const session = await importFrames(data, vehicle, of, made.nowWallMs);
    return { session, frames: file.counts.frames, remarks: remarks() };
  } finally {
    clearInterval(timer);
  }
}

function shownReading(session: number): number {
  const file = SessionFile.open(data, session);
  try {
    return file.shownReading;
  } finally {
    file.close();
  }
}

function compare(session: number, reading: number, against: number): ReadingsComparison {
  const file = SessionFile.open(data, session);
  try {
    const found = compareReadings(new ReadingFile(file, against), new ReadingFile(file, reading));
    const { firstUs } = file.facts;
    const seconds = (us: number): number => (us - firstUs) / 1e6;
    const toDifference = ({ alarm, severity, timeUs }: (typeof found.alarmsOnlyNew)[number]) => ({ alarm, severity, atS: seconds(timeUs) });
    return {
      session,
      reading,
      against,
      identical: found.identical,
      samples: found.samples,
      channels: found.channels.map(({ most, ...rest }) => ({
        ...rest,
        most: most && { by: most.by, atS: seconds(most.atUs), old: most.old, new: most.new },
      })),
      onlyOld: found.onlyOld,
      onlyNew: found.onlyNew,
      alarmsMore: found.alarmsOnlyNew.map(toDifference),
      alarmsFewer: found.alarmsOnlyOld.map(toDifference),
    };
  } finally {
    file.close();
  }
}

try {
  const work = works[task.kind] as (task: Task) => Promise<TaskResults[Task['kind']]>;
  tell({ kind: 'done', result: await work(task) });
} catch (error) {
  tell({ kind: 'failed', error: toPlain(error) });
} finally {
  port.close();
}
