// The pages that there are, as the router lists them: what is tested on every page is tested on a new one too.
import { readFileSync } from 'node:fs';

/** First parts of the addresses, in the order of the tabs. */
export function pageNames(): string[] {
  const router = readFileSync(new URL('../../web/router.tsx', import.meta.url), 'utf8');
  const list = router.slice(router.indexOf('export const pages'), router.indexOf('];', router.indexOf('export const pages')));
  return [...list.matchAll(/\bname: '([a-z-]+)'/g)].map((match) => match[1] as string);
}
