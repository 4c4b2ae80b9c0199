// The engine drawn as it stands: banks side by side, front to back, and every cylinder's deviation on one common level line.
import './engine.css';
import { effect } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import type { CylinderView, EngineView } from '../../server/contract/vehicle-view.ts';
import { Reading } from '../shell/reading.tsx';
import { type Feed, useFeed } from '../stream/feed.ts';

/** Deviation at which a bar reaches the end of its track, kelvin, when the vehicle sets no limit to the spread. */
const fullScaleK = 80;

export function EngineDrawing({ engine }: { engine: EngineView }) {
  const longest = Math.max(1, ...engine.banks.map((bank) => bank.cylinders.length));
  const byNumber = new Map(engine.cylinders.map((cylinder) => [cylinder.cylinder, cylinder]));
  return (
    <section
      class="engine"
      aria-label="Engine, cylinder by cylinder"
      ref={(node) => {
        node?.style.setProperty('--positions', String(longest));
        node?.style.setProperty('--banks', String(engine.banks.length));
      }}
    >
      <p class="front" aria-hidden="true">
        <span>front</span>
      </p>
      <div class="banks" data-banks={engine.banks.length}>
        {engine.banks.map((bank) => (
          <section key={bank.name} class="bank" aria-label={`Bank ${bank.name}, front to back`}>
            {engine.banks.length > 1 && <BankHead name={bank.name} spread={engine.bankSpread[bank.name]} />}
            <ol class="cylinders plain">
              {bank.cylinders.map((number) => (
                <Cylinder key={number} number={number} cylinder={byNumber.get(number)} />
              ))}
            </ol>
          </section>
        ))}
      </div>
    </section>
  );
}

function BankHead({ name, spread }: { name: string; spread: string | undefined }) {
  return (
    <h2 class="bank-head">
      <span>{name}</span>
      {spread && (
        <span class="bank-spread">
          <span class="quiet">spread</span> <Reading channel={spread} called={`spread of bank ${name}`} />
        </span>
      )}
    </h2>
  );
}

function Cylinder({ number, cylinder }: { number: number; cylinder: CylinderView | undefined }) {
  const feed = useFeed();
  const tile = useRef<HTMLLIElement>(null);
  const temp = cylinder?.exhaustTemp;
  useEffect(() => (temp && tile.current ? followLimit(feed, temp, tile.current) : undefined), [feed, temp]);
  return (
    <li class="cylinder" ref={tile} aria-label={`Cylinder ${number}`} data-cylinder={number}>
      <div class="cylinder-head">
        <span class="cylinder-number">{number}</span>
        <span class="over">over limit</span>
        <Groups cylinder={cylinder} />
      </div>
      <div class="temp">
        {temp ? <Reading channel={temp} called={`cylinder ${number} exhaust temperature`} /> : <span class="no-probe">no probe</span>}
      </div>
      {cylinder?.deviation && <Level channel={cylinder.deviation} number={number} />}
      <dl class="figures">
        {cylinder?.rate && (
          <div class="figure rate">
            <dt>rate</dt>
            <dd>
              <Reading channel={cylinder.rate} called={`cylinder ${number} rate`} signed />
            </dd>
          </div>
        )}
        {cylinder?.timeToLimit && (
          <div class="figure to-limit">
            <dt>limit in</dt>
            <dd>
              <Reading channel={cylinder.timeToLimit} called={`cylinder ${number} time to limit`} idle />
            </dd>
          </div>
        )}
      </dl>
    </li>
  );
}

/** Which group of each batch set feeds this cylinder, by the plan in force. */
function Groups({ cylinder }: { cylinder: CylinderView | undefined }) {
  const groups = Object.entries(cylinder?.groups ?? {});
  return (
    <span class="groups">
      {groups.map(([set, group]) => (
        <span key={set} class="group" title={`${set}: group ${group}`}>
          <span class="set">{set}</span>
          <span class="visually-hidden"> group </span>
          <b>{group}</b>
        </span>
      ))}
    </span>
  );
}

/** A bar that stands on the level line (the others' median) and reaches as far as the cylinder is off it. */
function Level({ channel, number }: { channel: string; number: number }) {
  const feed = useFeed();
  const track = useRef<HTMLDivElement>(null);
  useEffect(() => {
    const node = track.current;
    if (!node) return;
    const limitK = feed.vehicle.value?.limits.exhaustSpreadK;
    const scaleK = limitK ?? fullScaleK;
    const latest = feed.watch(channel);
    return effect(() => {
      const { value, quality } = latest.value;
      node.dataset.quality = quality;
      node.style.setProperty('--off', value === null ? '0' : String(Math.max(-1, Math.min(1, value / scaleK))));
      // Half the spread that the vehicle allows, to one side: this cylinder alone uses up its share.
      node.dataset.far = String(value !== null && limitK !== undefined && Math.abs(value) > limitK / 2);
    });
  }, [feed, channel]);
  return (
    <div class="level" ref={track}>
      <span class="track">
        <span class="bar" />
      </span>
      <span class="off">
        <Reading channel={channel} called={`cylinder ${number} deviation from the others' median`} signed />
      </span>
    </div>
  );
}

/** Marks the tile while the indicated temperature is over the vehicle's limit. */
function followLimit(feed: Feed, channel: string, tile: HTMLElement): () => void {
  const limit = feed.findChannel(channel)?.limit;
  const latest = feed.watch(channel);
  return effect(() => {
    const { value } = latest.value;
    tile.dataset.over = String(limit !== undefined && value !== null && value > limit);
    tile.dataset.long = String(value !== null && Math.abs(value) >= 999.5);
  });
}
