// Searches for undocumented signals as the main process sees them: one after the other, each in a worker, with progress, cancel and findings.
import type { SearchView } from '../contract/finder.ts';
import type { DefinitionFile, Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import type { Finding } from '../finder/signal-finder.ts';
import { searchesKeptMax, searchesWaitingMax } from '../limits.ts';
import { type RunningTask, runTask } from './run-task.ts';
import type { SearchResult, SessionSearch } from './search-session.ts';

interface Search {
  view: SearchView;
  asked: SessionSearch;
  files: DefinitionFile[];
  found: Finding[];
}

export class SignalSearches {
  private readonly data: string;
  /** The definitions of now. */
  private readonly vehicle: () => Vehicle;
  private searches: Search[] = [];
  private numbered = 0;
  private current: { search: Search; running: RunningTask<SearchResult> } | undefined;

  constructor(data: string, vehicle: () => Vehicle) {
    this.data = data;
    this.vehicle = vehicle;
  }

  /** Oldest first. */
  list(): SearchView[] {
    return this.searches.map(({ view }) => view);
  }

  /** @throws EvenburnError SEARCH_UNKNOWN */
  get(number: number): SearchView {
    return this.found(number).view;
  }

  /**
   * Starts a search, or lets it wait for its turn.
   * @throws EvenburnError SEARCHES_TOO_MANY when too many wait. What goes wrong later is the search's `problem`.
   */
  start(asked: SessionSearch): SearchView {
    if (this.searches.filter(({ view }) => !isOver(view)).length >= searchesWaitingMax) throw new EvenburnError('SEARCHES_TOO_MANY');
    const view: SearchView = {
      search: ++this.numbered,
      state: 'waiting',
      share: 0,
      session: asked.session,
      like: asked.like ?? null,
      unit: '',
      frames: 0,
      ids: 0,
      candidates: 0,
      findings: [],
      problem: '',
    };
    this.searches.push({ view, asked, files: this.vehicle().files, found: [] });
    const over = this.searches.filter((one) => isOver(one.view));
    for (const old of over.slice(0, Math.max(0, this.searches.length - searchesKeptMax)))
      this.searches = this.searches.filter((one) => one !== old);
    void this.next();
    return view;
  }

  /** Nothing is left behind. One that is over stays as it is. @throws EvenburnError SEARCH_UNKNOWN */
  cancel(number: number): SearchView {
    const search = this.found(number);
    if (isOver(search.view)) return search.view;
    search.view.state = 'cancelled';
    if (this.current?.search === search) void this.current.running.worker.terminate();
    return search.view;
  }

  /** A finding to be written, and its bus. @throws EvenburnError SEARCH_UNKNOWN, FINDING_UNKNOWN */
  findingOf(number: number, which: number): { finding: Finding; bus: string } {
    const { found, view } = this.found(number);
    const [finding, shown] = [found[which - 1], view.findings[which - 1]];
    if (!finding || !shown) throw new EvenburnError('FINDING_UNKNOWN', { number: which, count: found.length });
    return { finding, bus: shown.bus };
  }

  async close(): Promise<void> {
    for (const { view } of this.searches) if (!isOver(view)) view.state = 'cancelled';
    await this.current?.running.worker.terminate();
  }

  private found(number: number): Search {
    const search = this.searches.find(({ view }) => view.search === number);
    if (!search) throw new EvenburnError('SEARCH_UNKNOWN', { search: number });
    return search;
  }

  private async next(): Promise<void> {
    const search = this.searches.find(({ view }) => view.state === 'waiting');
    if (!search || this.current) return;
    const { view, asked, files } = search;
    view.state = 'running';
    const running = runTask<'search'>(this.data, { kind: 'search', search: asked, files }, (share) => {
      view.share = Math.max(view.share, Math.min(1, share));
    });
    this.current = { search, running };
    try {
      this.take(search, await running.done);
    } catch (error) {
      // A cancelled search's worker was ended: that is no failure.
      if (!isOver(view)) Object.assign(view, { state: 'failed', problem: toWords(error) });
    }
    this.current = undefined;
    void this.next();
  }

  private take(search: Search, { findings, ...counts }: SearchResult): void {
    if (isOver(search.view)) return;
    search.found = findings.map(({ finding }) => finding);
    Object.assign(search.view, counts, {
      state: 'done',
      share: 1,
      findings: findings.map(({ view }, i) => ({ ...view, number: i + 1 })),
    });
  }
}

function isOver({ state }: SearchView): boolean {
  return state !== 'waiting' && state !== 'running';
}

function toWords(error: unknown): string {
  if (error instanceof EvenburnError) return `${error.message}. ${error.cure}`;
  return error instanceof Error ? (error.message.split('\n')[0] ?? '') : String(error);
}
