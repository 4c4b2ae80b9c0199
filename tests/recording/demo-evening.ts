// The demo scenario as a station takes it, sped up: both buses, faults of engine, wiring and buses, late frames, a silence, acknowledgements,
// a source that goes down, and other definitions in the middle; batches cut at random.
import { readFileSync } from 'node:fs';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { getVehicle, parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import type { PipelineInput } from '../../server/pipeline-input.ts';
import { Simulation } from '../../server/simulator/simulator.ts';
import { randomFrom } from '../doubles/can-trace.ts';
import { readScenario } from '../doubles/simulated-run.ts';

const folder = 'bus-definitions/garganey';

const moreFaults = `
  - { fault: open_probe, cylinder: 3, from: 60 s, to: 75 s }
  - { fault: low_oil_pressure, share: 20 %, from: 78 s, to: 82 s }
  - { fault: device_restarting, device: pressure-node, every: 5 s, from: 84 s, to: 100 s }
  - { fault: device_silent, device: jet-pump, from: 90 s, to: 96 s }
  - { fault: bus_noise, bus: engine, from: 104 s, to: 108 s }
  - { fault: frame_shortened, frame: exhaust_5_to_6, from: 110 s, to: 113 s }
  - { fault: pump_fading, set: port, from: 118 s, to: 124 s }
`;

export interface Evening {
  /** In force at the start, and from the middle on. */
  vehicle: Vehicle;
  changed: Vehicle;
  inputs: PipelineInput[];
}

/** A silence of both buses, and where the definitions change. */
const silenceUs = [64_000_000, 66_500_000] as const;
const reloadUs = 87_654_321;

export async function demoEvening(seed: number): Promise<Evening> {
  const vehicle = await getVehicle(folder);
  const changed = changedDefinitions(vehicle);
  const frames = demoFrames(vehicle);
  return { vehicle, changed, inputs: cutAtRandom(frames, changed, seed) };
}

function demoFrames(vehicle: Vehicle): FrameBatch {
  const text = readFileSync(`${folder}/scenarios/demo.yaml`, 'utf8').replace('repeat: forever', 'repeat: 1');
  const simulation = new Simulation(vehicle, readScenario(`${text.trimEnd()}${moreFaults}`, vehicle));
  const batch = new FrameBatch(1 << 16);
  simulation.advance(simulation.lengthUs, batch);
  return batch;
}

/** As an evening's corrections are: a probe's offset and range, a formula, an alarm's limit, and an alarm more. */
function changedDefinitions({ files }: Vehicle): Vehicle {
  const corrections: [string, string][] = [
    ['factor: 0.1, offset: -60, unit: degC, min: -50, max: 1250', 'factor: 0.1, offset: -58, unit: degC, min: -50, max: 400'],
    ['rate(coolant_temp, 5)', 'rate(coolant_temp, 3)'],
    ['"coolant_temp > 95"', '"coolant_temp > 70"'],
    ['\nalarms:\n', '\nalarms:\n  - { name: spread wide, when: "exhaust_spread > 40", for: 200 ms, severity: advisory, advice: Look }\n'],
  ];
  const texts = files.map(({ path, text }) => ({ path, text: corrections.reduce((now, [from, to]) => now.replace(from, to), text) }));
  const { vehicle, problems } = parseVehicle(texts);
  if (!vehicle) throw new Error(problems.map(({ file, line, say }) => `${file}:${line} ${say}`).join('\n'));
  return vehicle;
}

function cutAtRandom(frames: FrameBatch, changed: Vehicle, seed: number): PipelineInput[] {
  const random = randomFrom(seed);
  const inputs: PipelineInput[] = [
    { kind: 'clock', timeUs: 0, wallMs: 1_764_000_000_000 },
    ...[0, 1].map((bus): PipelineInput => ({ kind: 'source', timeUs: 0, bus, state: 'up', detail: '' })),
  ];
  let batch = new FrameBatch();
  let late = new FrameBatch();
  let reloaded = false;
  for (let i = 0; i < frames.count; i++) {
    const timeUs = frames.timeUs[i] as number;
    if (timeUs > silenceUs[0] && timeUs < silenceUs[1]) continue;
    // A frame of the hull bus now and then comes behind its time.
    if (frames.bus[i] === 1 && late.count === 0 && random() < 0.002) {
      late.pushFrom(frames, i);
      continue;
    }
    batch.pushFrom(frames, i);
    if (random() > 0.1) continue;
    inputs.push({ kind: 'frames', batch });
    batch = new FrameBatch();
    if (random() < 0.5) inputs.push({ kind: 'mark', timeUs });
    if (random() < 0.002) inputs.push({ kind: 'acknowledge', timeUs, alarm: 'oil pressure low', by: 'crew' });
    if (late.count > 0 && timeUs - (late.timeUs[0] as number) > 30_000) {
      inputs.push({ kind: 'loss', timeUs, bus: 1, place: 'late', count: 1 }, { kind: 'frames', batch: late });
      late = new FrameBatch();
    }
    if (reloaded || timeUs < reloadUs) continue;
    reloaded = true;
    inputs.push({ kind: 'source', timeUs, bus: 1, state: 'down', detail: 'can1: the interface went down' });
    inputs.push({ kind: 'definitions', timeUs, vehicle: changed });
    inputs.push({ kind: 'source', timeUs, bus: 1, state: 'up', detail: '' });
  }
  inputs.push({ kind: 'frames', batch });
  return inputs;
}
