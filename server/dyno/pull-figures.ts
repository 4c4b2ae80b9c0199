// Every figure of a pull explained: which rule made it, of which numbers, over which stretch, from which channels. Pure.
import { medianOf } from '../checks/watch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { vapourPressureKpa } from './corrected-power.ts';
import { arithmetic, commonPractice, type Figure, type FigureChannel, linkTo, rounded, said, saidStretch, toAddress } from './figure.ts';
import type { DemandMoment, FuelDemand } from './fuel-demand.ts';
import type { GasMoment } from './gas-peaks.ts';
import type { PowerRow } from './power-curve.ts';
import type { NamedPull } from './pull-corrections.ts';
import { type BandColumn, bandOf, type Extremes, peakAfterS, type SpeedBand } from './pull-profile.ts';
import type { PullSummary } from './pull-summary.ts';
import { type StartItem, startChannels, startItems, startReadForUs } from './start-state.ts';
import { findUsualChannel } from './usual-channels.ts';

/** One pull with what its figures are of. */
export interface PullBehind {
  /** The recording it is in; null: what was driven is not recorded, and no chain of then can be shown. */
  session: number | null;
  /** Beginning of its figures' addresses: `['pulls', 3, 2]`. */
  address: readonly (string | number)[];
  /** `pull 2 of session 3` */
  called: string;
  /** Time of the recording's first frame, microseconds. */
  startUs: number;
  vehicle: Vehicle;
  summary: PullSummary<NamedPull>;
  /** The pull that it is set beside. */
  before?: PullBehind | undefined;
}

/**
 * One figure of a pull.
 *
 * @param key `peak 3`, `left 3`, `beside 3`, `gas-low 3`, `gas-high 3` of a cylinder; `temp 4125 3`, `deviation 4125 3`, `spread 4125`, `rms 4125`,
 *   `load 4125`, `timing 4125`, `lambda 4125`, `duty-mean 4125 SET`, `delta-mean 4125 SET` of a row by engine speed; `widest`, `roughest`,
 *   `beside-spread`, `left-exhaust`, `left-spread`, `left-duty`; `duty SET`, `delta-low SET`, `delta-high SET`, `asked SET`, `of-injectors SET`,
 *   `of-pump SET`, `supply SET`; `torque 4125`, `power 4125`, `torque-corrected 4125`, `power-corrected 4125`, `factor`; `start oil`; `speed-from`,
 *   `speed-to`, `seconds`.
 * @returns Undefined for a key that is none of them, or names what this pull has not.
 */
export function explainPullFigure(pull: PullBehind, key: readonly string[]): Figure | undefined {
  const [name = '', first = '', second = ''] = key;
  return explanations.get(name)?.(new Explained(pull), first, second);
}

/** The address of a figure of this pull. */
export function pullFigureAddress({ address }: PullBehind, ...key: (string | number)[]): string {
  return toAddress(...address, ...key);
}

type Explain = (about: Explained, first: string, second: string) => Figure | undefined;

const explanations: ReadonlyMap<string, Explain> = new Map<string, Explain>(
  Object.entries({
    peak: (about, cylinder) => about.peak(Number(cylinder)),
    left: (about, cylinder) => about.left(Number(cylinder)),
    beside: (about, cylinder) => about.beside(Number(cylinder)),
    'gas-low': (about, cylinder) => about.gas(Number(cylinder), 'low'),
    'gas-high': (about, cylinder) => about.gas(Number(cylinder), 'high'),
    temp: (about, speed, cylinder) => about.temp(Number(speed), Number(cylinder)),
    deviation: (about, speed, cylinder) => about.deviation(Number(speed), Number(cylinder)),
    spread: (about, speed) => about.spread(Number(speed)),
    rms: (about, speed) => about.rms(Number(speed)),
    load: (about, speed) => about.bandMean('Load', Number(speed), about.measures.load, 1),
    timing: (about, speed) => about.bandMean('Ignition timing', Number(speed), about.measures.timing, 1),
    lambda: (about, speed) => about.lambda(Number(speed)),
    'duty-mean': (about, speed, set) => about.bandMean(`Duty of ${set}`, Number(speed), about.measures.duty[about.setAt(set)], 1),
    'delta-mean': (about, speed, set) =>
      about.bandMean(`Fuel pressure delta of ${set}`, Number(speed), about.measures.deltaKpa[about.setAt(set)], 1),
    widest: (about) => about.highestBand('spread'),
    roughest: (about) => about.highestBand('rms'),
    'beside-spread': (about) => about.besideSpread(),
    'left-exhaust': (about) => about.leftExhaust(),
    'left-spread': (about) => about.leftSpread(),
    'left-duty': (about) => about.leftDuty(),
    duty: (about, set) => about.extreme(set, about.measures.dutyExtremes, 'high', '%', 'Highest duty'),
    'delta-low': (about, set) => about.extreme(set, about.measures.deltaExtremes, 'low', 'kPa', 'Lowest fuel pressure delta'),
    'delta-high': (about, set) => about.extreme(set, about.measures.deltaExtremes, 'high', 'kPa', 'Highest fuel pressure delta'),
    asked: (about, set) => about.demand(set, 'asked'),
    'of-injectors': (about, set) => about.demand(set, 'of-injectors'),
    'of-pump': (about, set) => about.demand(set, 'of-pump'),
    supply: (about, set) => about.supply(set),
    torque: (about, speed) => about.power(Number(speed), 'torque', false),
    power: (about, speed) => about.power(Number(speed), 'power', false),
    'torque-corrected': (about, speed) => about.power(Number(speed), 'torque', true),
    'power-corrected': (about, speed) => about.power(Number(speed), 'power', true),
    factor: (about) => about.factor(),
    start: (about, item) => about.start(item),
    'speed-from': (about) => about.end('from'),
    'speed-to': (about) => about.end('to'),
    seconds: (about) => about.seconds(),
  } satisfies Record<string, Explain>),
);

type Parts = Pick<Figure, 'title' | 'value' | 'unit' | 'rule' | 'source' | 'worked'> & Partial<Figure>;

/** The figures of one pull. */
class Explained {
  readonly pull: PullBehind;

  constructor(pull: PullBehind) {
    this.pull = pull;
  }

  get measures() {
    return this.pull.summary.measures;
  }

  private get profile() {
    return this.pull.summary.profile;
  }

  setAt(set: string): number {
    return this.profile.sets.findIndex((one) => one.set === set);
  }

  peak(cylinder: number): Figure | undefined {
    const peak = this.profile.peaks.find((one) => one.cylinder === cylinder);
    const channel = this.probeOf(cylinder);
    if (!peak || channel === undefined) return undefined;
    const { startUs, session } = this.pull;
    const afterS = this.profile.kind === 'hold' ? 0 : peakAfterS;
    const until = afterS === 0 ? 'its end' : `${afterS} s behind its end, since a probe lags (never into the next pull)`;
    const worked =
      peak.peakC === null || peak.at === null
        ? []
        : [`${said(peak.peakC)} degC at ${peak.at.toFixed(2)} s${peak.speed === null ? '' : `, engine speed ${peak.speed} rpm`}`];
    return this.figure({
      title: `Peak of cylinder ${cylinder}`,
      value: peak.peakC,
      unit: 'degC',
      rule: `The highest indicated temperature of its probe from the beginning of the pull to ${until}. A reading beyond its range is a peak all the same.`,
      source: `${commonPractice} for the ${peakAfterS} s`,
      worked,
      doubts: peak.peakC === null ? ['the probe gave no number in this pull'] : [probeDoubt],
      stretches: [{ session, fromUs: this.fromUs, toUs: this.toUs + afterS * 1e6, what: 'looked through from' }],
      channels: [
        {
          session,
          channel,
          atUs: peak.at === null ? this.middleUs : startUs + peak.at * 1e6,
          what: peak.peakC === null ? 'no number' : `${said(peak.peakC)} degC, the highest`,
        },
      ],
    });
  }

  left(cylinder: number): Figure | undefined {
    const peak = this.peak(cylinder);
    const limit = this.pull.vehicle.limits.exhaustTempC;
    const found = this.profile.peaks.find((one) => one.cylinder === cylinder);
    if (!peak || !found || limit === undefined) return undefined;
    return this.figure({
      title: `Left to the exhaust limit, cylinder ${cylinder}`,
      value: found.marginK,
      unit: 'K',
      isDifference: true,
      rule: 'The limit of indicated temperature less the peak.',
      source: 'the limit is that of vehicle.yaml, limits: exhaust_temp:',
      worked: found.marginK === null ? [] : [`${said(limit)} − ${said(found.peakC)} = ${said(found.marginK)} K`],
      doubts: peak.doubts,
      figures: [linkTo(this.address('peak', cylinder), peak)],
    });
  }

  beside(cylinder: number): Figure | undefined {
    const beside = this.pull.summary.beside;
    const before = this.before();
    const kelvin = beside?.peaks.find((one) => one.cylinder === cylinder)?.kelvin ?? null;
    const [now, then] = [this.peak(cylinder), before?.peak(cylinder)];
    if (!before || !now || !then) return undefined;
    return this.figure({
      title: `Peak of cylinder ${cylinder} beside ${before.called}`,
      value: kelvin,
      unit: 'K',
      isDifference: true,
      rule: 'This peak less that of the last complete pull of its kind before it.',
      source: arithmetic,
      worked: kelvin === null ? [] : [`${said(now.value)} − ${said(then.value)} = ${said(kelvin)} K`],
      doubts: ['one pull beside one other tells nothing of how pulls repeat: Compare does'],
      figures: [linkTo(this.address('peak', cylinder), now), linkTo(before.address('peak', cylinder), then)],
    });
  }

  gas(cylinder: number, end: 'low' | 'high'): Figure | undefined {
    const gas = this.pull.summary.gas.find((one) => one.cylinder === cylinder);
    if (!gas) return undefined;
    const { channel, readingNoiseK, slopeGain } = gas.from;
    const moment: GasMoment = gas.from[end];
    const value = end === 'low' ? gas.lowC : gas.highC;
    return this.figure({
      title: `Gas temperature of cylinder ${cylinder}, estimate with ${said(moment.lagS, 2)} s of lag`,
      value: rounded(value, 1),
      unit: 'degC',
      rule: 'The highest reading + lag × slope within the pull: a probe taken as a first-order lag, its slope by least squares over half a second. It is never held against a limit.',
      source: 'first-order lag, any handbook of measurement; the lag is that of vehicle.yaml, exhaust_temps: lag:',
      worked: [
        `${said(moment.readingC)} + ${said(moment.lagS, 2)} s × ${said(moment.slopeKPerS)} K/s = ${said(value)} degC`,
        `noise: ${said(readingNoiseK, 2)} K of a reading × √(1 + ${said(slopeGain, 2)}²) = ± ${said(gas.noiseK)} K`,
      ],
      doubts: ['an estimate: as good as the lag that was given, and lag falls as flow rises'],
      stretches: [this.stretch('looked through from')],
      channels: [
        {
          session: this.pull.session,
          channel,
          atUs: moment.atUs,
          what: `${said(moment.readingC)} degC, rising by ${said(moment.slopeKPerS)} K/s`,
        },
      ],
    });
  }

  temp(speed: number, cylinder: number): Figure | undefined {
    return this.bandMean(`Temperature of cylinder ${cylinder}`, speed, this.measures.temps[this.profile.cylinders.indexOf(cylinder)], 1, [
      probeDoubt,
    ]);
  }

  spread(speed: number): Figure | undefined {
    const row = this.row(speed);
    const known = row && this.known(row);
    if (!row || !known) return undefined;
    const [low, high] = [known[0], known.at(-1)];
    return this.figure({
      title: `Spread ${this.atSpeed(speed)}`,
      value: row.spreadK,
      unit: 'K',
      isDifference: true,
      rule: 'The highest less the lowest of the mean indicated temperatures of the probes that gave numbers.',
      source: arithmetic,
      worked:
        row.spreadK === null || !low || !high
          ? []
          : [`${said(high.temp)} (cylinder ${high.cylinder}) − ${said(low.temp)} (cylinder ${low.cylinder}) = ${said(row.spreadK)} K`],
      doubts: [
        ...this.counted(row),
        'below 15 to 20 K between cylinders means nothing yet: class 2 of type K alone allows ± 6.8 K at 900 °C (IEC 60584-1)',
      ],
      figures: this.temps(row),
    });
  }

  rms(speed: number): Figure | undefined {
    const row = this.row(speed);
    const known = row && this.known(row);
    if (!row || !known) return undefined;
    const mean = known.reduce((sum, { temp }) => sum + temp, 0) / known.length;
    const squares = known.map(({ temp }) => `(${said(temp - mean)})²`).join(' + ');
    return this.figure({
      title: `RMS deviation ${this.atSpeed(speed)}`,
      value: row.rmsK,
      unit: 'K',
      isDifference: true,
      rule: 'The root of the mean square of the mean temperatures about their own mean, of the probes that gave numbers.',
      source: arithmetic,
      worked: row.rmsK === null ? [] : [`mean ${said(mean)} degC`, `√((${squares}) / ${known.length}) = ${said(row.rmsK)} K`],
      doubts: this.counted(row),
      figures: this.temps(row),
    });
  }

  deviation(speed: number, cylinder: number): Figure | undefined {
    const row = this.row(speed);
    const known = row && this.known(row);
    const own = known?.find((one) => one.cylinder === cylinder);
    const others = known?.filter((one) => one.cylinder !== cylinder).map(({ temp }) => temp) ?? [];
    const middle = medianOf(others);
    if (!row || !own || middle === undefined || others.length < 2) return undefined;
    return this.figure({
      title: `Deviation of cylinder ${cylinder} ${this.atSpeed(speed)}`,
      value: rounded(own.temp - middle, 1),
      unit: 'K',
      isDifference: true,
      rule: "Its mean temperature less the median of the others': never the plain mean, which one cold cylinder drags along.",
      source: commonPractice,
      worked: [
        `median of ${others.map((temp) => said(temp)).join(', ')} is ${said(middle)} degC`,
        `${said(own.temp)} − ${said(middle)} = ${said(own.temp - middle)} K`,
      ],
      doubts: this.counted(row),
      figures: this.temps(row),
    });
  }

  lambda(speed: number): Figure | undefined {
    const banks = [...(this.pull.vehicle.engine?.lambda.keys() ?? [])];
    const found = banks.flatMap((bank, i) => this.bandMean(`Lambda of ${bank}`, speed, this.measures.lambda[i], 3) ?? []);
    const [only] = found;
    if (!only || found.length === 1) return only;
    const values = found.flatMap(({ value }) => value ?? []);
    return this.figure({
      title: `Lambda ${this.atSpeed(speed)}`,
      value: rounded(medianOf(values) ?? 0, 3),
      unit: 'lambda',
      rule: 'The median of the banks.',
      source: commonPractice,
      worked: [`median of ${values.map((value) => said(value, 3)).join(', ')}`],
      channels: found.flatMap(({ channels }) => channels),
    });
  }

  bandMean(what: string, speed: number, column: BandColumn | undefined, digits: number, doubts: string[] = []): Figure | undefined {
    const mean = column?.means.get(bandOf(this.profile, speed));
    if (!column || !mean) return undefined;
    const { channel, unit } = column;
    const range = `${said(mean.low, digits)} to ${said(mean.high, digits)}${unit === '' ? '' : ` ${unit}`}`;
    return this.figure({
      title: `${what} ${this.atSpeed(speed)}`,
      value: rounded(mean.mean, digits),
      unit,
      rule:
        this.profile.kind === 'hold'
          ? 'The mean of the samples of the hold.'
          : 'The mean of the samples of the pull at whose time engine speed lay in this band of 250 rpm.',
      source: arithmetic,
      worked: [
        `mean of ${mean.count} ${mean.count === 1 ? 'sample' : 'samples'} of ${range}: ${said(mean.mean, digits)}${unit === '' ? '' : ` ${unit}`}`,
      ],
      doubts: [...(mean.count < 3 ? ['few samples: the pull went through this band quickly'] : []), ...doubts],
      stretches: [{ session: this.pull.session, fromUs: mean.fromUs, toUs: mean.toUs, what: 'samples of the band from' }],
      channels: [{ session: this.pull.session, channel, atUs: (mean.fromUs + mean.toUs) / 2, what: `${mean.count} samples, ${range}` }],
    });
  }

  highestBand(which: 'spread' | 'rms'): Figure | undefined {
    const of = (band: SpeedBand) => (which === 'spread' ? band.spreadK : band.rmsK);
    const best = this.profile.bands.reduce<SpeedBand | undefined>(
      (found, band) => ((of(band) ?? -1) > ((found && of(found)) ?? -1) ? band : found),
      undefined,
    );
    const figure = best && (which === 'spread' ? this.spread(best.speed) : this.rms(best.speed));
    if (!best || !figure) return undefined;
    return this.figure({
      title: which === 'spread' ? 'Spread, at most' : 'RMS deviation, at most',
      value: of(best),
      unit: 'K',
      isDifference: true,
      rule: `The highest of the ${this.profile.bands.length} rows by engine speed.`,
      source: arithmetic,
      worked: [`${said(of(best))} K ${this.atSpeed(best.speed)}`],
      doubts: figure.doubts,
      figures: [linkTo(this.address(which, best.speed), figure)],
    });
  }

  besideSpread(): Figure | undefined {
    const rows = this.pull.summary.beside?.bands.flatMap(({ speed, spreadK }) => (spreadK === null ? [] : [{ speed, spreadK }])) ?? [];
    const before = this.before();
    if (!before || rows.length === 0) return undefined;
    const value = rows.reduce((sum, { spreadK }) => sum + spreadK, 0) / rows.length;
    return this.figure({
      title: `Spread beside ${before.called}`,
      value: rounded(value, 1),
      unit: 'K',
      isDifference: true,
      rule: 'The mean, over the rows of engine speed that both pulls have, of this spread less that of the last complete pull of its kind.',
      source: arithmetic,
      worked: rows.map(
        ({ speed, spreadK }) =>
          `${said(this.row(speed)?.spreadK)} − ${said(before.row(speed)?.spreadK)} = ${said(spreadK)} K ${this.atSpeed(speed)}`,
      ),
      doubts: ['one pull beside one other tells nothing of how pulls repeat: Compare does'],
      figures: rows.flatMap(({ speed }) =>
        [this as Explained, before].flatMap((of) => {
          const figure = of.spread(speed);
          return figure ? [linkTo(of.address('spread', speed), figure)] : [];
        }),
      ),
    });
  }

  leftExhaust(): Figure | undefined {
    const { exhaustK } = this.pull.summary.margins;
    const peak = this.profile.peaks.find(({ marginK }) => marginK !== null && marginK === exhaustK);
    const figure = peak && this.left(peak.cylinder);
    return (
      figure &&
      this.figure({
        ...figure,
        title: 'Least left to the exhaust limit',
        rule: 'The least of all cylinders of the limit of indicated temperature less the peak.',
      })
    );
  }

  leftSpread(): Figure | undefined {
    const limit = this.pull.vehicle.limits.exhaustSpreadK;
    const widest = this.highestBand('spread');
    const value = this.pull.summary.margins.spreadK;
    if (limit === undefined || !widest || value === null) return undefined;
    return this.figure({
      title: 'Least left to the spread limit',
      value,
      unit: 'K',
      isDifference: true,
      rule: 'The limit of spread less the widest spread of the rows by engine speed.',
      source: 'the limit is that of vehicle.yaml, limits: exhaust_spread:',
      worked: [`${said(limit)} − ${said(widest.value)} = ${said(value)} K`],
      doubts: widest.doubts,
      figures: [linkTo(this.address('widest'), widest)],
    });
  }

  leftDuty(): Figure | undefined {
    const limit = this.pull.vehicle.limits.dutyPercent;
    const value = this.pull.summary.margins.dutyPercent;
    const most = this.pull.summary.demand.reduce<FuelDemand | undefined>(
      (best, one) => ((one.dutyMax ?? -1) > (best?.dutyMax ?? -1) ? one : best),
      undefined,
    );
    const duty = most && this.demand(most.set, 'duty');
    if (limit === undefined || value === null || !most || !duty) return undefined;
    return this.figure({
      title: 'Least left to the duty limit',
      value,
      unit: '%',
      isDifference: true,
      rule: 'The limit of duty less the highest duty of all injector sets.',
      source: 'the limit is that of vehicle.yaml, limits: duty:',
      worked: [`${said(limit)} − ${said(most.dutyMax)} (${most.set}) = ${said(value)} %`],
      figures: [linkTo(this.address('duty', most.set), duty)],
    });
  }

  extreme(set: string, of: readonly (Extremes | undefined)[], end: 'low' | 'high', unit: string, what: string): Figure | undefined {
    const found = of[this.setAt(set)];
    if (!found) return undefined;
    const [value, atUs] = end === 'low' ? [found.low, found.lowUs] : [found.high, found.highUs];
    const at = ((atUs - this.pull.startUs) / 1e6).toFixed(2);
    return this.figure({
      title: `${what} of ${set}`,
      value: rounded(value, 1),
      unit,
      rule: `The ${end === 'low' ? 'lowest' : 'highest'} sample within the pull.`,
      source: arithmetic,
      worked: [`${end === 'low' ? 'lowest' : 'highest'} of ${found.count} samples: ${said(value)} ${unit} at ${at} s`],
      doubts: unit === '%' && value > 100 ? ['above 100 % the injector is held open: what flows is capped at its static flow'] : [],
      stretches: [this.stretch('looked through from')],
      channels: [{ session: this.pull.session, channel: found.channel, atUs, what: `${said(value)} ${unit}` }],
    });
  }

  demand(set: string, which: 'duty' | 'asked' | 'of-injectors' | 'of-pump'): Figure | undefined {
    const demand = this.pull.summary.demand.find((one) => one.set === set);
    if (!demand) return undefined;
    if (which === 'duty') return this.extreme(set, this.measures.dutyExtremes, 'high', '%', 'Highest duty');
    const moment = which === 'of-pump' ? demand.from.most : demand.from.fullest;
    const flow = this.pull.vehicle.injectorSets.find(({ name }) => name === set);
    if (!moment || moment.demand === undefined || moment.capacity === undefined || !flow?.flow) return undefined;
    const { deadMs, periodMs, duty, deltaKpa, demand: asked, capacity, open } = moment;
    const capacityLine = `${flow.cylinders.length} injectors × ${said(flow.flow.ccPerMin, 0)} cc/min × √(${said(deltaKpa, 0)} / ${said(flow.flow.atKpa, 0)} kPa) = ${said(capacity, 0)} cc/min`;
    const openLine = `open share: ${said(duty)} % − ${said(deadMs, 3)} ms dead of ${said(periodMs, 2)} ms = ${said(100 * (open ?? 0))} %`;
    const askedLine = `${said(capacity, 0)} × ${said(100 * (open ?? 0))} % = ${said(asked, 0)} cc/min`;
    const of = {
      asked: {
        value: demand.demandCcPerMin,
        unit: 'cc/min',
        title: `Fuel that ${set} asks for`,
        worked: [capacityLine, openLine, askedLine],
      },
      'of-injectors': {
        value: demand.ofInjectorsPercent,
        unit: '%',
        title: `Fuel asked of the injectors of ${set}`,
        worked: [capacityLine, openLine, `${said(asked, 0)} / ${said(capacity, 0)} = ${said(demand.ofInjectorsPercent)} %`],
      },
      'of-pump': {
        value: demand.ofPumpPercent,
        unit: '%',
        title: `Fuel asked of the pump of ${set}`,
        worked: [
          capacityLine,
          openLine,
          askedLine,
          `${said(asked, 0)} / ${said(demand.pumpCcPerMin, 0)} cc/min of the pump = ${said(demand.ofPumpPercent)} %`,
        ],
      },
    }[which];
    return this.figure({
      ...of,
      rule: 'What the injectors give wide open at the pressure across them, times the share of the period in which the pulses hold them open, dead time left out; at the moment of the pull at which that is most.',
      source:
        'static flow goes with the root of the pressure drop (Bernoulli); rated flow, dead time and pump as vehicle.yaml gives them, injector_sets:',
      doubts: ['as good as the rated flow, the dead time and the pressures: none of them was measured here'],
      stretches: [this.stretch('looked through from')],
      channels: this.momentChannels(set, moment),
    });
  }

  supply(set: string): Figure | undefined {
    const demand = this.pull.summary.demand.find((one) => one.set === set);
    const battery = this.pull.vehicle.engine?.roles.battery;
    const moment = demand?.from.fullest;
    if (!demand?.supply || !moment?.open || battery === undefined) return undefined;
    const { voltsStart, voltsLow, deadStartMs, deadLowMs, flowPercent } = demand.supply;
    const before = moment.open + (deadLowMs - deadStartMs) / moment.periodMs;
    return this.figure({
      title: `Flow of ${set} that the supply's fall took`,
      value: flowPercent,
      unit: '%',
      isDifference: true,
      rule: 'How much longer the injectors would have been open at the voltage of the beginning: dead time goes by the table of the vehicle file. Voltages are medians of half a second.',
      source: 'dead time by supply voltage as vehicle.yaml gives it, injector_sets: dead_time:',
      worked: [
        `${said(voltsStart, 2)} V: ${said(deadStartMs, 3)} ms dead; ${said(voltsLow, 2)} V: ${said(deadLowMs, 3)} ms`,
        `open ${said(100 * moment.open)} % instead of ${said(100 * before)} % of ${said(moment.periodMs, 2)} ms: ${said(flowPercent)} %`,
      ],
      channels: [
        { session: this.pull.session, channel: battery, atUs: this.fromUs, what: `${said(voltsStart, 2)} V at the beginning` },
        { session: this.pull.session, channel: battery, atUs: moment.timeUs, what: `${said(voltsLow, 2)} V at the busiest moment` },
      ],
    });
  }

  power(speed: number, what: 'torque' | 'power', corrected: boolean): Figure | undefined {
    const { power } = this.pull.summary;
    const row = power?.rows.find((one) => one.speed === speed);
    if (!power || !row || (corrected && !power.correction)) return undefined;
    const unit = what === 'torque' ? 'Nm' : 'kW';
    const { meanNm, meanRpm, count, fromUs, toUs } = row.from;
    const plain = what === 'torque' ? row.torqueNm : row.powerKw;
    const value = corrected ? (what === 'torque' ? row.correctedNm : row.correctedKw) : plain;
    const title = `${what === 'torque' ? 'Torque' : 'Power'} at ${speed} rpm${corrected ? ', corrected' : ', as measured'}`;
    if (corrected) {
      const factor = this.factor();
      const measured = this.power(speed, what, false);
      if (!factor || !measured) return undefined;
      return this.figure({
        title,
        value,
        unit,
        rule: 'The figure as measured times the correction factor to standard air.',
        source: factor.source,
        worked: [`${said(plain)} × ${said(factor.value, 4)} = ${said(value)} ${unit}`],
        doubts: factor.doubts,
        figures: [linkTo(this.address(what, speed), measured), linkTo(this.address('factor'), factor)],
      });
    }
    return this.figure({
      title,
      value,
      unit,
      rule:
        what === 'torque'
          ? 'The mean of the torques of the pull in this band of 250 rpm.'
          : 'Mean torque times mean engine speed of the points in this band: torque × speed × 2π / 60.',
      source: `${arithmetic}; torque from ${power.source}`,
      worked: [
        `mean of ${count} points: ${said(meanNm)} Nm at ${said(meanRpm, 0)} rpm`,
        ...(what === 'power' ? [`${said(meanNm)} × ${said(meanRpm, 0)} × 2π / 60,000 = ${said(value)} kW`] : []),
      ],
      doubts: [
        ...(count < 3 ? ['few points: the pull went through this band quickly'] : []),
        ...(power.channel === undefined ? [`from the log ${power.source}, laid on the session by its engine speed`] : []),
      ],
      stretches: [{ session: this.pull.session, fromUs, toUs, what: 'points of the band from' }],
      channels: this.powerChannels(row),
    });
  }

  factor(): Figure | undefined {
    const power = this.pull.summary.power;
    const correction = power?.correction;
    if (!power || !correction) return undefined;
    const { stationKpa, roomC, humidityPercent, factor, notes } = correction;
    const vapourKpa = humidityPercent === null ? 0 : vapourPressureKpa(roomC, humidityPercent);
    const dry = stationKpa - vapourKpa;
    const { vehicle, session } = this.pull;
    const barometer = vehicle.engine?.barometer;
    const channels = [
      power.air.station.startsWith('channel ') && barometer && 'channel' in barometer
        ? { channel: barometer.channel, what: `${said(stationKpa, 2)} kPa` }
        : undefined,
      power.air.room.startsWith('channel ') ? { channel: findUsualChannel(vehicle, 'roomTemp'), what: `${said(roomC)} degC` } : undefined,
    ];
    return this.figure({
      title: 'Correction to standard air',
      value: rounded(factor, 4),
      unit: '',
      rule: '1.180 × (99 kPa / dry station pressure) × √((air in °C + 273) / 298) − 0.18',
      source: `SAE J1349 (June 1990)${humidityPercent === null ? '' : '; vapour pressure by Buck, J. Appl. Meteorol. 20 (1981) 1527'}`,
      worked: [
        ...(humidityPercent === null
          ? []
          : [`water vapour at ${said(roomC)} °C and ${said(humidityPercent, 0)} %: ${said(vapourKpa, 3)} kPa`]),
        `dry pressure: ${said(stationKpa, 2)} − ${said(vapourKpa, 3)} = ${said(dry, 3)} kPa`,
        `1.180 × (99 / ${said(dry, 3)}) × √((${said(roomC)} + 273) / 298) − 0.18 = ${said(factor, 4)}`,
      ],
      doubts: [`station pressure: ${power.air.station}; air: ${power.air.room}; humidity: ${power.air.humidity}`, ...notes],
      stretches: [{ session, fromUs: this.fromUs - 1_000_000, toUs: this.toUs, what: 'median of channels from' }],
      channels: channels.flatMap((one) =>
        one?.channel === undefined ? [] : [{ session, channel: one.channel, atUs: this.middleUs, what: one.what }],
      ),
    });
  }

  start(item: string): Figure | undefined {
    const what = startItems.find((known) => known === item);
    if (!what) return undefined;
    const value = this.pull.summary.start[what];
    const channels = this.startChannels(what);
    if (channels.length === 0) return undefined;
    return this.figure({
      title: `${startWords[what]} as the pull began`,
      value,
      unit: 'degC',
      rule: `The median of the ${startReadForUs / 1e6} s before its beginning${what === 'exhaust' ? ', and of the probes their median' : ''}.`,
      source: commonPractice,
      worked: value === null ? [] : [`${said(value)} degC`],
      doubts: value === null ? ['none of it gave a good number then'] : [],
      stretches: [{ session: this.pull.session, fromUs: this.fromUs - startReadForUs, toUs: this.fromUs, what: 'median from' }],
      channels,
    });
  }

  end(which: 'from' | 'to'): Figure | undefined {
    const { speedFrom, speedTo } = this.profile;
    const speed = this.pull.vehicle.engine?.roles.speed;
    const atUs = which === 'from' ? this.fromUs : this.toUs;
    const value = which === 'from' ? speedFrom : speedTo;
    if (speed === undefined) return undefined;
    return this.figure({
      title: `Engine speed at the ${which === 'from' ? 'beginning' : 'end'}`,
      value,
      unit: 'rpm',
      rule:
        this.profile.kind === 'hold'
          ? 'Engine speed, averaged over 0.4 s against the noise of its sensor, at the end of the longest steady stretch.'
          : 'Engine speed on an even grid of 20 ms where the sweep begins to rise at full throttle, and where it got highest.',
      source: `${commonPractice}, docs/dyno.md`,
      worked: [`${value} rpm at ${((atUs - this.pull.startUs) / 1e6).toFixed(2)} s`],
      doubts: this.pull.summary.pull.byHand ? ['the ends of this pull were set by hand'] : [],
      channels: [{ session: this.pull.session, channel: speed, atUs, what: `${value} rpm` }],
    });
  }

  seconds(): Figure | undefined {
    const { from, to } = this.profile;
    const { speed, throttle } = this.pull.vehicle.engine?.roles ?? {};
    return this.figure({
      title: 'How long it lasted',
      value: rounded(to - from, 2),
      unit: 's',
      rule:
        this.profile.kind === 'hold'
          ? 'The longest stretch of steady speed and load.'
          : 'From the rise of speed at full throttle to its highest speed.',
      source: `${commonPractice}, docs/dyno.md`,
      worked: [`${to.toFixed(2)} − ${from.toFixed(2)} = ${(to - from).toFixed(2)} s`],
      doubts: this.pull.summary.pull.byHand ? ['the ends of this pull were set by hand'] : [],
      channels: [speed, throttle].flatMap((channel) =>
        channel === undefined ? [] : [{ session: this.pull.session, channel, atUs: this.middleUs, what: 'in the middle of it' }],
      ),
    });
  }

  get called(): string {
    return this.pull.called;
  }

  address(...key: (string | number)[]): string {
    return pullFigureAddress(this.pull, ...key);
  }

  private before(): Explained | undefined {
    return this.pull.before && new Explained(this.pull.before);
  }

  private row(speed: number): SpeedBand | undefined {
    return this.profile.bands.find((band) => band.speed === speed);
  }

  /** Coldest first; undefined with fewer than two. */
  private known({ temps }: SpeedBand): { cylinder: number; temp: number }[] | undefined {
    const known = temps.flatMap((temp, i) => (temp === null ? [] : [{ cylinder: this.profile.cylinders[i] as number, temp }]));
    return known.length < 2 ? undefined : known.sort((a, b) => a.temp - b.temp);
  }

  private counted({ temps }: SpeedBand): string[] {
    const silent = this.profile.cylinders.filter((_, i) => temps[i] === null);
    return silent.length === 0 ? [] : [`without cylinder ${silent.join(', ')}: no good number of its probe`];
  }

  private temps({ speed }: SpeedBand): Figure['figures'] {
    return this.profile.cylinders.flatMap((cylinder) => {
      const figure = this.temp(speed, cylinder);
      return figure ? [linkTo(this.address('temp', speed, cylinder), figure)] : [];
    });
  }

  private atSpeed(speed: number): string {
    return this.profile.kind === 'hold' ? `of the hold at ${speed} rpm` : `at ${speed} rpm`;
  }

  private probeOf(cylinder: number): string | undefined {
    return this.pull.vehicle.engine?.exhaustTemps.find((probe) => probe.cylinder === cylinder)?.channel;
  }

  private momentChannels(set: string, { timeUs, duty, deltaKpa, volts }: DemandMoment): FigureChannel[] {
    const { session, vehicle } = this.pull;
    const at = this.setAt(set);
    const battery = vehicle.engine?.roles.battery;
    const named: [string | undefined, string][] = [
      [this.measures.dutyExtremes[at]?.channel, `${said(duty)} %`],
      [this.measures.deltaExtremes[at]?.channel, `${said(deltaKpa)} kPa`],
      [volts === undefined ? undefined : battery, `${said(volts, 2)} V`],
    ];
    return named.flatMap(([channel, what]) => (channel === undefined ? [] : [{ session, channel, atUs: timeUs, what }]));
  }

  private powerChannels({ from }: PowerRow): FigureChannel[] {
    const { session, vehicle, summary } = this.pull;
    const atUs = (from.fromUs + from.toUs) / 2;
    const named = [summary.power?.channel, vehicle.engine?.roles.speed];
    return named.flatMap((channel) => (channel === undefined ? [] : [{ session, channel, atUs, what: 'in the middle of the band' }]));
  }

  private startChannels(item: StartItem): FigureChannel[] {
    const { vehicle, session } = this.pull;
    const names = item === 'exhaust' ? (vehicle.engine?.exhaustTemps ?? []).map(({ channel }) => channel) : [startChannels(vehicle)[item]];
    return names.flatMap((channel) => (channel === undefined ? [] : [{ session, channel, atUs: this.fromUs, what: 'as the pull began' }]));
  }

  private get fromUs(): number {
    return this.pull.startUs + this.profile.from * 1e6;
  }

  private get toUs(): number {
    return this.pull.startUs + this.profile.to * 1e6;
  }

  private get middleUs(): number {
    return (this.fromUs + this.toUs) / 2;
  }

  private stretch(what: string): Figure['stretches'][number] {
    return { session: this.pull.session, fromUs: this.fromUs, toUs: this.toUs, what };
  }

  private figure(parts: Parts): Figure {
    const { startUs, session } = this.pull;
    const words = this.profile.kind === 'hold' ? 'hold' : 'sweep';
    const whole = `${this.called} (${words}), ${saidStretch(this.fromUs, this.toUs, startUs)}`;
    const stretches = parts.stretches?.map((stretch) => ({
      ...stretch,
      what: `${whole}; ${stretch.what} ${saidStretch(stretch.fromUs, stretch.toUs, startUs)}`,
    }));
    return {
      isDifference: false,
      doubts: [],
      channels: [],
      figures: [],
      ...parts,
      stretches: stretches ?? [{ session, fromUs: this.fromUs, toUs: this.toUs, what: whole }],
    };
  }
}

const probeDoubt =
  'an indicated temperature: a probe lags behind the gas, and class 2 of type K alone allows ± 0.75 % of the reading (IEC 60584-1)';

const startWords: Readonly<Record<StartItem, string>> = {
  oil: 'Oil',
  coolant: 'Coolant',
  intake: 'Intake air',
  fuel: 'Fuel',
  exhaust: 'Exhaust',
};
