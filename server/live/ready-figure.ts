// Why one temperature is, or is not, ready for the next pull: what it is now, and the window that the first pull set.
import type { PullNowView } from '../contract/pull-now.ts';
import type { FigureView } from '../contract/why.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { commonPractice, said } from '../dyno/figure.ts';
import { type StartItem, startChannels, startReadForUs, startWindowK } from '../dyno/start-state.ts';

export interface ReadyParts {
  vehicle: Vehicle;
  view: Pick<PullNowView, 'timeUs' | 'now'>;
  /** The session that is recorded now. */
  recording: number | null;
}

/** @param what `exhaust`, `oil`, ... Undefined: the first pull set no window for it. */
export function explainReadiness({ vehicle, view, recording }: ReadyParts, what: string): FigureView | undefined {
  const item = view.now.readiness.items.find((one) => one.what === what);
  if (!item) return undefined;
  const isExhaust = item.what === 'exhaust';
  const channels =
    item.what === 'exhaust' ? (vehicle.engine?.exhaustTemps ?? []).map(({ channel }) => channel) : [startChannels(vehicle)[item.what]];
  const window = startWindowK[item.what];
  const first = (item.low + item.high) / 2;
  return {
    title: `${titles[item.what]} beside how the first pull began`,
    value: item.now,
    unit: 'degC',
    isDifference: false,
    rule: `${isExhaust ? 'The median of the newest values of all probes' : 'Its newest value'}; ready within ${window} K of what it was over the ${startReadForUs / 1e6} s before this evening's first pull.`,
    source: `${commonPractice} for the ${window} K`,
    worked: [
      `first pull ${said(first)} degC ± ${window} K: ${said(item.low)} to ${said(item.high)} degC`,
      `now ${said(item.now)} degC: ${item.ok === null ? 'it can not be told' : item.ok ? 'within' : 'outside'}`,
    ],
    doubts: item.now === null ? [isExhaust ? 'no probe gives a number now' : 'it gives no number now'] : [],
    stretches: [{ session: recording, fromUs: view.timeUs, toUs: view.timeUs, what: 'now' }],
    channels: channels.flatMap((channel) =>
      channel === undefined ? [] : [{ session: recording, channel, atUs: view.timeUs, what: 'as it was then' }],
    ),
    figures: [],
  };
}

const titles: Readonly<Record<StartItem, string>> = {
  oil: 'Oil temperature',
  coolant: 'Coolant temperature',
  intake: 'Intake air temperature',
  fuel: 'Fuel temperature',
  exhaust: 'Exhaust temperature',
};
