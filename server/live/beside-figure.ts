// Why spread and RMS of the pull in progress stand beside the last pull as they do: both numbers at this engine speed. Pure.
import type { PullNowView } from '../contract/pull-now.ts';
import type { FigureView } from '../contract/why.ts';
import { arithmetic, rounded, said, toAddress } from '../dyno/figure.ts';

export interface BesideParts {
  view: Pick<PullNowView, 'timeUs' | 'now'>;
  /** The session that is recorded now. */
  recording: number | null;
}

/** @param quantity `spread` or `rms`, as of now. Undefined: it is none. */
export function explainBesideLast({ view: { timeUs, now }, recording }: BesideParts, quantity: string): FigureView | undefined {
  if (quantity !== 'spread' && quantity !== 'rms') return undefined;
  const isSpread = quantity === 'spread';
  const [value, before] = isSpread ? [now.spreadK, now.lastSpreadK] : [now.rmsK, now.lastRmsK];
  const words = isSpread ? 'Spread' : 'RMS deviation';
  const difference = value === null || before === null ? null : value - before;
  return {
    title: `${words} beside the last pull at this engine speed`,
    value: rounded(difference, 1),
    unit: 'K',
    isDifference: true,
    rule: 'As of now, less what the last pull or hold of the same kind had in its band of 250 rpm around this engine speed.',
    source: arithmetic,
    worked: now.last && difference !== null ? [`${said(value)} − ${said(before)} (${now.last.rpm} rpm) = ${said(difference)} K`] : [],
    doubts: difference === null ? [whyNone(now)] : ['one pull beside one other tells nothing of how pulls repeat: Compare does'],
    stretches: [{ session: recording, fromUs: timeUs, toUs: timeUs, what: 'now' }],
    channels: [{ session: recording, channel: isSpread ? 'exhaust_spread' : 'exhaust_rms', atUs: timeUs, what: 'as it was then' }],
    figures: now.last
      ? [
          {
            figure: toAddress('over', Math.round(now.last.fromUs), quantity, now.last.rpm),
            title: `${words} of the last pull at ${now.last.rpm} rpm`,
            value: rounded(before, 1),
            unit: 'K',
          },
        ]
      : [],
  };
}

function whyNone(now: PullNowView['now']): string {
  if (now.phase === 'none') return 'no pull is in progress now';
  return now.last ? 'one of the two has no number' : 'no pull before it had this engine speed';
}
