// The simulator's faults from a page: put in, in force, mended. Only simulated buses know any.
import { z } from 'zod';
import { type FaultKindView, faultRequest, type SimulatorView, simulatorView } from '../contract/simulator.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { type Fault, faultKinds, getFaultKind, loads } from '../simulator/fault.ts';
import { parseFault } from '../simulator/scenario-faults.ts';
import type { Simulation } from '../simulator/simulator.ts';
import type { App, AppParts } from './app.ts';

export function addSimulatorRoutes(app: App, { station }: AppParts): void {
  const found = (): Simulation => {
    if (!station.simulation) throw new EvenburnError('SIMULATOR_NOT_RUNNING');
    return station.simulation;
  };
  const view = () => toView(station.simulation, station.vehicle);
  app.get('/api/simulator', { schema: { summary: 'Simulated faults: known and in force', response: { 200: simulatorView } } }, async () =>
    view(),
  );
  app.post(
    '/api/simulator/faults',
    { schema: { summary: 'Put a fault into the simulation', body: faultRequest, response: { 200: simulatorView } } },
    async (request) => {
      const simulation = found();
      const { fault, problems } = parseFault(JSON.stringify(request.body), station.vehicle);
      const [problem] = problems;
      if (!fault) throw new EvenburnError('SIMULATOR_FAULT_WRONG', { why: problem?.say ?? 'not a fault', fix: problem?.fix ?? '' });
      const { fromUs: _from, toUs: _to, ...now } = fault;
      simulation.inject(now);
      return view();
    },
  );
  app.delete(
    '/api/simulator/faults/:number',
    { schema: { summary: 'Mend a fault', params: z.object({ number: z.coerce.number().int().min(0) }), response: { 200: simulatorView } } },
    async (request) => {
      const simulation = found();
      const fault = simulation.currentFaults[request.params.number];
      if (fault) simulation.mend((other) => other === fault);
      return view();
    },
  );
}

function toView(simulation: Simulation | undefined, vehicle: Vehicle): SimulatorView {
  if (!simulation) return { running: false, scenario: '', kinds: [], inForce: [], choices: {} };
  return {
    running: true,
    scenario: simulation.scenario.name,
    kinds: (Object.keys(faultKinds) as (keyof typeof faultKinds)[]).map(toKindView),
    inForce: simulation.currentFaults.map((fault, number) => ({ number, kind: fault.kind, on: toTargetText(fault, vehicle) })),
    choices: toChoices(vehicle),
  };
}

function toKindView(kind: keyof typeof faultKinds): FaultKindView {
  const { say, needs, may = [], amount } = getFaultKind(kind);
  return { kind, say, needs: [...needs], may: [...may], ...(amount ? { amount } : {}) };
}

function toTargetText(fault: Fault, vehicle: Vehicle): string {
  const { cylinder, cylinders, set, channel, device, frame, bus, stretch, group, load, id } = fault;
  const parts = [
    cylinder === undefined ? undefined : `cylinder ${cylinder}`,
    cylinders && `cylinders ${cylinders.join(' and ')}`,
    set,
    channel,
    device,
    frame,
    stretch?.join(' - '),
    group,
    load,
    id === undefined ? undefined : `id 0x${id.toString(16).toUpperCase()}`,
    bus === undefined ? undefined : `bus ${vehicle.buses[bus]?.name}`,
  ];
  return parts.filter((part) => part !== undefined).join(', ');
}

function toChoices(vehicle: Vehicle): Record<string, string[]> {
  const frames = vehicle.buses.flatMap((bus) => bus.frames);
  const stretches = vehicle.buses.flatMap((bus) => (bus.trunk ?? []).slice(1).map((item, i) => `${bus.trunk?.[i]?.name} - ${item.name}`));
  return {
    cylinder: Array.from({ length: vehicle.engine?.cylinders ?? 0 }, (_, i) => String(i + 1)),
    set: vehicle.injectorSets.map((set) => set.name),
    channel: frames.flatMap((frame) => frame.signals.map((signal) => signal.name)),
    device: vehicle.buses.flatMap((bus) => bus.devices.map((device) => device.name)),
    frame: frames.map((frame) => frame.name),
    bus: vehicle.buses.map((bus) => bus.name),
    stretch: stretches,
    group: [...vehicle.supplies.keys(), ...vehicle.grounds.keys()],
    load: [...loads],
  };
}
