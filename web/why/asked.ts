// Which channel the person asked about; the panel that answers hangs on the page's shell.
import { signal } from '@preact/signals';

/** Undefined: nothing is asked and the panel is closed. */
export const asked = signal<string | undefined>(undefined);

/** Opens 'Why this number?' for a channel. */
export function askWhy(channel: string): void {
  asked.value = channel;
}
