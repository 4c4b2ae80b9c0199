// One value on a page: its number, unit and quality, and the way to ask where it comes from.
import { computed } from '@preact/signals';
import { useMemo } from 'preact/hooks';
import { type Latest, useFeed } from '../stream/feed.ts';
import { askWhy } from '../why/asked.ts';
import { digitsOf, toSignedText, toUnitWord, toValueText, toWords } from './numbers.ts';
import { isDifference, shownUnit } from './units.ts';

export interface ReadingProps {
  channel: string;
  /** What a screen reader calls it; the channel's name in words when left out. */
  called?: string;
  /** Difference: written with its sign. */
  signed?: boolean;
  /** Without its unit, where the heading says it. */
  bare?: boolean;
  digits?: number;
  /** No value is this channel's usual state, shown quietly as a dash. */
  idle?: boolean;
}

/** Texts and attributes are signals: a new value changes one text node and renders nothing. */
export function Reading({ channel, called, signed, bare, digits, idle }: ReadingProps) {
  const feed = useFeed();
  const view = feed.findChannel(channel);
  const to = shownUnit(view?.unit ?? '', isDifference(view));
  const shown = useMemo(() => {
    const latest = feed.watch(channel);
    const step = feed.stepOf(channel);
    const places = digits ?? digitsOf(to.unit, step === undefined ? undefined : step * to.factor);
    const toText = (value: number) => {
      const converted = value * to.factor + to.offset;
      return signed ? toSignedText(converted, places) : toValueText(view, converted, places);
    };
    return {
      number: computed(() => (latest.value.value === null ? '' : toText(latest.value.value))),
      word: computed(() => wordOf(latest.value, idle === true)),
      unit: computed(() => (bare || latest.value.value === null ? '' : toUnitWord(to.unit))),
      quality: computed(() => latest.value.quality),
    };
  }, [feed, channel, view, to, signed, bare, digits, idle]);
  return (
    <button
      type="button"
      class={idle ? 'reading idle' : 'reading'}
      data-channel={channel}
      data-quality={shown.quality}
      onClick={() => askWhy(channel, feed)}
      title="Why this number?"
    >
      <span class="visually-hidden">{called ?? toWords(channel)} </span>
      <span class="number">{shown.number}</span>
      <span class="unit">{shown.unit}</span>
      <span class="word">{shown.word}</span>
    </button>
  );
}

function wordOf(latest: Latest, idle: boolean): string {
  if (latest.quality === 'ok') return '';
  if (idle && latest.quality === 'missing') return '–';
  return latest.quality === 'out-of-range' ? 'out of range' : latest.quality;
}
