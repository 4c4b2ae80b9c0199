// What tests/fixtures/sessions/version-N.sqlite.gz were recorded from, each by the program of its day: two buses, an alarm, other definitions in
// the middle. A file of today's version is made by recording `oldInputs` with `oldVehicle`.
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import type { PipelineInput } from '../../server/pipeline-input.ts';
import { canTrace } from '../doubles/can-trace.ts';
import { testVehicle } from './test-vehicle.ts';

const extra = `
derived:
  - { name: trend, formula: "smooth(wander_0, 0.5) - wander_1" }
alarms:
  - { name: quick, when: "noisy_0 > 511", severity: advisory, advice: Look }
`;

export function oldVehicle(factor = 0.1): Vehicle {
  return testVehicle({ ids: 4, buses: 2, factor, extra });
}

export function oldInputs(): PipelineInput[] {
  const trace = (seed: number, startUs: number): PipelineInput => ({
    kind: 'frames',
    batch: canTrace({ seed, seconds: 2, ids: 5, buses: 2, startUs }),
  });
  return [
    { kind: 'clock', timeUs: 0, wallMs: 1_764_000_000_000 },
    { kind: 'source', timeUs: 0, bus: 0, state: 'up', detail: '' },
    trace(1, 20_000),
    { kind: 'mark', timeUs: 6_100_000 },
    { kind: 'loss', timeUs: 6_100_000, bus: 1, place: 'before-reader', count: 17 },
    { kind: 'definitions', timeUs: 6_150_000, vehicle: oldVehicle(0.2) },
    trace(2, 6_200_000),
  ];
}
