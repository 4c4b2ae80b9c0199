// The one draft of this page: it lives for as long as the page is open, so that a look at another page loses nothing.
import { Draft } from './draft.ts';

export const draft = new Draft();

addEventListener('beforeunload', (event) => {
  if (draft.changes.value.length > 0) event.preventDefault();
});
