// A dyno evening in a data folder: three holds and two pulls, the batch set regrouped and the same again, and back.
import { getVehicle, parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { runScenario } from '../doubles/simulated-run.ts';

export const plans = { before: 'as-built', after: 'alternate' } as const;

/** Group A runs 40 K hotter than B: an evening whose groups are the cause. */
const scenario = (seed: number, plan: string) => `scenario: evening
seed: ${seed}
start: hot
plan: { plenum: ${plan} }
distribution: { group: { A: 20 K, B: -20 K } }
stages:
  - { stage: key_on, for: 2 s }
  - { stage: start, for: 5 s }
  - { stage: repeat, times: 3, stages: [ { stage: hold, for: 9 s, speed: 4000 rpm, load: 60 % }, { stage: cool_down, for: 5 s, speed: 1800 rpm } ] }
  - { stage: repeat, times: 2, stages: [ { stage: pull, from: 3000 rpm, to: 6600 rpm, rate: 450 rpm/s }, { stage: cool_down, for: 8 s, speed: 1800 rpm } ] }
`;

/** Sessions 1, 2 and 3, a quarter of an hour apart. */
export async function prepareEvening(data: string): Promise<void> {
  const built = await getVehicle('bus-definitions/garganey');
  const { vehicle: other } = parseVehicle(
    built.files.map((file) =>
      file.path === 'vehicle.yaml' ? { ...file, text: file.text.replace(`plan: ${plans.before}`, `plan: ${plans.after}`) } : file,
    ),
  );
  if (!other) throw new Error('the other plan is no vehicle');
  const parts: [Vehicle, string][] = [
    [built, plans.before],
    [other, plans.after],
    [built, plans.before],
  ];
  const beganUs = 1_790_000_000_000_000;
  for (const [i, [vehicle, plan]] of parts.entries()) {
    const { batch } = runScenario(scenario(11 + i, plan), vehicle);
    for (let k = 0; k < batch.count; k++) batch.timeUs[k] = (batch.timeUs[k] as number) + beganUs + i * 900e6;
    await importFrames(data, vehicle, { frames: [batch], origin: `part-${i + 1}.log`, remarks: () => [] }, 0);
  }
}
