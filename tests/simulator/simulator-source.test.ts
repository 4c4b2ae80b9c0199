// The simulator as live sources: buses share one simulation, frames carry session time, watermarks keep their promise.
import { describe, expect, it } from 'vitest';
import type { FrameBatch } from '../../server/bus/frame-batch.ts';
import { openSource } from '../../server/bus/open-source.ts';
import type { SourceListener } from '../../server/bus/source.ts';
import { SessionClock } from '../../server/clock.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { makeSimulatorSource } from '../../server/simulator/simulator-source.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';
import { readScenario } from '../doubles/simulated-run.ts';

const garganey = new URL('../../bus-definitions/garganey', import.meta.url).pathname;

class Collected implements SourceListener {
  readonly times: number[] = [];
  readonly buses = new Set<number>();
  readonly states: string[] = [];
  watermarkUs = -1;
  broken = '';
  ended = false;
  onFrames: () => void = () => {};

  frames(batch: FrameBatch, watermarkUs: number): void {
    for (let i = 0; i < batch.count; i++) {
      const timeUs = batch.timeUs[i] as number;
      if (timeUs <= this.watermarkUs) this.broken = `${timeUs} after watermark ${this.watermarkUs}`;
      this.times.push(timeUs);
      this.buses.add(batch.bus[i] as number);
    }
    if (watermarkUs < this.watermarkUs) this.broken = 'the watermark went back';
    this.watermarkUs = watermarkUs;
    this.onFrames();
  }

  state(state: 'up' | 'down'): void {
    this.states.push(state);
  }

  loss(): void {}

  end(): void {
    this.ended = true;
    this.onFrames();
  }

  failed(error: Error): void {
    this.broken = error.message;
    this.onFrames();
  }

  until(met: () => boolean): Promise<void> {
    return new Promise((resolve) => {
      this.onFrames = () => {
        if (met() || this.broken) resolve();
      };
      this.onFrames();
    });
  }
}

describe('simulator sources', () => {
  it('share one simulation over the buses of a session, each with its own frames', async () => {
    const vehicle = await getVehicle(garganey);
    const clock = new SessionClock();
    const sources = await Promise.all([0, 1].map((bus) => openSource('simulator', bus, vehicle, clock)));
    const heard = sources.map(() => new Collected());
    for (const [i, source] of sources.entries()) source.start(heard[i] as Collected);
    await Promise.all(heard.map((each) => each.until(() => each.times.length > 3)));
    await Promise.all(sources.map((source) => source.stop()));
    expect(heard.map((each) => [...each.buses])).toEqual([[0], [1]]);
    expect(heard.map((each) => each.broken)).toEqual(['', '']);
    const counts = heard.map((each) => each.times.length);
    await new Promise((resolve) => setTimeout(resolve, 30));
    expect(heard.map((each) => each.times.length)).toEqual(counts);
  });

  it.each([100, 'max'] as const)('give everything of a scenario with an end, then end (speed %s)', async (speed) => {
    const vehicle = makeVehicle();
    const scenario = readScenario('scenario: short\nstages: [{ stage: key_on, for: 20 s }]', vehicle);
    const source = makeSimulatorSource(0, 'simulator:short', vehicle, scenario, new SessionClock(), speed);
    const heard = new Collected();
    source.start(heard);
    await heard.until(() => heard.ended);
    expect(heard.broken).toBe('');
    expect(heard.states).toEqual(['up', 'down']);
    const length = (heard.times.at(-1) as number) - (heard.times[0] as number);
    expect(length / 1e6).toBeGreaterThan(18);
    await source.stop();
  });

  it('have the same frames at the same distances, whatever the speed', async () => {
    const vehicle = await getVehicle(garganey);
    const distances = async (speed: string) => {
      const source = await openSource(`simulator:first-start?speed=${speed}`, 0, vehicle, new SessionClock());
      const heard = new Collected();
      source.start(heard);
      await heard.until(() => heard.times.length > 500);
      await source.stop();
      return heard.times.slice(0, 500).map((timeUs) => timeUs - (heard.times[0] as number));
    };
    expect(await distances('20')).toEqual(await distances('max'));
  });

  it('refuse a scenario that is not there, or not for this vehicle', async () => {
    await expect(openSource('simulator:nowhere', 0, makeVehicle(), new SessionClock())).rejects.toMatchObject({
      code: 'SCENARIO_MISSING',
      exitCode: 3,
    });
    await expect(openSource('simulator:probe-check', 0, makeVehicle(), new SessionClock())).rejects.toMatchObject({
      code: 'SCENARIO_INVALID',
      exitCode: 3,
    });
  });
});
