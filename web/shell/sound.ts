// The alarm's voice. It needs one tap before a browser lets it sound, and says plainly while it can't.
import { effect, signal } from '@preact/signals';
import { vibrate } from '../capabilities.ts';

/** `off`: nobody tapped yet. `on`: sounding is allowed. `blocked`: it was on, and the browser took it away (call, lock screen). */
export type SoundState = 'off' | 'on' | 'blocked';
export const soundState = signal<SoundState>('off');

let audio: AudioContext | undefined;
let repeat: ReturnType<typeof setInterval> | undefined;
const repeatMs = 1600;

/** Call inside a tap or key press: unlocks sound and plays the test tone. */
export async function turnSoundOn(): Promise<void> {
  audio ??= new AudioContext();
  audio.onstatechange = showState;
  await audio.resume();
  showState();
  playTones([523, 659], 0.14);
}

export async function turnSoundOff(): Promise<void> {
  await audio?.suspend();
  soundState.value = 'off';
}

function showState(): void {
  if (audio?.state === 'running') soundState.value = 'on';
  else if (soundState.peek() === 'on') soundState.value = 'blocked';
}

// A phone call or the lock screen may have silenced it: the next touch of anything brings it back.
document.addEventListener('pointerdown', () => {
  if (soundState.peek() === 'blocked') void audio?.resume();
});

/** Sounds (and shakes a phone) until `stopSounding`: two falling tones for a warning, one soft one, once, for a caution. */
export function soundWarning(): void {
  stopSounding();
  const once = () => {
    playTones([988, 740, 988, 740], 0.18);
    vibrate([400, 150, 400]);
  };
  once();
  repeat = setInterval(once, repeatMs);
}

export function soundCaution(): void {
  playTones([587], 0.25);
}

export function stopSounding(): void {
  clearInterval(repeat);
  repeat = undefined;
}

function playTones(frequenciesHz: number[], toneS: number): void {
  if (audio?.state !== 'running') return;
  let at = audio.currentTime + 0.01;
  for (const frequency of frequenciesHz) {
    const oscillator = audio.createOscillator();
    const gain = audio.createGain();
    oscillator.type = 'triangle';
    oscillator.frequency.value = frequency;
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(0.9, at + 0.01);
    gain.gain.setValueAtTime(0.9, at + toneS - 0.02);
    gain.gain.linearRampToValueAtTime(0, at + toneS);
    oscillator.connect(gain).connect(audio.destination);
    oscillator.start(at);
    oscillator.stop(at + toneS);
    at += toneS;
  }
}

/** Sounds while `wanted` says so. */
export function followAlarms(wanted: () => 'warning' | 'caution' | 'none'): void {
  let sounding = 'none';
  effect(() => {
    const now = wanted();
    // Turned on in the middle of a warning, it begins at once.
    soundState.value;
    if (now === sounding) return;
    sounding = now;
    if (now === 'warning') soundWarning();
    else stopSounding();
    if (now === 'caution') soundCaution();
  });
}
