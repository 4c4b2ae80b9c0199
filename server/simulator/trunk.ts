// The wire of one bus from end to end: which devices the listener reaches past breaks and loose connectors.
import type { Bus } from '../definitions/vehicle.ts';
import type { Fault, FaultBoard } from './fault.ts';
import type { Random } from './random.ts';

/** How long a loose connector stays open. */
const openS = { least: 0.03, most: 0.45 };

interface Contact {
  open: boolean;
  changeUs: number;
}

export class Trunk {
  /** True while some stretch is open. */
  broken = false;
  /** True while the listener's part of the wire has lost a terminator. */
  unterminated = false;
  private readonly order: string[];
  private readonly listenerAt: number;
  private readonly terminatedAt: number[];
  private readonly busIndex: number;
  private readonly random: Random;
  private readonly contacts = new Map<Fault, Contact>();
  private firstReached = 0;
  private lastReached = Number.POSITIVE_INFINITY;

  constructor(bus: Bus, random: Random) {
    const items = bus.trunk ?? [];
    this.order = items.map((item) => item.name);
    this.listenerAt = Math.max(
      0,
      items.findIndex((item) => item.kind === 'listener'),
    );
    this.terminatedAt = items.flatMap((item, i) => (item.terminated || item.kind === 'terminator' ? [i] : []));
    this.busIndex = bus.index;
    this.random = random;
  }

  /** Whether a device's frames come to the listener. A device that the trunk doesn't place is always reached. */
  isReached(device: string): boolean {
    if (!this.broken) return true;
    const at = this.order.indexOf(device);
    return at < 0 || (at >= this.firstReached && at <= this.lastReached);
  }

  /** Opens and closes contacts; returns how many did so now. */
  step(nowUs: number, faults: FaultBoard): number {
    let edges = 0;
    const openAt: number[] = [];
    const wasBroken = this.broken;
    for (const fault of faults.of('trunk_break')) if (fault.bus === this.busIndex) openAt.push(this.breakOf(fault));
    for (const fault of faults.of('intermittent_connector')) {
      if (fault.bus !== this.busIndex) continue;
      const contact = this.contacts.get(fault) ?? { open: false, changeUs: nowUs + this.random.wait(fault.amount * 1e6) };
      this.contacts.set(fault, contact);
      if (nowUs >= contact.changeUs) {
        contact.open = !contact.open;
        const lengthUs = contact.open ? this.random.between(openS.least, openS.most) * 1e6 : this.random.wait(fault.amount * 1e6);
        contact.changeUs = nowUs + Math.max(20_000, lengthUs);
        edges++;
      }
      if (contact.open) openAt.push(this.breakOf(fault));
    }
    this.apply(openAt.filter((at) => at > 0));
    if (this.broken !== wasBroken && edges === 0) edges++;
    return edges;
  }

  /** Index of the item behind the open stretch. */
  private breakOf(fault: Fault): number {
    const [a, b] = fault.stretch ?? ['', ''];
    for (let i = 1; i < this.order.length; i++) {
      const pair = [this.order[i - 1], this.order[i]];
      if (pair.includes(a) && pair.includes(b)) return i;
    }
    return 0;
  }

  private apply(openAt: number[]): void {
    this.broken = openAt.length > 0;
    this.firstReached = Math.max(0, ...openAt.filter((at) => at <= this.listenerAt));
    this.lastReached = Math.min(this.order.length, ...openAt.filter((at) => at > this.listenerAt)) - 1;
    const kept = this.terminatedAt.filter((at) => at >= this.firstReached && at <= this.lastReached).length;
    this.unterminated = this.broken && this.terminatedAt.length >= 2 && kept < 2;
  }
}
