// Play, pause, step, speed, loop and the time line of a replay, with its markers to jump to.
import { useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import type { Marker } from '../../server/contract/replay.ts';
import { toClockText } from '../shell/numbers.ts';
import { toProblem } from '../stream/api.ts';
import { type ReplaySource, speeds } from './replay-source.ts';

const pageS = 5;

export function Transport({ source }: { source: ReplaySource }) {
  useTransportKeys(source);
  const detail = source.detail.value;
  const lengthUs = Math.max(1, detail.toUs - detail.fromUs);
  const at = source.positionUs.value;
  const passedS = (at - detail.fromUs) / 1e6;
  const share = (us: number) => (us - detail.fromUs) / lengthUs;
  return (
    <section class="transport" aria-label="Replay">
      <div class="transport-buttons">
        <button type="button" class="button" onClick={() => source.stepMarker('previous')} title="To the marker before (Shift ←)">
          ‹ mark<span class="visually-hidden"> before</span>
        </button>
        <button type="button" class="button" onClick={() => void source.step('previous')} title="One frame back (,)">
          −1<span class="visually-hidden"> frame</span>
        </button>
        <button type="button" class="button main play" onClick={() => source.togglePlay()} title="Space">
          {source.playing.value ? 'Pause' : 'Play'}
        </button>
        <button type="button" class="button" onClick={() => void source.step('next')} title="One frame on (.)">
          +1<span class="visually-hidden"> frame</span>
        </button>
        <button type="button" class="button" onClick={() => source.stepMarker('next')} title="To the next marker (Shift →)">
          mark ›<span class="visually-hidden"> after</span>
        </button>
        <label class="speed">
          <span class="visually-hidden">Speed</span>
          <select value={String(source.speed.value)} onChange={(event) => source.setSpeed(Number(event.currentTarget.value))}>
            {speeds.map((speed) => (
              <option key={speed} value={String(speed)}>
                {speed} ×
              </option>
            ))}
          </select>
        </label>
        <LoopButtons source={source} />
        <NoteHere source={source} />
      </div>
      <div class="time-line">
        {/* It runs while it plays: read when it is asked for, never spoken by itself. */}
        <output class="time" aria-live="off">
          {toClockText(passedS)}.{Math.floor((Math.max(0, passedS) % 1) * 10)}
        </output>
        <div class="line">
          <LoopStretch source={source} share={share} />
          <input
            type="range"
            aria-label="Time in the session"
            aria-valuetext={`${toClockText(passedS)} of ${toClockText(lengthUs / 1e6)}`}
            min={detail.fromUs}
            max={detail.toUs}
            step={10_000}
            value={at}
            onInput={(event) => source.seek(Number(event.currentTarget.value))}
          />
          {detail.markers.map((marker) => (
            <MarkerSign
              key={`${marker.kind} ${marker.timeUs} ${marker.text}`}
              marker={marker}
              share={share(marker.timeUs)}
              source={source}
            />
          ))}
        </div>
        <span class="time quiet">{toClockText(lengthUs / 1e6)}</span>
      </div>
    </section>
  );
}

const markerLetters: Record<Marker['kind'], string> = {
  alarm: '!',
  pull: 'P',
  hold: 'H',
  check: 'C',
  note: 'N',
  change: 'W',
  loss: 'L',
  definitions: 'D',
};

function MarkerSign({ marker, share, source }: { marker: Marker; share: number; source: ReplaySource }) {
  return (
    <button
      type="button"
      class="marker"
      data-kind={marker.kind}
      data-severity={marker.severity}
      title={`${marker.text}, at ${toClockText((marker.timeUs - source.detail.peek().fromUs) / 1e6)}`}
      ref={(node) => {
        node?.style.setProperty('--share', String(share));
      }}
      onClick={() => source.seek(marker.timeUs)}
    >
      <span aria-hidden="true">{markerLetters[marker.kind]}</span>
      <span class="visually-hidden">{marker.text}</span>
    </button>
  );
}

/** First press: the loop begins here. Second: it ends here. Third: no loop. In a pull, a hold or a check it is looped as a whole. */
function LoopButtons({ source }: { source: ReplaySource }) {
  const loop = source.loop.value;
  const open = loop !== undefined && loop.toUs === Number.POSITIVE_INFINITY;
  const words = loop === undefined ? 'Loop from here' : open ? 'Loop to here' : 'End the loop';
  const press = () => {
    const now = source.positionUs.peek();
    if (loop === undefined) source.loop.value = { fromUs: now, toUs: Number.POSITIVE_INFINITY };
    else if (open && now > loop.fromUs) source.loop.value = { fromUs: loop.fromUs, toUs: now };
    else source.loop.value = undefined;
  };
  const at = source.positionUs.value;
  const around = source.detail.value.markers.find(({ timeUs, untilUs }) => untilUs !== undefined && timeUs <= at && at <= untilUs);
  return (
    <>
      <button type="button" class="button" aria-pressed={loop !== undefined} onClick={press}>
        {words}
      </button>
      {loop === undefined && around?.untilUs !== undefined && (
        <button
          type="button"
          class="button"
          title={around.text}
          onClick={() => {
            source.loop.value = { fromUs: around.timeUs, toUs: around.untilUs as number };
          }}
        >
          Loop this {around.kind}
        </button>
      )}
    </>
  );
}

/** The stretch that is looped, below the time line. */
function LoopStretch({ source, share }: { source: ReplaySource; share(us: number): number }) {
  const loop = source.loop.value;
  if (!loop) return null;
  const to = Math.min(1, share(Math.min(loop.toUs, source.detail.value.toUs)));
  return (
    <div
      class="loop-stretch"
      ref={(node) => {
        node?.style.setProperty('--from', String(share(loop.fromUs)));
        node?.style.setProperty('--to', String(to));
      }}
    />
  );
}

/** Writes a note at the instant shown; everybody who opens the session finds it. */
function NoteHere({ source }: { source: ReplaySource }) {
  const text = useSignal<string | undefined>(undefined);
  const problem = useSignal('');
  const field = useRef<HTMLInputElement>(null);
  const isOpen = text.value !== undefined;
  useEffect(() => {
    if (isOpen) field.current?.focus();
  }, [isOpen]);
  if (text.value === undefined) {
    return (
      <button type="button" class="button" onClick={() => (text.value = '')}>
        Note here
      </button>
    );
  }
  const keep = async (event: Event) => {
    event.preventDefault();
    const words = (text.peek() ?? '').trim();
    try {
      if (words) await source.note(words);
      text.value = undefined;
      problem.value = '';
    } catch (error) {
      problem.value = toProblem(error);
    }
  };
  return (
    <form class="note-here" onSubmit={(event) => void keep(event)}>
      <input
        type="text"
        aria-label="Note at this instant"
        maxLength={500}
        value={text.value}
        ref={field}
        onInput={(event) => (text.value = event.currentTarget.value)}
        onKeyDown={(event) => {
          if (event.key === 'Escape') text.value = undefined;
        }}
      />
      <button type="submit" class="button">
        Keep
      </button>
      {problem.value && <span class="problem">{problem}</span>}
    </form>
  );
}

function useTransportKeys(source: ReplaySource): void {
  useEffect(() => {
    const moves: Record<string, () => void> = {
      ' ': () => source.togglePlay(),
      ',': () => void source.step('previous'),
      '.': () => void source.step('next'),
      ArrowLeft: () => source.seek(source.positionUs.peek() - pageS * 1e6),
      ArrowRight: () => source.seek(source.positionUs.peek() + pageS * 1e6),
    };
    const onKey = (event: KeyboardEvent) => {
      const target = event.target instanceof HTMLElement ? event.target : undefined;
      // A focused control keeps its own keys: a field all of them, a button the one that presses it.
      const own = event.key === ' ' ? 'input, textarea, select, button, summary, a' : 'input, textarea, select';
      if (event.ctrlKey || event.altKey || event.metaKey || target?.matches(own)) return;
      const marked = event.shiftKey && (event.key === 'ArrowLeft' || event.key === 'ArrowRight');
      const move = marked ? () => source.stepMarker(event.key === 'ArrowLeft' ? 'previous' : 'next') : moves[event.key];
      if (!move) return;
      event.preventDefault();
      move();
    };
    document.addEventListener('keydown', onKey);
    return () => document.removeEventListener('keydown', onKey);
  }, [source]);
}
