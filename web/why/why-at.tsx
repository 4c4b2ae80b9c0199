// A number of a recorded session that may be asked where it comes from.
import type { ComponentChildren } from 'preact';
import { askWhyAt } from './asked.ts';

interface WhyAtProps {
  session: number;
  channel: string;
  /** Session time of the number. */
  atUs: number;
  children: ComponentChildren;
}

export function WhyAt({ session, channel, atUs, children }: WhyAtProps) {
  return (
    <button
      type="button"
      class="reading why-at"
      data-channel={channel}
      data-recorded
      title="Why this number?"
      onClick={() => askWhyAt(session, channel, atUs)}
    >
      {children}
    </button>
  );
}
