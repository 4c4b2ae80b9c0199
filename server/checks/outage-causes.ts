// What the silences of a bus's devices have in common, where one alone says too little: whether the devices began anew behind them.

import { counterWeight, type Outage, toMeanwhile } from './outage.ts';
import type { SupplyVoltage } from './supply-voltage.ts';
import type { Episode } from './trunk-break.ts';

/** Several silences of a lone device are a restart at these odds already (two to one): it came back, and no wire is known to hide it alone. */
const loneRestartFrom = -0.7;

/** No counter says it for certain. */
const isOpen = ({ counted }: Outage) => Math.abs(counted) < counterWeight;
const sumOf = (outages: readonly Outage[]) => outages.reduce((sum, { ranOn }) => sum + ranOn, 0);

/** Silences that a device has alone are taken to have one cause, unless its counters say otherwise of one: their evidence is added up. */
export function settleLoneGaps(episodes: readonly Episode[]): void {
  const byDevice = new Map<string, Outage[]>();
  for (const { outages } of episodes) {
    const [only] = outages;
    if (outages.length > 1 || only?.kind !== 'gap') continue;
    byDevice.set(only.device.name, [...(byDevice.get(only.device.name) ?? []), only]);
  }
  for (const gaps of byDevice.values()) {
    const together = sumOf(gaps);
    const meanwhile = together <= loneRestartFrom ? 'restarted' : toMeanwhile(together);
    for (const gap of gaps.filter(isOpen)) gap.meanwhile = meanwhile;
  }
}

/**
 * Devices that fall silent together, on whatever side of the listener, have one cause, and boot as long as each takes: where most began anew,
 * one without a counter did too.
 */
export function settleTogether(outages: readonly Outage[]): void {
  const gaps = outages.filter(({ kind }) => kind === 'gap');
  const settled = gaps.filter((gap) => {
    if (!isOpen(gap)) return false;
    const together = gaps.filter((other) => Math.abs(other.fromUs - gap.fromUs) <= 1.3 * Math.max(gap.slackUs, other.slackUs));
    return together.length > 2 && toMeanwhile(sumOf(together)) === 'restarted';
  });
  for (const gap of settled) gap.meanwhile = 'restarted';
}

/** A device that is lost while the supply is down lost its supply, unless it was seen to run on. */
export function settleBySupply(outages: readonly Outage[], supply: SupplyVoltage | undefined): void {
  for (const gap of outages) {
    if (gap.kind === 'gap' && gap.meanwhile === 'unknown' && supply?.downDuring([gap])) gap.meanwhile = 'restarted';
  }
}
