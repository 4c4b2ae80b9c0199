// One simulated device on its bus: powered with the key, boots in its own time, restarts and falls silent as the faults have it.
import type { Device } from '../definitions/vehicle.ts';
import type { Fault, FaultBoard } from './fault.ts';
import type { FrameSender } from './frame-sender.ts';
import type { LineEvent } from './line.ts';
import type { Random } from './random.ts';
import type { Schedule } from './schedule.ts';

const bootS = { least: 0.08, most: 0.95 };
const powerOffS = { least: 0.1, most: 0.5 };
const restartS = { least: 0.5, most: 1.4 };

/** Device instance → period factor, percent. */
function stretchOf(faults: FaultBoard, device: string): number {
  const late = faults.of('device_late').find((fault) => fault.device === device);
  return late ? Math.max(1, late.amount) / 100 : 1;
}

export class DeviceNode {
  readonly name: string;
  readonly senders: FrameSender[];
  /** It sends, as far as it knows. */
  online = false;
  stretch = 1;
  private readonly schedule: Schedule<LineEvent>;
  private readonly random: Random;
  private powered = false;
  /** When it boots or loses power; infinity when nothing is due. */
  private changeUs = Number.POSITIVE_INFINITY;
  private nextRestartUs = Number.POSITIVE_INFINITY;

  constructor(device: Device, senders: FrameSender[], schedule: Schedule<LineEvent>, random: Random) {
    this.name = device.name;
    this.senders = senders;
    this.schedule = schedule;
    this.random = random;
  }

  /** Follows key and faults; called once a physics step. */
  step(nowUs: number, key: boolean, batteryV: number, faults: FaultBoard): void {
    if (key !== this.powered) {
      this.powered = key;
      this.changeUs = nowUs + this.drawUs(key ? bootS : powerOffS);
    }
    if (!faults.quiet) this.stepFaults(nowUs, batteryV, faults);
    else {
      this.stretch = 1;
      this.nextRestartUs = Number.POSITIVE_INFINITY;
    }
    if (nowUs < this.changeUs) return;
    this.changeUs = Number.POSITIVE_INFINITY;
    if (this.powered) this.boot(nowUs);
    else this.shutDown();
  }

  private stepFaults(nowUs: number, batteryV: number, faults: FaultBoard): void {
    this.stretch = stretchOf(faults, this.name);
    const isMine = (fault: Fault): boolean => fault.device === this.name;
    const restarting = faults.of('device_restarting').find(isMine);
    if (!restarting) this.nextRestartUs = Number.POSITIVE_INFINITY;
    else if (this.nextRestartUs === Number.POSITIVE_INFINITY)
      this.nextRestartUs = nowUs + restarting.amount * 1e6 * this.random.between(0.3, 0.7);
    else if (nowUs >= this.nextRestartUs && this.online) {
      this.shutDown();
      this.changeUs = nowUs + this.drawUs(restartS);
      this.nextRestartUs = nowUs + restarting.amount * 1e6 * this.random.between(0.8, 1.2);
    }
    const brownOut = faults.of('brown_out').find(isMine);
    if (brownOut && batteryV < brownOut.amount && this.powered) {
      this.shutDown();
      this.changeUs = nowUs + this.drawUs(restartS);
    }
  }

  private boot(nowUs: number): void {
    this.online = true;
    for (const sender of this.senders) this.schedule.reschedule(sender, sender.begin(nowUs));
  }

  private shutDown(): void {
    this.online = false;
    for (const sender of this.senders) this.schedule.reschedule(sender, Number.POSITIVE_INFINITY);
  }

  private drawUs(range: { least: number; most: number }): number {
    return Math.round(this.random.between(range.least, range.most) * 1e6);
  }
}
