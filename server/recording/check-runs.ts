// Runs of checks kept in the data folder, one readable JSON file each: DATA/checks/NUMBER.json.
import { mkdirSync } from 'node:fs';
import { open, readdir, readFile, rename } from 'node:fs/promises';
import { join } from 'node:path';
import { compareResults } from '../checks/compare-results.ts';
import type { CheckResult } from '../checks/verdict.ts';
import { type CheckRun, type CheckRunSummary, checkRun } from '../contract/checks.ts';
import { EvenburnError } from '../errors.ts';
import { checkRunsListedMax } from '../limits.ts';

/** What is kept of a run; its number and its comparison are added. */
export type NewCheckRun = Pick<
  CheckRun,
  | 'check'
  | 'startedWallMs'
  | 'seconds'
  | 'vehicle'
  | 'definitionHash'
  | 'session'
  | 'result'
  | 'unseenFrames'
  | 'title'
  | 'by'
  | 'procedure'
  | 'steps'
  | 'skipped'
>;

export class CheckRuns {
  private readonly folder: string;
  /** One is written after the other, so that each gets a number of its own. */
  private last: Promise<unknown> = Promise.resolve();

  constructor(data: string) {
    this.folder = join(data, 'checks');
  }

  /**
   * Keeps a run, compared with the last one of the same check in which nothing was wrong.
   * @throws EvenburnError DATA_UNWRITABLE
   */
  add(run: NewCheckRun): Promise<CheckRun> {
    const done = this.last.then(() => this.write(run));
    this.last = done.catch(() => undefined);
    return done;
  }

  /** Newest first; a file that can't be read is left out. */
  async list(): Promise<CheckRunSummary[]> {
    const numbers = (await this.numbers()).reverse().slice(0, checkRunsListedMax);
    const runs = await Promise.all(numbers.map((run) => this.get(run).catch(() => undefined)));
    return runs.flatMap((run) => (run ? [toSummary(run)] : []));
  }

  /** Runs that were made while a session was recorded, oldest first. */
  async ofSession(session: number): Promise<CheckRun[]> {
    const runs = await Promise.all((await this.numbers()).map((run) => this.get(run).catch(() => undefined)));
    return runs.filter((run) => run?.session === session) as CheckRun[];
  }

  /** @throws EvenburnError CHECK_RUN_UNKNOWN */
  async get(run: number): Promise<CheckRun> {
    try {
      return checkRun.parse(JSON.parse(await readFile(join(this.folder, `${run}.json`), 'utf8')));
    } catch (error) {
      throw new EvenburnError('CHECK_RUN_UNKNOWN', { run }, error);
    }
  }

  private async write(run: NewCheckRun): Promise<CheckRun> {
    const good = await this.lastGood(run.check);
    const { verdicts, notJudged } = run.result;
    const wrong = verdicts.filter(({ ok }) => !ok).length;
    const kept: CheckRun = {
      run: Math.max(0, ...(await this.numbers())) + 1,
      ...run,
      ok: wrong === 0,
      wrong,
      right: verdicts.length - wrong,
      notJudged: notJudged?.length ?? 0,
      comparedWith: good?.run ?? null,
      changes: good ? compareResults(run.result as CheckResult, good.result as CheckResult) : [],
    };
    const path = join(this.folder, `${kept.run}.json`);
    try {
      mkdirSync(this.folder, { recursive: true });
      const file = await open(`${path}.new`, 'w');
      try {
        await file.writeFile(`${JSON.stringify(kept, undefined, 1)}\n`);
        await file.sync();
      } finally {
        await file.close();
      }
      await rename(`${path}.new`, path);
    } catch (error) {
      throw new EvenburnError('DATA_UNWRITABLE', { path, why: (error as Error).message }, error);
    }
    return kept;
  }

  private async lastGood(check: CheckRun['check']): Promise<CheckRun | undefined> {
    for (const summary of await this.list()) if (summary.check === check && summary.ok && summary.right > 0) return this.get(summary.run);
    return undefined;
  }

  /** Ascending. */
  private async numbers(): Promise<number[]> {
    const names = await readdir(this.folder).catch(() => []);
    const found = names.map((name) => Number(/^(\d+)\.json$/.exec(name)?.[1] ?? Number.NaN));
    return found.filter(Number.isSafeInteger).sort((a, b) => a - b);
  }
}

function toSummary({
  result: _,
  changes: __,
  comparedWith: ___,
  unseenFrames: ____,
  procedure: _____,
  steps: ______,
  ...summary
}: CheckRun): CheckRunSummary {
  return summary;
}
