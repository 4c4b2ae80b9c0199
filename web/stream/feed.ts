// What a page shows, wherever it comes from: the vehicle, newest values, alarms and plots, filled by the live stream or by a replay.
import { batch, type ReadonlySignal, type Signal, signal } from '@preact/signals';
import { createContext } from 'preact';
import { useContext } from 'preact/hooks';
import type { AlarmEvent, AlarmsView } from '../../server/contract/alarms.ts';
import type { LivePacket } from '../../server/contract/packet.ts';
import type { InstantView } from '../../server/contract/replay.ts';
import type { StationStatus } from '../../server/contract/status.ts';
import type { ChannelView, VehicleView } from '../../server/contract/vehicle-view.ts';
import type { WhyView } from '../../server/contract/why.ts';
import type { RollingBins } from './rolling.ts';

export type QualityName = AlarmEvent['quality'];

/** By code, as in the packet. */
export const qualityNames: readonly QualityName[] = ['ok', 'out-of-range', 'fault', 'missing', 'stale'];
const codeMissing = 3;

/** What a channel is worth now. `value` is null where the quality carries no number. */
export interface Latest {
  value: number | null;
  quality: QualityName;
}

/** `connecting`: nothing has come yet. `live`: packets come. `silent`: the last is too old. `lost`: the connection is gone. */
export type Link = 'connecting' | 'live' | 'silent' | 'lost';

const nothing: Latest = { value: null, quality: 'missing' };

/** A rolling plot that a page asked for. `bins` appears once the server has told the width. */
export interface PlotRequest {
  channels: string[];
  spanUs: number;
  pixels: number;
  bins: RollingBins | undefined;
}

export class Feed {
  readonly mode: 'live' | 'replay';
  readonly vehicle: Signal<VehicleView | undefined> = signal(undefined);
  readonly status: Signal<StationStatus | undefined> = signal(undefined);
  readonly alarms: Signal<AlarmsView> = signal({ sequence: 0, active: [] });
  /** What happened to alarms, newest last. */
  readonly alarmEvents: Signal<AlarmEvent[]> = signal([]);
  readonly link: Signal<Link> = signal('connecting');
  /** Session time of the newest packet, microseconds. */
  readonly timeUs = signal(0);
  readonly wallMs = signal(0);
  /** Plot number → what was asked for. */
  readonly plots = new Map<number, PlotRequest>();
  /** Told when a page adds or drops a plot; the source subscribes anew. */
  onPlotsChanged: () => void = () => {};

  /** Asks for the chain of a channel as of now (in a replay: as of its position). */
  why: (channel: string) => Promise<WhyView> = () => Promise.reject(new Error('nothing answers yet'));

  private readonly latest = new Map<number, Signal<Latest>>();
  private indexByName = new Map<string, number>();
  private stepByName = new Map<string, number>();
  private values = new Float64Array(0);
  private qualities = new Uint8Array(0);
  private nextPlot = 1;

  constructor(mode: 'live' | 'replay') {
    this.mode = mode;
  }

  setVehicle(vehicle: VehicleView): void {
    batch(() => {
      this.indexByName = new Map(vehicle.channels.map((channel) => [channel.name, channel.index]));
      this.stepByName = stepsOf(vehicle);
      this.values = new Float64Array(vehicle.channels.length);
      this.qualities = new Uint8Array(vehicle.channels.length).fill(codeMissing);
      for (const plot of this.plots.values()) plot.bins = undefined;
      this.latest.clear();
      this.vehicle.value = vehicle;
    });
  }

  /** Undefined when the vehicle has no such channel. */
  findChannel(name: string): ChannelView | undefined {
    const index = this.indexByName.get(name);
    return index === undefined ? undefined : this.vehicle.value?.channels[index];
  }

  /** Smallest change of a signal's value (its factor); undefined for floats and for what is computed. */
  stepOf(name: string): number | undefined {
    return this.stepByName.get(name);
  }

  /** The channel's newest value, to be watched. Of an unknown channel it stays `missing`. */
  watch(name: string): ReadonlySignal<Latest> {
    const index = this.indexByName.get(name);
    if (index === undefined) return signal(nothing);
    let watched = this.latest.get(index);
    if (!watched) {
      watched = signal(this.read(index));
      this.latest.set(index, watched);
    }
    return watched;
  }

  apply(packet: LivePacket): void {
    batch(() => {
      const { channel, value, quality } = packet.values;
      for (let i = 0; i < channel.length; i++) {
        const index = channel[i] as number;
        this.values[index] = value[i] as number;
        this.qualities[index] = quality[i] as number;
      }
      this.tellWatchers();
      for (const bins of packet.plots) {
        const rolling = this.plots.get(bins.plot)?.bins;
        if (rolling?.widthUs === bins.widthUs) rolling.applyPacket(bins);
      }
      this.timeUs.value = packet.timeUs;
      this.wallMs.value = packet.wallMs;
      if (packet.alarms) this.alarms.value = packet.alarms;
      if (packet.status) this.status.value = packet.status;
      this.link.value = 'live';
    });
  }

  /** Shows an instant of a recorded session. */
  applyInstant(instant: InstantView): void {
    batch(() => {
      instant.values.forEach((value, index) => {
        this.values[index] = value ?? 0;
        this.qualities[index] = instant.quality[index] ?? codeMissing;
      });
      this.tellWatchers();
      this.timeUs.value = instant.timeUs;
      this.wallMs.value = instant.wallMs;
      this.alarms.value = instant.alarms;
      this.link.value = 'live';
    });
  }

  /** Asks for a rolling plot of these channels; returns its number. */
  addPlot(channels: string[], spanUs: number, pixels: number): number {
    const plot = this.nextPlot++;
    this.plots.set(plot, { channels, spanUs, pixels, bins: undefined });
    this.onPlotsChanged();
    return plot;
  }

  dropPlot(plot: number): void {
    this.plots.delete(plot);
    this.onPlotsChanged();
  }

  /** Index of a channel in the packets of this epoch. */
  indexOf(name: string): number | undefined {
    return this.indexByName.get(name);
  }

  private tellWatchers(): void {
    for (const [index, watched] of this.latest) {
      const old = watched.peek();
      const now = this.read(index);
      if (old.value !== now.value || old.quality !== now.quality) watched.value = now;
    }
  }

  private read(index: number): Latest {
    const code = this.qualities[index] ?? codeMissing;
    return { value: code <= 1 ? (this.values[index] as number) : null, quality: qualityNames[code] ?? 'missing' };
  }
}

function stepsOf({ buses }: VehicleView): Map<string, number> {
  const signals = buses.flatMap((bus) => bus.devices.flatMap((device) => device.frames.flatMap((frame) => frame.signals)));
  return new Map(signals.filter((read) => read.sign !== 'float').map((read) => [read.name, read.factor]));
}

export const FeedContext = createContext<Feed | undefined>(undefined);

/** The feed of the page that the component stands on. */
export function useFeed(): Feed {
  const feed = useContext(FeedContext);
  if (!feed) throw new Error('a component that shows values stands outside a page with a feed');
  return feed;
}
