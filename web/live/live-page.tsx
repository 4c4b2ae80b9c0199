// The Live page: the engine as it stands, its figures, the last minute, and the alarms.
import './live.css';
import type { VehicleView } from '../../server/contract/vehicle-view.ts';
import { RollingPlot, type RollingPlotProps } from '../plots/rolling-plot.tsx';
import { toAddress } from '../router.tsx';
import { farView } from '../shell/looks.ts';
import { toWords } from '../shell/numbers.ts';
import { remembered } from '../shell/remembered.ts';
import { toQuantityText } from '../shell/units.ts';
import { useFeed } from '../stream/feed.ts';
import { AlarmList } from './alarm-list.tsx';
import { ChannelList } from './channel-list.tsx';
import { EngineDrawing } from './engine-drawing.tsx';
import { Strip } from './strip.tsx';

const spanChoice = remembered('span', ['30', '60', '180', '600'], '60');
const spanWords = { 30: '30 s', 60: '1 min', 180: '3 min', 600: '10 min' } as const;

export function LivePage() {
  const feed = useFeed();
  const vehicle = feed.vehicle.value;
  if (!vehicle) return <Waiting />;
  return (
    <div class="live" data-mode={feed.mode}>
      <h1 class="visually-hidden">Live</h1>
      <div class="live-main">
        {vehicle.engine ? (
          <EngineDrawing engine={vehicle.engine} />
        ) : vehicle.channels.some(({ kind }) => kind === 'signal') ? (
          <NoEngine />
        ) : (
          <NoChannel />
        )}
        {(vehicle.engine || vehicle.injectorSets.length > 0) && <Strip vehicle={vehicle} />}
        {!farView.value && <Plots vehicle={vehicle} />}
      </div>
      <div class="live-side">
        <AlarmList />
        {!farView.value && <ChannelList />}
      </div>
      <Unlit />
    </div>
  );
}

/** Lies over everything while no data comes: old numbers must not look like new ones. */
function Unlit() {
  const { link } = useFeed();
  if (link.value === 'live') return null;
  const words = {
    connecting: 'Waiting for the first data',
    silent: 'No data: what stands here is old',
    lost: 'Connection lost: what stands here is old. Trying again.',
  } as const;
  return (
    <p class="unlit" role="status">
      {words[link.value]}
    </p>
  );
}

function Waiting() {
  return (
    <section class="panel page-note">
      <h1>Waiting for the program</h1>
      <p>This page fills by itself as soon as the program answers.</p>
    </section>
  );
}

function NoEngine() {
  return (
    <section class="panel page-note">
      <h2>The vehicle file describes no engine</h2>
      <p>
        An <code>engine:</code> section in <code>vehicle.yaml</code> with cylinders, banks and <code>exhaust_temps</code> lets this page
        draw it.
      </p>
      <a class="button main" href={toAddress('vehicle')}>
        Describe the engine
      </a>
    </section>
  );
}

/** The vehicle folder is new: here its first steps begin. */
function NoChannel() {
  return (
    <section class="panel page-note">
      <h2>No channel is described yet</h2>
      <p>See which ids are on the bus, say which device sends them, and name what their bytes mean.</p>
      <a class="button main" href={toAddress('begin')}>
        What is on your bus?
      </a>
    </section>
  );
}

function Plots({ vehicle }: { vehicle: VehicleView }) {
  const spanS = Number(spanChoice.value);
  const plots = plotsOf(vehicle);
  if (plots.length === 0) return null;
  return (
    <section class="plots" aria-label="Plots">
      <fieldset class="span-choice">
        <legend class="visually-hidden">Stretch of time shown</legend>
        {(Object.keys(spanWords) as unknown as (keyof typeof spanWords)[]).map((span) => (
          <button
            key={span}
            type="button"
            class="button slim"
            aria-pressed={spanChoice.value === String(span)}
            onClick={() => {
              spanChoice.value = String(span) as typeof spanChoice.value;
            }}
          >
            {spanWords[span]}
          </button>
        ))}
      </fieldset>
      <div class="plot-grid">
        {plots.map((plot) => (
          <RollingPlot key={plot.title} {...plot} spanS={spanS} />
        ))}
      </div>
    </section>
  );
}

const tracesMax = 8;

/** What the vehicle gives reason to plot: exhaust temperatures (eight a plot at most), fuel pressure delta, duty, speed. */
function plotsOf(vehicle: VehicleView): Omit<RollingPlotProps, 'spanS'>[] {
  const plots: Omit<RollingPlotProps, 'spanS'>[] = exhaustPlots(vehicle);
  const ofSets = (title: string, unit: string, pick: 'fuelDelta' | 'duty', limit: number | undefined) => {
    const traces = vehicle.injectorSets.flatMap((set) => (set[pick] ? [{ channel: set[pick], label: set.name }] : []));
    const limits = limit === undefined ? [] : [{ y: limit, label: `limit ${toQuantityText(limit, unit)}` }];
    if (traces.length > 0) plots.push({ title, unit, traces: traces.slice(0, tracesMax), limits });
  };
  ofSets('Fuel pressure delta', 'kPa', 'fuelDelta', undefined);
  ofSets('Duty', '%', 'duty', vehicle.limits.dutyPercent);
  const speed = vehicle.engine?.roles.speed;
  if (speed) plots.push({ title: 'Engine speed', unit: 'rpm', traces: [{ channel: speed, label: 'speed' }] });
  if (plots.length === 0) plots.push(...firstSignals(vehicle));
  return plots;
}

function exhaustPlots({ engine, channels }: VehicleView): Omit<RollingPlotProps, 'spanS'>[] {
  const probed = (engine?.cylinders ?? []).filter((cylinder) => cylinder.exhaustTemp !== undefined);
  if (!engine || probed.length === 0) return [];
  const channelOf = new Map(channels.map((channel) => [channel.name, channel]));
  const whole = probed.length <= tracesMax;
  const groups = whole
    ? [{ name: '', cylinders: probed }]
    : engine.banks.map(({ name }) => ({ name, cylinders: probed.filter((c) => c.bank === name) }));
  return groups.flatMap(({ name, cylinders }) => {
    const parts = Math.ceil(cylinders.length / tracesMax);
    const each = Math.ceil(cylinders.length / Math.max(1, parts));
    return Array.from({ length: parts }, (_, part) => {
      const shown = cylinders.slice(part * each, (part + 1) * each);
      const first = channelOf.get(shown[0]?.exhaustTemp ?? '');
      const unit = first?.unit ?? 'degC';
      const title = whole ? 'Exhaust temperature' : `Exhaust temperature, ${name}${parts > 1 ? ` ${part + 1}` : ''}`;
      const limits = first?.limit === undefined ? [] : [{ y: first.limit, label: `limit ${toQuantityText(first.limit, unit)}` }];
      return { title, unit, limits, traces: shown.map((c) => ({ channel: c.exhaustTemp ?? '', label: `cyl ${c.cylinder}` })) };
    });
  });
}

/** Without an engine: the first signals, so that a new vehicle shows life at once. */
function firstSignals({ channels }: VehicleView): Omit<RollingPlotProps, 'spanS'>[] {
  return channels
    .filter((channel) => channel.kind === 'signal')
    .slice(0, 4)
    .map(({ name, unit }) => ({ title: toWords(name), unit, traces: [{ channel: name, label: toWords(name) }] }));
}
