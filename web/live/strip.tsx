// The strip of figures that belong to the whole engine: spread, fuel pressure delta in its band, duty with headroom, and its vital signs.
import './strip.css';
import { effect } from '@preact/signals';
import type { ComponentChildren } from 'preact';
import { useEffect, useRef } from 'preact/hooks';
import type { InjectorSetView, VehicleView } from '../../server/contract/vehicle-view.ts';
import { Reading } from '../shell/reading.tsx';
import { toQuantityText } from '../shell/units.ts';
import { useFeed } from '../stream/feed.ts';

/** Half width of the band drawn around a fuel pressure target, as a share of it: common practice, no source. */
const fuelBand = 0.1;

export function Strip({ vehicle }: { vehicle: VehicleView }) {
  const { engine, injectorSets, limits } = vehicle;
  const roles = engine?.roles ?? {};
  return (
    <section class="strip" aria-label="Engine figures">
      {engine?.spread && (
        <Figure name="Exhaust spread" big channel={engine.spread}>
          {limits.exhaustSpreadK !== undefined && (
            <Scale channel={engine.spread} from={0} to={limits.exhaustSpreadK * 1.25} limit={limits.exhaustSpreadK} />
          )}
        </Figure>
      )}
      {injectorSets.map((set) => (
        <SetFigures key={set.name} set={set} limit={limits.dutyPercent} />
      ))}
      {roles.speed && <Figure name="Engine speed" big channel={roles.speed} />}
      {roles.oilPressure && <Figure name="Oil pressure" big channel={roles.oilPressure} />}
      <div class="small-figures">
        {roles.oilTemp && <Figure name="Oil" channel={roles.oilTemp} />}
        {roles.coolantTemp && <Figure name="Coolant" channel={roles.coolantTemp} />}
        {roles.battery && <Figure name="Battery" channel={roles.battery} />}
        {roles.manifoldPressure && <Figure name="Manifold" channel={roles.manifoldPressure} />}
        {roles.throttle && <Figure name="Throttle" channel={roles.throttle} />}
        {Object.entries(engine?.lambda ?? {}).map(([bank, channel]) => (
          <Figure key={bank} name={vehicle.engine?.banks.length === 1 ? 'Lambda' : `Lambda ${bank}`} channel={channel} />
        ))}
      </div>
    </section>
  );
}

function SetFigures({ set, limit }: { set: InjectorSetView; limit: number | undefined }) {
  const target = set.targetKpa;
  return (
    <>
      {set.fuelDelta && (
        <Figure name={`Fuel delta ${set.name}`} big channel={set.fuelDelta}>
          {target !== undefined && (
            <Scale
              channel={set.fuelDelta}
              from={target * 0.7}
              to={target * 1.3}
              band={[target * (1 - fuelBand), target * (1 + fuelBand)]}
              note={`target ${toQuantityText(target, 'kPa')}`}
            />
          )}
        </Figure>
      )}
      {set.duty && (
        <Figure name={`Duty ${set.name}`} big channel={set.duty}>
          <Scale
            channel={set.duty}
            from={0}
            to={110}
            limit={limit ?? 100}
            note={limit === undefined ? 'no limit set' : undefined}
            headroom
          />
        </Figure>
      )}
    </>
  );
}

interface FigureProps {
  name: string;
  channel: string;
  /** One of those that are watched through a pull. */
  big?: boolean;
  children?: ComponentChildren;
}

function Figure({ name, channel, big, children }: FigureProps) {
  return (
    <div class={big ? 'strip-figure big' : 'strip-figure'}>
      <p class="strip-name">{name}</p>
      <Reading channel={channel} called={name} />
      {children}
    </div>
  );
}

interface ScaleProps {
  channel: string;
  from: number;
  to: number;
  limit?: number;
  band?: [from: number, to: number];
  note?: string | undefined;
  /** Says how much is left up to the limit. */
  headroom?: boolean;
}

/** A straight scale under a figure: where the value stands, its band or limit, and what is left. */
function Scale({ channel, from, to, limit, band, note, headroom }: ScaleProps) {
  const feed = useFeed();
  const node = useRef<HTMLDivElement>(null);
  const words = useRef<HTMLSpanElement>(null);
  const unit = feed.findChannel(channel)?.unit ?? '';
  const [bandFrom, bandTo] = band ?? [undefined, undefined];
  useEffect(() => {
    const at = (value: number) => String(Math.max(0, Math.min(1, (value - from) / (to - from))));
    const scale = node.current;
    if (!scale) return;
    scale.style.setProperty('--limit', at(limit ?? to));
    if (bandFrom !== undefined && bandTo !== undefined) {
      scale.style.setProperty('--band-from', at(bandFrom));
      scale.style.setProperty('--band-to', at(bandTo));
    }
    const latest = feed.watch(channel);
    return effect(() => {
      const { value, quality } = latest.value;
      scale.dataset.quality = quality;
      scale.style.setProperty('--at', value === null ? '0' : at(value));
      const outside =
        value !== null &&
        ((limit !== undefined && value > limit) ||
          (bandFrom !== undefined && value < bandFrom) ||
          (bandTo !== undefined && value > bandTo));
      scale.dataset.outside = String(outside);
      if (words.current) words.current.textContent = toScaleWords(value, { limit, unit, headroom, note, outside });
    });
  }, [feed, channel, from, to, limit, bandFrom, bandTo, unit, headroom, note]);
  return (
    <>
      <div class={band ? 'scale with-band' : 'scale'} ref={node} aria-hidden="true">
        {band && <span class="band" />}
        {!band && <span class="fill" />}
        <span class="pointer" />
        {limit !== undefined && <span class="limit" />}
      </div>
      <span class="scale-words small quiet" ref={words} />
    </>
  );
}

interface ScaleWords {
  limit: number | undefined;
  unit: string;
  headroom: boolean | undefined;
  note: string | undefined;
  outside: boolean;
}

function toScaleWords(value: number | null, { limit, unit, headroom, note, outside }: ScaleWords): string {
  const text = (amount: number) => toQuantityText(amount, unit, { difference: true });
  if (note !== undefined) return outside ? `outside its band, ${note}` : note;
  if (limit === undefined) return '';
  const limitText = `limit ${text(limit)}`;
  if (value === null) return limitText;
  if (headroom && value > 100) return 'held open: flow is capped';
  if (outside) return `over its ${limitText}`;
  return headroom ? `${text(limit - value)} left to ${text(limit)}` : limitText;
}
