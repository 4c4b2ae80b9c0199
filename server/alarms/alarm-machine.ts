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

/** Everything that outlives an instant, as JSON. */
export interface AlarmMachineState {
  /** Since when the gate has been open; undefined while it is closed. A bad gate leaves it as it is. */
  openUs?: number;
  /** Since when the condition has been true while armed. */
  trueUs?: number;
  raisedUs?: number;
  latched: boolean;
  acknowledgedBy?: string;
  unknown: boolean;
}

/**
 *     gate     ____/-----------------------------------------\____
 *     armed    ________/-------------------------------------\____      arm_after behind the gate's opening
 *     when     ____________/------------\_________________________
 *     raised   ________________/--------\_________________________      for behind the condition; until `over`, or the gate closes
 *     latched  _________________________/------ until acknowledged
 */
export class AlarmMachine {
  private state: AlarmMachineState = { latched: false, unknown: false };
  private readonly timing: AlarmTiming;

  constructor(timing: AlarmTiming) {
    this.timing = timing;
  }

  get isRaised(): boolean {
    return this.state.raisedUs !== undefined;
  }

  /** Raised, or latched and waiting for an acknowledgement. */
  get isStanding(): boolean {
    return this.isRaised || this.state.latched;
  }

  get isAcknowledged(): boolean {
    return this.state.acknowledgedBy !== undefined;
  }

  get acknowledgedBy(): string | undefined {
    return this.state.acknowledgedBy;
  }

  /** The condition, or its gate, can't be judged now. */
  get isUnknown(): boolean {
    return this.state.unknown;
  }

  /** Since when the condition has been true while armed; for the order of alarms that are raised at one instant. */
  get trueUs(): number {
    return this.state.trueUs ?? 0;
  }

  /** One instant. Says what happened; unknown neither raises nor clears. */
  step(timeUs: number, truths: AlarmTruths): 'raised' | 'cleared' | undefined {
    const { state } = this;
    this.stepGate(timeUs, truths.while);
    const judged = this.isRaised ? truths.over : truths.when;
    state.unknown = truths.while === undefined || (this.isOpen && judged === undefined);
    if (this.isRaised) return this.isOpen && truths.over !== true ? undefined : this.clear();
    if (!this.isArmed(timeUs) || truths.when === false) {
      delete state.trueUs;
      return undefined;
    }
    if (truths.when === undefined) return undefined;
    state.trueUs ??= timeUs;
    return timeUs - state.trueUs >= this.timing.forUs ? this.raise(timeUs) : undefined;
  }

  /** True when there was something to acknowledge. */
  acknowledge(by: string): boolean {
    if (!this.isStanding || this.isAcknowledged) return false;
    if (this.isRaised) this.state.acknowledgedBy = by;
    else this.state.latched = false;
    return true;
  }

  /** When it must be stepped again though no input changes; Infinity: never. */
  dueUs(timeUs: number): number {
    const { openUs, trueUs } = this.state;
    if (this.isRaised || openUs === undefined) return Number.POSITIVE_INFINITY;
    const armedUs = openUs + this.timing.armAfterUs;
    if (timeUs < armedUs) return armedUs;
    const raiseUs = trueUs === undefined ? Number.POSITIVE_INFINITY : trueUs + this.timing.forUs;
    return raiseUs > timeUs ? raiseUs : Number.POSITIVE_INFINITY;
  }

  /** Takes over that an alarm of the same name, with another text, stood and latched. */
  inheritLatch(): void {
    this.state.latched = true;
  }

  save(): AlarmMachineState {
    return { ...this.state };
  }

  restore(state: AlarmMachineState): void {
    this.state = { ...state };
  }

  private get isOpen(): boolean {
    return this.state.openUs !== undefined;
  }

  private isArmed(timeUs: number): boolean {
    return this.state.openUs !== undefined && timeUs - this.state.openUs >= this.timing.armAfterUs;
  }

  private stepGate(timeUs: number, gate: Truth): void {
    if (gate === true) this.state.openUs ??= timeUs;
    else if (gate === false) delete this.state.openUs;
  }

  private raise(timeUs: number): 'raised' {
    this.state.raisedUs = timeUs;
    this.state.latched = false;
    delete this.state.acknowledgedBy;
    return 'raised';
  }

  private clear(): 'cleared' {
    const { state } = this;
    state.latched = this.timing.latch && state.acknowledgedBy === undefined;
    delete state.raisedUs;
    delete state.trueUs;
    delete state.acknowledgedBy;
    return 'cleared';
  }
}
