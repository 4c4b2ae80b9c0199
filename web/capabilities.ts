// The only file that touches browser features which exist on secure pages alone, or only after a tap: each says whether it can work.
import { signal } from '@preact/signals';

/** What keeps the screen awake: `on`, `off` (may be switched on), `refused` (battery low), or `absent` (plain http on a tablet). */
export type WakeState = 'on' | 'off' | 'refused' | 'absent';

export const wakeState = signal<WakeState>('wakeLock' in navigator ? 'off' : 'absent');

let wakeWanted = false;
let wakeLock: { release(): Promise<void> } | undefined;

/** Keeps the screen awake from now on, again after each time the tab was hidden. */
export async function keepScreenAwake(): Promise<void> {
  wakeWanted = true;
  if (wakeState.value === 'absent' || wakeLock || document.hidden) return;
  try {
    const lock = await navigator.wakeLock.request('screen');
    // Told to let it sleep while the browser was asked.
    if (!wakeWanted) {
      await lock.release();
      return;
    }
    wakeLock = lock;
    wakeState.value = 'on';
    lock.addEventListener('release', () => {
      wakeState.value = 'off';
      if (wakeLock === lock) wakeLock = undefined;
    });
  } catch {
    wakeState.value = 'refused';
  }
}

export async function letScreenSleep(): Promise<void> {
  wakeWanted = false;
  const lock = wakeLock;
  wakeLock = undefined;
  await lock?.release();
}

document.addEventListener('visibilitychange', () => {
  if (wakeWanted && !document.hidden) void keepScreenAwake();
});

/** Copies text; false where the browser doesn't allow it (plain http): show the text to be copied by hand instead. */
export async function copyText(text: string): Promise<boolean> {
  try {
    await navigator.clipboard.writeText(text);
    return true;
  } catch {
    return false;
  }
}

/** Shakes a phone in a pocket, where it can; harmless elsewhere. */
export function vibrate(patternMs: number[]): void {
  // Browsers forbid it until the page was tapped: some throw, some complain on the console.
  if (navigator.userActivation?.hasBeenActive === false) return;
  try {
    navigator.vibrate?.(patternMs);
  } catch {}
}
