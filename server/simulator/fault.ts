// The faults that a scenario or a page can put into the simulated engine, sensors and wiring: one table says what each takes.

/** What a fault may name. `amount` is in the unit that the table gives. */
export type FaultTarget = 'cylinder' | 'cylinders' | 'set' | 'channel' | 'device' | 'frame' | 'bus' | 'stretch' | 'group' | 'load' | 'id';

interface FaultKindRow {
  say: string;
  needs: readonly FaultTarget[];
  may?: readonly FaultTarget[];
  /** Its size: the key in the file, the unit, and the value when it isn't given. The unit 'own' is the channel's. */
  amount?: { key: string; unit: string; usual: number };
}

/** Every fault by its name in scenario files (docs/simulator.md lists the same; a test compares). */
export const faultKinds = {
  dead_injector: { say: 'an injector gives no fuel', needs: ['cylinder'], may: ['set'] },
  weak_injector: {
    say: 'an injector gives this share of its fuel',
    needs: ['cylinder'],
    may: ['set'],
    amount: { key: 'flow', unit: '%', usual: 65 },
  },
  lazy_injector: {
    say: 'an injector opens later by this',
    needs: ['cylinder'],
    may: ['set'],
    amount: { key: 'delay', unit: 'ms', usual: 1.1 },
  },
  misfire: { say: 'a cylinder leaves out this share of its firings', needs: ['cylinder'], amount: { key: 'share', unit: '%', usual: 100 } },
  throttle_dead_spot: { say: 'the throttle sensor drops out around this position', needs: [], amount: { key: 'at', unit: '%', usual: 45 } },
  pump_fading: {
    say: 'the pump delivers this share of what it did',
    needs: [],
    may: ['set'],
    amount: { key: 'capacity', unit: '%', usual: 40 },
  },
  return_blocked: { say: "the regulator's return is blocked", needs: [], may: ['set'] },
  reference_hose_off: { say: "the regulator's reference hose is off", needs: [], may: ['set'] },
  no_fuel: { say: 'no fuel reaches the rail', needs: [], may: ['set'] },
  alternator_off: { say: 'the alternator does not charge', needs: [] },
  weak_battery: { say: 'the battery sags by this much more under the starter', needs: [], amount: { key: 'sag', unit: 'V', usual: 2.5 } },
  no_spark: { say: 'no cylinder gets a spark', needs: [] },
  no_sync: { say: 'the controller finds no crank and cam pattern', needs: [] },
  sync_losses: { say: 'the controller loses the pattern this often', needs: [], amount: { key: 'every', unit: 's', usual: 2 } },
  low_oil_pressure: { say: 'oil pressure is this share of what it should be', needs: [], amount: { key: 'share', unit: '%', usual: 10 } },

  open_probe: { say: 'a probe is open', needs: ['cylinder'] },
  shorted_probe: { say: "a probe's cable is shorted", needs: ['cylinder'] },
  reversed_probe: { say: 'a probe is reversed at its connector', needs: ['cylinder'] },
  extension_crossed: { say: "a probe's extension is crossed at both ends", needs: ['cylinder'] },
  copper_extension: { say: 'a probe is extended with copper', needs: ['cylinder'] },
  probe_out: { say: 'a probe is pulled out of its port', needs: ['cylinder'] },
  swapped_probes: { say: 'two probes are in each other’s ports', needs: ['cylinders'] },
  ground_loop: { say: 'switched loads add this to all probes', needs: [], amount: { key: 'voltage', unit: 'mV', usual: 0.8 } },
  sensor_offset: { say: 'a sensor reads this much too high', needs: ['channel'], amount: { key: 'by', unit: 'own', usual: 0 } },
  sensor_noise: { say: 'a sensor jumps about by this much', needs: ['channel'], amount: { key: 'by', unit: 'own', usual: 0 } },
  sensor_stuck: { say: 'a sensor no longer moves', needs: ['channel'] },
  supply_shift: {
    say: 'the sensors of one supply or ground group, or one channel alone (name either), move by this share of their range when a load is switched',
    needs: [],
    may: ['group', 'channel', 'load'],
    amount: { key: 'by', unit: '%', usual: -4 },
  },

  device_silent: { say: 'a device sends nothing', needs: ['device'] },
  device_late: { say: 'a device sends at this share of its periods', needs: ['device'], amount: { key: 'period', unit: '%', usual: 180 } },
  device_restarting: { say: 'a device restarts this often', needs: ['device'], amount: { key: 'every', unit: 's', usual: 4 } },
  brown_out: { say: 'a device drops out below this supply', needs: ['device'], amount: { key: 'below', unit: 'V', usual: 9.6 } },
  frame_silent: { say: 'one frame is not sent', needs: ['frame'] },
  frame_shortened: { say: 'a frame is this many bytes short', needs: ['frame'], amount: { key: 'bytes', unit: '', usual: 2 } },
  frozen_payload: { say: "a frame's bytes no longer change", needs: ['frame'] },
  counter_stuck: { say: "a frame's counter no longer counts", needs: ['frame'] },
  counter_skips: {
    say: "a frame's counter leaves numbers out, this often",
    needs: ['frame'],
    amount: { key: 'every', unit: 's', usual: 1 },
  },
  two_talkers: { say: 'a second device sends the same id', needs: ['frame'] },
  unknown_id: {
    say: 'a device that nobody described sends this id',
    needs: ['id'],
    may: ['bus'],
    amount: { key: 'period', unit: 'ms', usual: 100 },
  },
  trunk_break: { say: 'the trunk is broken', needs: ['stretch'], may: ['bus'] },
  intermittent_connector: {
    say: 'a connector opens now and then, on average this long apart',
    needs: ['stretch'],
    may: ['bus'],
    amount: { key: 'every', unit: 's', usual: 1.5 },
  },
  missing_terminator: { say: 'a terminator is missing', needs: [], may: ['bus'] },
  third_terminator: { say: 'there is one terminator too many', needs: [], may: ['bus'] },
  wrong_bit_rate: { say: 'a device talks at another bit rate', needs: ['device'] },
  alone: { say: 'a device is alone and nobody acknowledges', needs: ['device'] },
  bus_noise: { say: 'noise spoils this many frames a second', needs: [], may: ['bus'], amount: { key: 'rate', unit: 'Hz', usual: 20 } },
} as const satisfies Record<string, FaultKindRow>;

export type FaultKind = keyof typeof faultKinds;

/** The table's row with its optional parts visible. */
export function getFaultKind(kind: FaultKind): FaultKindRow {
  return faultKinds[kind];
}

/** One fault, from `fromUs` up to `toUs` of scenario time. Names are the vehicle's; `bus` is an index; a stretch is two neighbours on the trunk. */
export interface Fault {
  kind: FaultKind;
  fromUs: number;
  toUs: number;
  /** In the unit of its row. */
  amount: number;
  cylinder?: number;
  cylinders?: [number, number];
  set?: string;
  channel?: string;
  device?: string;
  frame?: string;
  bus?: number;
  stretch?: [string, string];
  group?: string;
  load?: Load;
  id?: number;
}

export const loads = ['pump', 'fan', 'ignition', 'lights'] as const;
/** Something electrical that a person switches on its own with the key on. */
export type Load = (typeof loads)[number];

/** The faults of a run, and which are in force at an instant. */
export class FaultBoard {
  private all: Fault[] = [];
  private readonly byKind = new Map<FaultKind, Fault[]>();
  private inForce = new Set<Fault>();
  private changeUs = 0;

  constructor(faults: readonly Fault[]) {
    this.all.push(...faults);
  }

  add(fault: Fault): void {
    this.all.push(fault);
    this.changeUs = 0;
  }

  /** Forgets what is over: a scenario that repeats for ever would gather without end. */
  forgetEnded(nowUs: number): void {
    this.all = this.all.filter((fault) => fault.toUs > nowUs);
  }

  /** Ends what `which` picks, now. */
  end(which: (fault: Fault) => boolean, nowUs: number): void {
    for (const fault of this.all) if (which(fault) && fault.toUs > nowUs) fault.toUs = Math.max(fault.fromUs, nowUs);
    this.changeUs = 0;
  }

  /** Brings the faults in force up to `nowUs`; cheap between changes. */
  step(nowUs: number): void {
    if (nowUs < this.changeUs) return;
    this.byKind.clear();
    this.inForce = new Set();
    this.changeUs = Number.POSITIVE_INFINITY;
    for (const fault of this.all) {
      if (fault.fromUs > nowUs) this.changeUs = Math.min(this.changeUs, fault.fromUs);
      if (fault.fromUs > nowUs || fault.toUs <= nowUs) continue;
      this.changeUs = Math.min(this.changeUs, fault.toUs);
      this.inForce.add(fault);
      const list = this.byKind.get(fault.kind);
      if (list) list.push(fault);
      else this.byKind.set(fault.kind, [fault]);
    }
  }

  /** Faults of one kind in force now. */
  of(kind: FaultKind): readonly Fault[] {
    return this.byKind.get(kind) ?? none;
  }

  /** The first fault of a kind in force that is for this injector set, or for all. */
  ofSet(kind: FaultKind, set: string): Fault | undefined {
    return this.of(kind).find((fault) => fault.set === undefined || fault.set === set);
  }

  get current(): readonly Fault[] {
    return [...this.inForce];
  }

  get quiet(): boolean {
    return this.inForce.size === 0;
  }
}

const none: readonly Fault[] = [];
