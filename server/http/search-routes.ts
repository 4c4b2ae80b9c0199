// Searches for undocumented signals: begun on a recorded session or on what came in lately, watched, cancelled, and a finding written down.
import { z } from 'zod';
import { type SearchRequest, searchRequest, searchView, signalRequest } from '../contract/finder.ts';
import { savedDefinition } from '../contract/table-import.ts';
import { EvenburnError } from '../errors.ts';
import type { SessionSearch } from '../recording/search-session.ts';
import type { App, AppParts, AskedStation } from './app.ts';

const searchParams = z.object({ search: z.coerce.number().int().min(1) });
const findingParams = searchParams.extend({ number: z.coerce.number().int().min(1) });

export function addSearchRoutes(app: App, { searches, editor, station }: AppParts): void {
  if (!searches) return;
  const base = '/api/searches';
  const response = { 200: searchView };
  app.get(
    base,
    { schema: { summary: 'Searches for undocumented signals', response: { 200: z.object({ searches: z.array(searchView) }) } } },
    async () => ({ searches: searches.list().map((view) => ({ ...view, findings: [] })) }),
  );
  app.post(base, { schema: { summary: 'Begin one', body: searchRequest, response } }, async ({ body }) =>
    searches.start(toSessionSearch(body, station)),
  );
  app.get(`${base}/:search`, { schema: { summary: 'One with its findings', params: searchParams, response } }, async ({ params }) =>
    searches.get(params.search),
  );
  app.delete(`${base}/:search`, { schema: { summary: 'Cancel one', params: searchParams, response } }, async ({ params }) =>
    searches.cancel(params.search),
  );
  if (!editor) return;
  app.post(
    `${base}/:search/findings/:number/signal`,
    {
      schema: {
        summary: "A finding written into its device's file as a signal",
        params: findingParams,
        body: signalRequest,
        response: { 200: savedDefinition },
      },
    },
    async ({ params: { search, number }, body: { device, name, unit, factor, offset } }) =>
      editor.addSignal(searches.findingOf(search, number), {
        device,
        name,
        ...(unit ? { unit } : {}),
        scaled: true,
        scale: { factor, offset },
      }),
  );
}

/** @throws EvenburnError REQUEST_WRONG, SEARCH_NOT_RECORDED */
function toSessionSearch({ session, ...asked }: SearchRequest, station: AskedStation): SessionSearch {
  if ((asked.like === undefined) === (asked.during === undefined))
    throw new EvenburnError('REQUEST_WRONG', { what: 'give one of `like` and `during`' });
  if (session !== 'live') return { ...asked, session };
  const recorded = station.status().recording.session;
  if (recorded === null) throw new EvenburnError('SEARCH_NOT_RECORDED');
  return { ...asked, session: recorded };
}
