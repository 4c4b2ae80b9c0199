// The wiggle test's voice: one low tone that goes on while all is calm, and another, higher and rough, while something has dropped out.
const calmHz = 196;
const disturbedHz = 784;

export class WiggleSound {
  private readonly audio = new AudioContext();
  private readonly tone = this.audio.createOscillator();
  private readonly loudness = this.audio.createGain();

  /** Call inside a tap: browsers let nothing sound before one. */
  constructor() {
    this.tone.frequency.value = calmHz;
    this.loudness.gain.value = 0.08;
    this.tone.connect(this.loudness).connect(this.audio.destination);
    this.tone.start();
    void this.audio.resume();
  }

  set(state: 'calm' | 'disturbed' | 'lost'): void {
    // Silence says that nothing is known: it must not be taken for calm.
    this.loudness.gain.value = { calm: 0.08, disturbed: 0.5, lost: 0 }[state];
    this.tone.type = state === 'disturbed' ? 'sawtooth' : 'sine';
    this.tone.frequency.value = state === 'disturbed' ? disturbedHz : calmHz;
  }

  end(): void {
    this.tone.stop();
    void this.audio.close();
  }
}
