// How much faster than real time the simulator makes frames: the demo vehicle and scenario, one thread, frames made and thrown away.
import { FrameBatch } from '../../dist/server/bus/frame-batch.js';
import { getVehicle } from '../../dist/server/definitions/load-vehicle.js';
import { getScenario } from '../../dist/server/simulator/scenario-library.js';
import { Simulation } from '../../dist/server/simulator/simulator.js';

const rounds = 5;
const seconds = 1000;
const vehicle = await getVehicle(new URL('../../bus-definitions/garganey', import.meta.url).pathname);
const scenario = await getScenario('demo', vehicle);
const batch = new FrameBatch(4096);
const ratios = [];
let frames = 0;
for (let round = 0; round < rounds; round++) {
  const simulation = new Simulation(vehicle, scenario);
  const began = performance.now();
  frames = 0;
  for (let s = 1; s <= seconds; s++) {
    batch.clear();
    simulation.advance(s * 1e6, batch);
    frames += batch.count;
  }
  ratios.push((seconds * 1000) / (performance.now() - began));
}
ratios.sort((a, b) => a - b);
const shown = ratios.map((ratio) => Math.round(ratio));
console.log(
  `simulator: ${frames} frames of ${seconds} s, ${shown[rounds >> 1]} x real time (median of ${rounds}: ${shown.join(', ')}), goal 500 x`,
);
