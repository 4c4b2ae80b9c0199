// What people wrote down about a vehicle, in the order in which they did: DATA/log-book.jsonl. Nothing in it is changed or taken back; a
// later entry answers an earlier one.
import { type LogEntry, type LogEntryRequest, logEntry } from '../contract/log-book.ts';
import { LineFile } from './line-file.ts';

export class LogBook {
  private readonly file: LineFile<typeof logEntry>;
  /** One is written after the other, so that each gets a number of its own. */
  private last: Promise<unknown> = Promise.resolve();

  /** @param data The data folder. */
  constructor(data: string) {
    this.file = new LineFile(data, 'log-book.jsonl', logEntry);
  }

  /** Oldest first; entries of other vehicles that share the data folder are left out. */
  async list(vehicle: string): Promise<LogEntry[]> {
    return (await this.file.list()).filter((entry) => entry.vehicle === vehicle);
  }

  /**
   * @param wallMs Milliseconds since 1970, UTC.
   * @param session The session that was recorded meanwhile, unless the entry names one itself.
   * @throws EvenburnError DATA_UNWRITABLE
   */
  add(request: LogEntryRequest, vehicle: string, wallMs: number, session: number | null): Promise<LogEntry> {
    const done = this.last.then(async () => {
      const number = (await this.file.list()).reduce((highest, { entry }) => Math.max(highest, entry), 0) + 1;
      const entry = { ...request, session: request.session ?? session, entry: number, vehicle, wallMs } as LogEntry;
      await this.file.add(entry);
      return entry;
    });
    this.last = done.catch(() => undefined);
    return done;
  }
}
