// Lag estimates against synthetic first-order answers with known time constants and noise, over many seeds, and against the simulated engine.
import { describe, expect, it } from 'vitest';
import { collectSeries } from '../../server/collect-series.ts';
import { estimateLags, fitLag } from '../../server/engine-history/probe-lag.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';
import { noiseFrom } from '../doubles/noise.ts';
import { runScenario } from '../doubles/simulated-run.ts';

/** 20 readings a second of a probe that falls from 700 towards 300 °C. */
function fall(tauS: number, sigmaK: number, seed: number, seconds = 4): [number[], number[]] {
  const noise = noiseFrom(seed);
  const s = Array.from({ length: seconds * 20 }, (_, i) => i / 20);
  return [s, s.map((t) => 300 + 400 * Math.exp(-t / tauS) + sigmaK * noise())];
}

describe('the time constant of a probe', () => {
  it('is exact without noise: 63.2 % of the way at one of it', () => {
    expect(fitLag(...fall(0.8, 0, 1))?.tauS).toBeCloseTo(0.8, 4);
    const rising = fall(1.3, 0, 1);
    expect(
      fitLag(
        rising[0],
        rising[1].map((degC) => 1000 - degC),
      )?.tauS,
    ).toBeCloseTo(1.3, 4);
  });

  it.each([
    [0.3, 2],
    [0.6, 2],
    [1, 4],
    [1.8, 2],
  ])('of %f s in %f K of noise lies within its band in 400 seeds 19 times out of 20, and is right in the middle', (tauS, sigmaK) => {
    const fits = Array.from({ length: 400 }, (_, i) => fitLag(...fall(tauS, sigmaK, i + 1)));
    const found = fits.flatMap((fit) => fit ?? []);
    expect(found).toHaveLength(400);
    const inside = found.filter(({ low, high }) => low <= tauS && tauS <= high).length;
    // Binomial: 380 ± 4.4; four standard deviations either way.
    expect(inside).toBeGreaterThan(362);
    expect(inside).toBeLessThan(398);
    const mean = found.reduce((sum, fit) => sum + fit.tauS, 0) / found.length;
    expect(Math.abs(mean / tauS - 1)).toBeLessThan(0.01);
  });

  it('is not told of what does not move, nor of a step in the noise, nor of one much slower than the window', () => {
    const noise = noiseFrom(3);
    const s = Array.from({ length: 80 }, (_, i) => i / 20);
    expect(
      fitLag(
        s,
        s.map(() => 500),
      ),
    ).toBeUndefined();
    expect(
      fitLag(
        s,
        s.map((t) => 500 + 20 * Math.exp(-t) + 10 * noise()),
      ),
    ).toBeUndefined();
    expect(fitLag(...fall(60, 3, 4))).toBeUndefined();
    expect(fitLag([0, 1, 2], [3, 2, 1])).toBeUndefined();
  });
});

describe('probes of a recording', () => {
  const stages = [
    'stage: key_on, for: 2 s',
    'stage: start, for: 4 s',
    'stage: hold, for: 12 s, speed: 4500 rpm, load: 70 %',
    'stage: coast, for: 5 s, from: 4500 rpm, to: 3500 rpm',
    'stage: hold, for: 12 s, speed: 4500 rpm, load: 70 %',
    'stage: coast, for: 5 s, from: 4500 rpm, to: 3500 rpm',
  ];
  const text = `scenario: cuts\nseed: 4\nstart: hot\nstages:\n${stages.map((stage) => `  - { ${stage} }\n`).join('')}`;

  it('are read from its fuel cuts, slower ones as slower, the file beside it', async () => {
    const made = makeVehicle();
    const slow = { low: 1.6, high: 1.6 };
    const vehicle = {
      ...made,
      engine: {
        ...made.engine,
        exhaustTemps: made.engine?.exhaustTemps.map((probe) => (probe.cylinder === 3 ? { ...probe, lagS: slow } : probe)),
      },
    } as typeof made;
    const lags = estimateLags(await collectSeries([runScenario(text, vehicle).batch], vehicle), vehicle);
    expect(lags.map(({ cylinder }) => cylinder)).toEqual([1, 2, 3, 4]);
    expect(lags.every(({ steps }) => steps === 2)).toBe(true);
    const of = (cylinder: number) => lags.find((lag) => lag.cylinder === cylinder)?.tauS as number;
    expect(of(3) / of(1)).toBeGreaterThan(1.4);
    expect(lags[2]?.fileS).toEqual(slow);
  });

  it('without a channel that says when fuel is cut are not guessed', async () => {
    const vehicle = makeVehicle();
    const series = await collectSeries([runScenario(text, vehicle).batch], vehicle);
    const { cut: _, ...roles } = vehicle.engine?.roles ?? {};
    expect(estimateLags(series, { ...vehicle, engine: { ...vehicle.engine, roles } } as typeof vehicle)).toEqual([]);
  });
});
