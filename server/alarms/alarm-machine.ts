// The state machine of one alarm: armed or not, waiting, raised, latched, acknowledged. Pure; it steps at instants.

/** Three-valued: unknown when an input is bad. */
export type Truth = true | false | undefined;

/** What an alarm's timing and latching are. */
export interface AlarmTiming {
  armAfterUs: number;
  forUs: number;
  latch: boolean;
}

/** What is known at an instant. */
export interface AlarmTruths {
  /** The condition. */
  when: Truth;
  /** The gate; true where there is none. */
  while: Truth;
  /** The condition that ends it; `not when` where there is none. */
  over: Truth;
}

/** Everything that outlives an instant, as JSON. Times are -1 for never. */
export interface AlarmMachineState {
  openUs: number;
  trueUs: number;
  raisedUs: number;
  latched: boolean;
  unknown: boolean;
  acknowledgedBy: string | null;
}

const never = -1;

/**
 *     gate     ____/-----------------------------------------\____
 *     armed    ________/-------------------------------------\____      arm_after behind the gate's opening
 *     when     ____________/------------\_________________________
 *     raised   ________________/--------\_________________________      for behind the condition; until `over`, or the gate closes
 *     latched  _________________________/------ until acknowledged
 */
export class AlarmMachine {
  private readonly armAfterUs: number;
  private readonly forUs: number;
  private readonly latch: boolean;
  /** Since when the gate has been open; a bad gate leaves it as it is. */
  private openUs = never;
  /** Since when the condition has been true while armed. */
  private conditionUs = never;
  private raisedUs = never;
  private latched = false;
  private unknown = false;
  private by: string | null = null;

  constructor({ armAfterUs, forUs, latch }: AlarmTiming) {
    this.armAfterUs = armAfterUs;
    this.forUs = forUs;
    this.latch = latch;
  }

  get isRaised(): boolean {
    return this.raisedUs !== never;
  }

  /** Raised, or latched and waiting for an acknowledgement. */
  get isStanding(): boolean {
    return this.isRaised || this.latched;
  }

  get isAcknowledged(): boolean {
    return this.by !== null;
  }

  get acknowledgedBy(): string | undefined {
    return this.by ?? undefined;
  }

  /** The condition, or its gate, can't be judged now. */
  get isUnknown(): boolean {
    return this.unknown;
  }

  /** Since when the condition has been true while armed; for the order of alarms that are raised at one instant. */
  get trueUs(): number {
    return this.conditionUs;
  }

  /** One instant. Says what happened; unknown neither raises nor clears. */
  step(timeUs: number, truths: AlarmTruths): 'raised' | 'cleared' | undefined {
    const { when, while: gate, over } = truths;
    if (gate === false) this.openUs = never;
    else if (gate === true && this.openUs === never) this.openUs = timeUs;
    const isOpen = this.openUs !== never;
    this.unknown = gate === undefined || (isOpen && (this.isRaised ? over : when) === undefined);
    if (this.isRaised) return isOpen && over !== true ? undefined : this.clear();
    if (when === false || !isOpen || timeUs - this.openUs < this.armAfterUs) {
      this.conditionUs = never;
      return undefined;
    }
    if (when === undefined) return undefined;
    if (this.conditionUs === never) this.conditionUs = timeUs;
    return timeUs - this.conditionUs >= this.forUs ? this.raise(timeUs) : undefined;
  }

  /** True when there was something to acknowledge. */
  acknowledge(by: string): boolean {
    if (!this.isStanding || this.isAcknowledged) return false;
    if (this.isRaised) this.by = by;
    else this.latched = false;
    return true;
  }

  /** When it must be stepped again though no input changes; Infinity: never. */
  dueUs(timeUs: number): number {
    if (this.isRaised || this.openUs === never) return Number.POSITIVE_INFINITY;
    const armedUs = this.openUs + this.armAfterUs;
    if (timeUs < armedUs) return armedUs;
    if (this.conditionUs === never) return Number.POSITIVE_INFINITY;
    const raiseUs = this.conditionUs + this.forUs;
    return raiseUs > timeUs ? raiseUs : Number.POSITIVE_INFINITY;
  }

  /** Takes over that an alarm of the same name, with another text, stood and latched. */
  inheritLatch(): void {
    this.latched = true;
  }

  save(): AlarmMachineState {
    const { openUs, conditionUs: trueUs, raisedUs, latched, unknown, by: acknowledgedBy } = this;
    return { openUs, trueUs, raisedUs, latched, unknown, acknowledgedBy };
  }

  restore(state: AlarmMachineState): void {
    this.openUs = state.openUs;
    this.conditionUs = state.trueUs;
    this.raisedUs = state.raisedUs;
    this.latched = state.latched;
    this.unknown = state.unknown;
    this.by = state.acknowledgedBy;
  }

  private raise(timeUs: number): 'raised' {
    this.raisedUs = timeUs;
    this.latched = false;
    this.by = null;
    return 'raised';
  }

  private clear(): 'cleared' {
    this.latched = this.latch && this.by === null;
    this.raisedUs = never;
    this.conditionUs = never;
    this.by = null;
    return 'cleared';
  }
}
