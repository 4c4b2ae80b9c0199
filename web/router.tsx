// The pages of the program, one row each: a page lives in a folder of its own and is loaded when it is first opened.
import { signal } from '@preact/signals';
import type { ComponentType } from 'preact';

export interface PageProps {
  /** What follows the page's name in the address: `#/sessions/12` gives `['12']`. */
  rest: string[];
  /** What follows `?` in the address. */
  query: URLSearchParams;
}

export interface PageEntry {
  /** First part of the address, `#/NAME`. */
  name: string;
  title: string;
  /** Key that opens it, with `g` before it. */
  key: string;
  /** The page whose tab stands for it; without one it has a tab of its own. */
  under?: string;
  load(): Promise<ComponentType<PageProps>>;
}

/** In the order of the tabs. */
export const pages: PageEntry[] = [
  { name: 'live', title: 'Live', key: 'l', load: async () => (await import('./live/live-page.tsx')).LivePage },
  { name: 'checks', title: 'Checks', key: 'c', load: async () => (await import('./checks/checks-page.tsx')).ChecksPage },
  {
    name: 'history',
    title: 'After the start',
    key: 'a',
    under: 'checks',
    load: async () => (await import('./history/history-page.tsx')).HistoryPage,
  },
  { name: 'pulls', title: 'Pulls', key: 'u', load: async () => (await import('./pulls/pulls-page.tsx')).PullsPage },
  { name: 'sessions', title: 'Sessions', key: 's', load: async () => (await import('./sessions/sessions-page.tsx')).SessionsPage },
  { name: 'plots', title: 'Plots', key: 'p', load: async () => (await import('./plots/plots-page.tsx')).PlotsPage },
  { name: 'frames', title: 'All frames', key: 'f', load: async () => (await import('./frames/frames-page.tsx')).FramesPage },
  {
    name: 'tables',
    title: 'Table import',
    key: 't',
    under: 'frames',
    load: async () => (await import('./tables/table-page.tsx')).TablePage,
  },
  {
    name: 'finder',
    title: 'Signal finder',
    key: 'i',
    under: 'frames',
    load: async () => (await import('./finder/finder-page.tsx')).FinderPage,
  },
  { name: 'harness', title: 'Harness', key: 'h', load: async () => (await import('./harness/harness-page.tsx')).HarnessPage },
  { name: 'vehicle', title: 'Vehicle', key: 'v', load: async () => (await import('./vehicle/vehicle-page.tsx')).VehiclePage },
  {
    name: 'begin',
    title: 'First steps',
    key: 'w',
    under: 'vehicle',
    load: async () => (await import('./vehicle/begin-page.tsx')).BeginPage,
  },
  { name: 'simulator', title: 'Simulator', key: 'b', load: async () => (await import('./simulator/simulator-page.tsx')).SimulatorPage },
];

export interface Place extends PageProps {
  page: PageEntry;
}

export const place = signal<Place>(toPlace(location.hash));
addEventListener('hashchange', () => {
  place.value = toPlace(location.hash);
});

function toPlace(hash: string): Place {
  const [path = '', query = ''] = hash.replace(/^#\/?/, '').split('?');
  const [name, ...rest] = path.split('/').filter(Boolean).map(decodeURIComponent);
  const page = pages.find((entry) => entry.name === name) ?? (pages[0] as PageEntry);
  return { page, rest, query: new URLSearchParams(query) };
}

/** Address of a page, for links: `toAddress('sessions', '12')` is `#/sessions/12`. */
export function toAddress(name: string, ...rest: string[]): string {
  return `#/${[name, ...rest].map(encodeURIComponent).join('/')}`;
}
