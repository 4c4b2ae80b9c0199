// A number of the moment that stands for a channel, and may be asked where it comes from.
import type { ComponentChildren } from 'preact';
import { useFeed } from '../stream/feed.ts';
import { askWhy } from './asked.ts';

interface WhyNowProps {
  /** Undefined: the vehicle has no such channel. */
  channel: string | undefined;
  children: ComponentChildren;
}

export function WhyNow({ channel, children }: WhyNowProps) {
  const feed = useFeed();
  if (channel === undefined || feed.findChannel(channel) === undefined) return <>{children}</>;
  return (
    <button type="button" class="reading why-at" data-channel={channel} title="Why this number?" onClick={() => askWhy(channel, feed)}>
      {children}
    </button>
  );
}
