// Who sits at the controls: turns the stages of a scenario into key, starter, throttle, speed asked for and switched loads at each instant.
import type { Load } from './fault.ts';
import type { Scenario, Stage, StageKind } from './scenario.ts';
import { pullLeadS, pullTailS } from './scenario-stages.ts';

/** What the person and the dyno do right now. */
export interface Controls {
  key: boolean;
  starter: boolean;
  /** Fuel and spark are allowed. */
  fire: boolean;
  /** Engine speed that dyno or driver asks for; 0 leaves it at idle. */
  speedRpm: number;
  throttlePercent: number;
  /** What the pump does apart from the controller's own rule. */
  pump: 'by itself' | 'forced' | 'disabled';
  /** Air put on the regulators' reference by hand, kPa over the atmosphere. */
  referenceKpa: number;
  onLimiter: boolean;
  load: Load | undefined;
  heated: { cylinder: number; where: 'tip' | 'connector'; heatC: number } | undefined;
}

const idleThrottlePercent = 1.5;
const engineOff: ReadonlySet<StageKind> = new Set([
  'key_on',
  'prime',
  'oil_crank',
  'stop',
  'stall',
  'key_off',
  'warm_probe',
  'warm_connector',
  'throttle_sweep',
  'switch',
]);

/** Plays one round of stages after another. */
export class Driver {
  readonly controls: Controls = {
    key: false,
    starter: false,
    fire: false,
    speedRpm: 0,
    throttlePercent: 0,
    pump: 'by itself',
    referenceKpa: 0,
    onLimiter: false,
    load: undefined,
    heated: undefined,
  };
  stage: Stage | undefined;
  /** Rounds finished. */
  round = 0;
  private readonly scenario: Scenario;
  private index = 0;

  constructor(scenario: Scenario) {
    this.scenario = scenario;
  }

  /** True when the last stage of the last round is over. */
  get finished(): boolean {
    return this.round >= this.scenario.rounds || this.scenario.lengthS <= 0;
  }

  /**
   * Brings the controls up to `timeS` of scenario time; time never goes back.
   * @param running Whether the engine runs: the starter is let go once it does.
   */
  step(timeS: number, running: boolean): void {
    if (this.finished) return;
    const { stages, lengthS } = this.scenario;
    let roundS = timeS - this.round * lengthS;
    while (this.index < stages.length && roundS >= (stages[this.index] as Stage).toS) {
      this.index++;
      if (this.index < stages.length) continue;
      this.index = 0;
      this.round++;
      roundS -= lengthS;
      if (this.finished) return;
    }
    this.stage = stages[this.index] as Stage;
    this.apply(this.stage, roundS - this.stage.fromS, running);
  }

  private apply(stage: Stage, s: number, running: boolean): void {
    const c = this.controls;
    const off = engineOff.has(stage.kind);
    if (stage.kind !== 'rest') c.key = stage.kind !== 'key_off';
    c.fire = stage.kind === 'rest' ? c.fire : !off;
    c.starter = (stage.kind === 'oil_crank' || stage.kind === 'crank' || stage.kind === 'start') && !running;
    if (stage.kind !== 'rest') {
      c.speedRpm = stage.speedRpm;
      c.throttlePercent = off || stage.kind === 'crank' || stage.kind === 'start' ? 0 : idleThrottlePercent;
    }
    c.pump = stage.kind === 'prime' ? 'forced' : stage.kind === 'key_on' && !stage.pump ? 'disabled' : 'by itself';
    c.referenceKpa = stage.referenceKpa;
    c.onLimiter = stage.kind === 'limiter';
    c.load =
      stage.kind === 'switch' && s > 0.25 * (stage.toS - stage.fromS) && s < 0.75 * (stage.toS - stage.fromS) ? stage.load : undefined;
    c.heated = heatOf(stage);
    this.move(stage, s);
  }

  /** Stages in which speed or throttle move. */
  private move(stage: Stage, s: number): void {
    const c = this.controls;
    const share = Math.min(1, s / Math.max(0.01, stage.toS - stage.fromS));
    switch (stage.kind) {
      case 'break_in':
      case 'warm_up':
        c.throttlePercent = 6 + stage.speedRpm / 400;
        break;
      case 'hold':
        c.throttlePercent = stage.loadPercent;
        break;
      case 'pull':
      case 'abandon':
        this.pull(stage, s);
        break;
      case 'stab':
        // Speed follows a stab by what the engine gains and loses in neutral.
        c.throttlePercent = share > 0.25 && share < 0.45 ? stage.loadPercent : idleThrottlePercent;
        c.speedRpm = share > 0.25 && share < 0.5 ? 3500 : 0;
        break;
      case 'ramp':
        c.throttlePercent = stage.loadPercent;
        c.speedRpm = stage.startRpm + (stage.endRpm - stage.startRpm) * share;
        break;
      case 'limiter':
        c.throttlePercent = stage.loadPercent;
        c.speedRpm = Number.POSITIVE_INFINITY;
        break;
      case 'coast':
        c.throttlePercent = 0;
        c.speedRpm = stage.startRpm + (stage.endRpm - stage.startRpm) * share;
        break;
      case 'throttle_sweep':
        c.throttlePercent = stage.loadPercent * Math.min(1, Math.max(0, 1.4 * (1 - Math.abs(2 * share - 1)) - 0.2));
        break;
      default:
    }
  }

  private pull(stage: Stage, s: number): void {
    const c = this.controls;
    const top = stage.kind === 'abandon' ? Math.min(stage.liftRpm, stage.endRpm) : stage.endRpm;
    const lifted = s > stage.toS - stage.fromS - pullTailS;
    c.throttlePercent = lifted ? 0 : s < pullLeadS - 0.4 ? 22 : stage.loadPercent;
    const swept = Math.min(top, stage.startRpm + Math.max(0, s - pullLeadS) * stage.rateRpmPerS);
    c.speedRpm = lifted ? Math.max(stage.startRpm * 0.8, top - (s - (stage.toS - stage.fromS - pullTailS)) * 1500) : swept;
  }
}

function heatOf(stage: Stage): Controls['heated'] {
  if (stage.kind === 'warm_probe') return { cylinder: stage.cylinder, where: 'tip', heatC: stage.heatC };
  if (stage.kind === 'warm_connector') return { cylinder: stage.cylinder, where: 'connector', heatC: stage.heatC };
  return undefined;
}
