// The unplug test: one device is unplugged at a time, and exactly its frames must vanish while everybody else keeps time. Pure.
import type { BusWatch } from './bus-watch.ts';

export interface UnplugStep {
  device: string;
  /** `waiting`: still there. `vanished`: silent now. `passed` and `failed`: plugged in again, judged. */
  phase: 'waiting' | 'vanished' | 'passed' | 'failed';
  /** Others that fell silent or lost frames while it was unplugged. */
  others: string[];
  say: string;
}

/** Follows one device out and back in; `step` after every stretch of frames. */
export class UnplugTest {
  private readonly device: string;
  private readonly before: Set<string>;
  private readonly others = new Set<string>();
  private phase: UnplugStep['phase'] = 'waiting';
  private partly = false;

  /** @param watch Has watched the bus for a while, so that it knows who is there. */
  constructor(device: string, watch: BusWatch) {
    this.device = device;
    this.before = new Set([...watch.silentDevices(), ...watch.limpingDevices()]);
  }

  step(watch: BusWatch): UnplugStep {
    const silent = watch.silentDevices();
    const limping = watch.limpingDevices();
    const gone = silent.includes(this.device);
    if (this.phase === 'waiting' || this.phase === 'vanished') {
      for (const name of [...silent, ...limping]) if (name !== this.device && !this.before.has(name)) this.others.add(name);
    }
    if (this.phase === 'waiting') {
      this.partly = limping.includes(this.device);
      if (gone) this.phase = 'vanished';
    } else if (this.phase === 'vanished' && !gone && !limping.includes(this.device)) {
      this.phase = this.others.size === 0 ? 'passed' : 'failed';
    }
    return { device: this.device, phase: this.phase, others: [...this.others], say: this.say() };
  }

  private say(): string {
    const { device } = this;
    const others = [...this.others].join(' and ');
    if (this.phase === 'waiting') {
      if (others) return `${others} lost frames, and ${device} is still there: is that the right plug?`;
      return this.partly
        ? `Some frames of ${device} are gone, others still come: two senders, or a plug half out.`
        : `Unplug ${device} now.`;
    }
    if (this.phase === 'vanished') {
      return others
        ? `${device} is silent, but ${others} lost frames too. Plug it in again.`
        : `${device} is silent, all others keep time. Plug it in again.`;
    }
    if (this.phase === 'passed') return `Exactly the frames of ${device} vanished, and they are back.`;
    return `With ${device} unplugged ${others} lost frames too: look at the trunk and the supply that they have in common.`;
  }
}
