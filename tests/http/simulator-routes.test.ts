// Faults put into the running simulation over HTTP: known, refused with their reason, in force, seen on the bus, mended.
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import type { SimulatorView } from '../../server/contract/simulator.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { type App, type AskedStation, buildApp } from '../../server/http/app.ts';
import { getScenario } from '../../server/simulator/scenario-library.ts';
import { Simulation } from '../../server/simulator/simulator.ts';

const host = { host: 'localhost:8414' };
let app: App;
let quiet: App;
let simulation: Simulation;
let pressures = 0;

beforeAll(async () => {
  const vehicle = await getVehicle('bus-definitions/garganey');
  pressures = vehicle.buses.flatMap((bus) => bus.frames).find((frame) => frame.name === 'pressures')?.id ?? 0;
  simulation = new Simulation(vehicle, await getScenario('demo', vehicle));
  app = await buildApp({ station: { vehicle, simulation } as unknown as AskedStation, version: 'test', webFolder: undefined } as never);
  quiet = await buildApp({ station: { vehicle, simulation: undefined } as unknown as AskedStation, version: 'test' } as never);
});
afterAll(async () => {
  await app.close();
  await quiet.close();
});

const ask = async (method: 'GET' | 'POST' | 'DELETE', url: string, payload?: object) => {
  const answer = await app.inject({ method, url, headers: host, ...(payload ? { payload } : {}) });
  return { status: answer.statusCode, body: answer.json() };
};

describe('the simulator over HTTP', () => {
  it('knows its faults and what they may name', async () => {
    const { body } = await ask('GET', '/api/simulator');
    const view = body as SimulatorView;
    expect(view.running).toBe(true);
    expect(view.kinds.find(({ kind }) => kind === 'dead_injector')?.needs).toEqual(['cylinder']);
    expect(view.choices.cylinder).toEqual(['1', '2', '3', '4', '5', '6']);
    expect(view.choices.stretch).toContain('thermocouple-box - pressure-node');
  });

  it('puts a fault in, which silences the device, and mends it', async () => {
    const counted = (toUs: number) => {
      const batch = new FrameBatch();
      simulation.advance(toUs, batch);
      return batch.id.subarray(0, batch.count).filter((id) => id === pressures).length;
    };
    expect(counted(2_000_000)).toBeGreaterThan(10);
    const { status, body: told } = await ask('POST', '/api/simulator/faults', { fault: 'device_silent', device: 'pressure-node' });
    expect(status).toBe(200);
    // At once, though the simulation has not gone on.
    expect((told as SimulatorView).inForce.map(({ kind }) => kind)).toEqual(['device_silent']);
    counted(2_100_000);
    expect(counted(4_000_000)).toBe(0);
    const { body } = await ask('GET', '/api/simulator');
    expect((body as SimulatorView).inForce.map(({ kind, on }) => [kind, on])).toEqual([['device_silent', 'pressure-node']]);
    expect(((await ask('DELETE', '/api/simulator/faults/0')).body as SimulatorView).inForce).toEqual([]);
    expect(counted(8_000_000)).toBeGreaterThan(10);
    expect(((await ask('GET', '/api/simulator')).body as SimulatorView).inForce).toEqual([]);
  });

  it('takes every fault that it knows, each with what it may name, and mends it again', async () => {
    const view = (await ask('GET', '/api/simulator')).body as SimulatorView;
    expect(view.kinds.length).toBeGreaterThan(40);
    let toUs = 10_000_000;
    for (const { kind, needs } of view.kinds) {
      const named = needs.map((need) => {
        const [first, second] = view.choices[need === 'cylinders' ? 'cylinder' : need] ?? [];
        if (need === 'cylinders') return [need, [Number(first), Number(second)]];
        return [need, need === 'id' ? 0x7e0 : need === 'cylinder' ? Number(first) : first];
      });
      // A shift is of a group or of a channel: either will do, and one must be said.
      if (kind === 'supply_shift') named.push(['channel', view.choices.channel?.[0]]);
      const { status } = await ask('POST', '/api/simulator/faults', { fault: kind, ...Object.fromEntries(named) });
      toUs += 200_000;
      simulation.advance(toUs, new FrameBatch());
      const { inForce } = (await ask('GET', '/api/simulator')).body as SimulatorView;
      expect([kind, status, inForce.map((fault) => fault.kind)]).toEqual([kind, 200, [kind]]);
      await ask('DELETE', '/api/simulator/faults/0');
    }
  });

  it('refuses what is no fault, saying why', async () => {
    const { status, body } = await ask('POST', '/api/simulator/faults', { fault: 'dead_injector', cylinder: 9 });
    expect(status).toBe(400);
    expect(body).toMatchObject({ error: 'SIMULATOR_FAULT_WRONG' });
  });

  it('says so where nothing is simulated', async () => {
    const view = await quiet.inject({ method: 'GET', url: '/api/simulator', headers: host });
    expect(view.json()).toMatchObject({ running: false });
    const put = await quiet.inject({ method: 'POST', url: '/api/simulator/faults', headers: host, payload: { fault: 'no_spark' } });
    expect(put.statusCode).toBe(409);
  });
});
