// What a typed reading of the bus line means: resistance between the two lines with all power off, and voltages of each. Pure.
import type { Bus } from '../definitions/vehicle.ts';
import type { Verdict } from './verdict.ts';

/**
 * Two terminators of 120 Ω in parallel are 60 Ω (ISO 11898-2: each 100 to 130 Ω, so 50 to 65 Ω of a pair); every further one brings it
 * to 120 / n. Devices on the line (some 20 to 40 kΩ each) lower it by less than an ohm. Bands between: common practice, no source.
 */
export const lineBandsOhm = { short: 5, three: [35, 47], two: [50, 65], one: [100, 132], open: 2_000 } as const;

/** Terminators that the trunk of the vehicle names; undefined when it says nothing. */
export function terminatorsOf(bus: Bus | undefined): string[] | undefined {
  return bus?.trunk
    ?.filter(({ terminated, kind }) => terminated || kind === 'terminator')
    .map(({ name, kind }) => (kind === 'terminator' ? 'the one at the end' : `inside ${name}`));
}

/**
 * @param ohm Reading between the two lines, everything switched off and unplugged from its supply; Infinity for an open line.
 */
export function judgeLineResistance(ohm: number, bus?: Bus): Verdict {
  const { short, three, two, one, open } = lineBandsOhm;
  const within = ([low, high]: readonly [number, number]) => ohm >= low && ohm <= high;
  const measured = Number.isFinite(ohm) ? ohm : 'open';
  const verdict = (ok: boolean, say: string, next?: string): Verdict => ({
    code: 'line-resistance',
    ok,
    ...(bus ? { bus: bus.name } : {}),
    measured,
    limit: `${two[0]} to ${two[1]} ohm`,
    say,
    ...(next ? { next } : {}),
  });
  const known = terminatorsOf(bus);
  const named = known && known.length > 0 ? ` The trunk in vehicle.yaml names ${known.length}: ${known.join(', ')}.` : '';
  if (ohm < 0 || Number.isNaN(ohm)) {
    return verdict(false, 'a resistance is never negative: there is power on the line', 'Switch everything off, wait, and measure again.');
  }
  if (ohm <= short) {
    return verdict(
      false,
      'the two lines are shorted to each other',
      'Unplug one device after the other; when all are off and it stays, the wire itself is pinched.',
    );
  }
  if (within(two)) return verdict(true, 'two terminators, as it should be');
  if (within(one)) {
    return verdict(
      false,
      'only one terminator is there',
      `The other is missing, or the trunk is broken between it and here. On a short bench lead one is enough to work, and no more.${named}`,
    );
  }
  if (within(three)) {
    return verdict(
      false,
      'one terminator too many',
      `Adapters and devices with one built in are the usual third: unplug the adapter and measure again.${named}`,
    );
  }
  if (ohm > open) {
    return verdict(false, 'the line is open: no terminator is reached from here', 'Check this plug, then measure toward both ends.');
  }
  if (ohm < three[0]) {
    const count = Math.round(120 / ohm);
    if (count >= 4 && count <= 8 && Math.abs(120 / count - ohm) < 3) {
      return verdict(false, `like ${count} terminators`, `Built-in ones add up: unplug device by device until it reads 60.${named}`);
    }
    return verdict(false, 'a partial short, or water in a connector', 'Unplug one device after the other and watch where it jumps.');
  }
  if (ohm < two[0])
    return verdict(
      false,
      'between two and three terminators',
      'A terminator of the wrong value, or a leak between the lines: measure each alone.',
    );
  if (ohm < one[0]) {
    const extra =
      ohm < 80
        ? `some ${Math.round(ohm - 60)} ohm too much, as from a bad crimp or a corroded pin in the trunk`
        : 'a terminator of the wrong value, or a bad joint before one of them';
    return verdict(false, extra, 'Measure from both ends of the trunk: the reading changes most beside the bad joint.');
  }
  return verdict(
    false,
    'one terminator with a bad joint, or one of a wrong value',
    'Measure the terminator alone, then the joint before it.',
  );
}

/** What one line should read against ground, volts. Idle: both near 2.5 V; while it works the high line averages above, the low line below (ISO 11898-2). */
export interface LineVolts {
  high: number;
  low: number;
}

/** @param volts Averages by a multimeter on a line that works. */
export function judgeLineVoltages({ high, low }: LineVolts, bus?: Bus): Verdict {
  const verdict = (ok: boolean, say: string, next?: string): Verdict => ({
    code: 'line-voltage',
    ok,
    ...(bus ? { bus: bus.name } : {}),
    measured: `${high} V and ${low} V`,
    limit: '2.5 to 3.5 V on the high line, 1.5 to 2.5 V on the low one',
    say,
    ...(next ? { next } : {}),
  });
  if (high > 5.5 || low > 5.5)
    return verdict(
      false,
      `the ${high > low ? 'high' : 'low'} line touches the supply`,
      'Switch off; find the wire that is shorted to a feed before a transceiver dies.',
    );
  if (high < 0.3 && low < 0.3)
    return verdict(
      false,
      'both lines lie at ground: shorted, or nothing on the bus has power',
      'Check that a device is on, then for a short to ground.',
    );
  if (high < 1 !== low < 1)
    return verdict(false, `the ${high < 1 ? 'high' : 'low'} line is shorted to ground or broken off here`, 'Follow that wire.');
  if (high + 0.05 < low) return verdict(false, 'the two lines are swapped at this plug', 'Swap the two pins here.');
  if (high > 3.6 || low > 3.6 || low < 1.3)
    return verdict(false, 'a line is pulled out of its range', 'Compare the ground of each device; a lost ground lifts both lines.');
  if (Math.abs(high - 2.5) < 0.2 && Math.abs(low - 2.5) < 0.2) return verdict(true, 'idle, or little traffic: both lines rest at 2.5 V');
  if (high >= 2.4 && low <= 2.6) return verdict(true, 'the high line above 2.5 V and the low one below: it works');
  return verdict(
    false,
    'both lines are shifted to one side',
    'Compare the ground of each device with the battery: a difference of more than 2 V stops the bus.',
  );
}
