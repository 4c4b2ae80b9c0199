// When a signal goes stale: no frame for three periods (at least 100 ms), or for a second where the period isn't known.
import type { Vehicle } from '../definitions/vehicle.ts';
import { staleAfterMinMs, stalePeriods, staleWithoutPeriodMs } from '../limits.ts';
import type { ChannelTable } from './channel-table.ts';
import { quality } from './quality.ts';
import type { SampleBatch } from './sample-batch.ts';

/** Signals that come and go together, with the frame that brings them. */
interface Group {
  channels: number[];
  /** Longest silence of the frame. */
  frameSilenceUs: number;
  /** Longest silence of these signals; longer than the frame's when they are on one of its pages (`when`). */
  silenceUs: number;
  /** One channel of each group of the same frame: the frame was last seen with the newest of them. */
  frameChannels: number[];
}

/**
 * Longest silence of a frame in microseconds.
 *
 * @param pages How many different pages (`when` conditions) the frame has: each comes in turn, so each has as many periods to wait.
 */
export function silenceMaxUs(periodUs: number | undefined, pages = 1): number {
  if (periodUs === undefined) return staleWithoutPeriodMs * 1000;
  const least = pages > 1 ? staleWithoutPeriodMs : staleAfterMinMs;
  return Math.max(stalePeriods * periodUs * pages, least * 1000);
}

/** Marks signals stale at instants, and knows when the next one could become so. */
export class Staleness {
  private readonly table: ChannelTable;
  private readonly groups: Group[];
  /** Groups that are stale or were never seen: they have no deadline until a frame comes. */
  private dormant: Group[];
  /** No group goes stale before this time. Frames only move deadlines back, so it may be too early, never too late. */
  private earliestUs = Number.POSITIVE_INFINITY;

  constructor(vehicle: Vehicle, table: ChannelTable) {
    this.table = table;
    this.groups = vehicle.buses.flatMap((bus) => bus.frames.flatMap((frame) => groupsOf(frame)));
    this.dormant = this.groups;
  }

  /** When `mark` should run next, or earlier, unless `sharpen` was just called; Infinity: nothing can go stale. */
  get dueUs(): number {
    return this.earliestUs;
  }

  /** Call after samples were applied: a group that comes to life has a deadline again. */
  watch(): void {
    if (this.dormant.length === 0) return;
    this.dormant = this.dormant.filter((group) => {
      if (!this.isAlive(group)) return true;
      this.earliestUs = Math.min(this.earliestUs, this.deadlineUs(group));
      return false;
    });
  }

  /** Makes `dueUs` exact. */
  sharpen(): void {
    this.earliestUs = Number.POSITIVE_INFINITY;
    for (const group of this.groups) if (this.isAlive(group)) this.earliestUs = Math.min(this.earliestUs, this.deadlineUs(group));
  }

  /** Makes stale what has been silent for too long at `timeUs`, in the table and as samples. */
  mark(timeUs: number, samples: SampleBatch): void {
    if (timeUs < this.earliestUs) return;
    this.earliestUs = Number.POSITIVE_INFINITY;
    for (const group of this.groups) {
      if (!this.isAlive(group)) continue;
      const deadlineUs = this.deadlineUs(group);
      if (deadlineUs > timeUs) this.earliestUs = Math.min(this.earliestUs, deadlineUs);
      else {
        for (const channel of group.channels) {
          this.table.setStale(channel);
          samples.push(channel, timeUs, 0, quality.stale);
        }
        this.dormant = [...this.dormant, group];
      }
    }
  }

  /** Finds deadlines anew from the table, after it was filled from elsewhere. */
  resume(): void {
    this.sharpen();
    this.dormant = this.groups.filter((group) => !this.isAlive(group));
  }

  private isAlive({ channels: [first] }: Group): boolean {
    return (this.table.timeUs[first as number] as number) >= 0 && this.table.quality[first as number] !== quality.stale;
  }

  /** Of a group that has been seen; what never was is missing, not stale. */
  private deadlineUs(group: Group): number {
    const { timeUs } = this.table;
    const ownUs = timeUs[group.channels[0] as number] as number;
    let frameUs = ownUs;
    for (const channel of group.frameChannels) if ((timeUs[channel] as number) > frameUs) frameUs = timeUs[channel] as number;
    return Math.min(frameUs + group.frameSilenceUs, ownUs + group.silenceUs);
  }
}

function groupsOf(frame: Vehicle['buses'][number]['frames'][number]): Group[] {
  const byPage = new Map<string, number[]>();
  for (const { when, channel } of frame.signals) {
    const page = when.map(({ signal, ranges }) => `${signal}:${ranges.map(({ from, to }) => `${from}..${to}`).join(',')}`).join(';');
    const channels = byPage.get(page) ?? [];
    channels.push(channel);
    byPage.set(page, channels);
  }
  const pages = [...byPage.keys()].filter((page) => page !== '').length;
  const frameSilenceUs = silenceMaxUs(frame.periodUs);
  const frameChannels = byPage.size > 1 ? [...byPage.values()].map((channels) => channels[0] as number) : [];
  return [...byPage].map(([page, channels]) => {
    const silenceUs = page === '' ? frameSilenceUs : silenceMaxUs(frame.periodUs, Math.max(pages, 2));
    return { channels, frameSilenceUs, silenceUs, frameChannels };
  });
}
