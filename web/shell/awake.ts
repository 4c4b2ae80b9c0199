// The screen stays awake for as long as live values come, unless this browser was told to let it sleep.
import { effect } from '@preact/signals';
import { keepScreenAwake, letScreenSleep } from '../capabilities.ts';
import type { Feed } from '../stream/feed.ts';
import { remembered } from './remembered.ts';

export type AwakeChoice = 'live' | 'never';
export const awakeChoice = remembered<AwakeChoice>('awake', ['live', 'never'], 'live');

export function keepAwakeWhileLive(feed: Feed): void {
  effect(() => {
    const wanted = awakeChoice.value === 'live' && feed.link.value === 'live';
    void (wanted ? keepScreenAwake() : letScreenSleep());
  });
}
