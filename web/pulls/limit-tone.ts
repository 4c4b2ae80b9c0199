// A tone that rises as the nearest limit nears: low at eight seconds, two octaves higher at none, rough once it is time to lift.
import { signal } from '@preact/signals';

const farHz = 220;
const octaves = 2;
const heardFromS = 8;

/** Whether this browser sounds it: only after a tap. */
export const toneOn = signal(false);

let audio: AudioContext | undefined;
let tone: OscillatorNode | undefined;
let loudness: GainNode | undefined;

/** Call inside a tap. */
export async function turnToneOn(): Promise<void> {
  audio ??= new AudioContext();
  if (!tone || !loudness) {
    tone = audio.createOscillator();
    loudness = audio.createGain();
    loudness.gain.value = 0;
    tone.connect(loudness).connect(audio.destination);
    tone.start();
  }
  await audio.resume();
  toneOn.value = true;
}

export function turnToneOff(): void {
  silence();
  toneOn.value = false;
}

/** Seconds to the nearest limit → frequency; undefined: not heard. 8 s is 220 Hz, 4 s 440 Hz, 0 s 880 Hz. */
export function toneHz(limitInS: number | null): number | undefined {
  if (limitInS === null || limitInS > heardFromS) return undefined;
  return farHz * 2 ** (octaves * (1 - Math.max(0, limitInS) / heardFromS));
}

/** Silence says that nothing is known, or nothing is near. */
export function soundLimit(limitInS: number | null, liftNow: boolean): void {
  const hz = toneHz(limitInS);
  if (!toneOn.value || !audio || !tone || !loudness) return;
  if (hz === undefined) {
    silence();
    return;
  }
  tone.type = liftNow ? 'sawtooth' : 'sine';
  tone.frequency.setTargetAtTime(hz, audio.currentTime, 0.03);
  loudness.gain.setTargetAtTime(liftNow ? 0.5 : 0.2, audio.currentTime, 0.03);
}

export function silence(): void {
  if (audio && loudness) loudness.gain.setTargetAtTime(0, audio.currentTime, 0.03);
}
