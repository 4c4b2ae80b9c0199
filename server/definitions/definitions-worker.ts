// Worker that reads vehicle folders, so that parsing never holds up the live path.
import { parentPort } from 'node:worker_threads';
import { type LoadedVehicle, loadVehicle } from './load-vehicle.ts';

export interface DefinitionsRequest {
  number: number;
  dir: string;
}

export interface DefinitionsAnswer {
  number: number;
  /** Undefined when the folder could not be read for a reason outside its files. */
  loaded?: LoadedVehicle;
  failed?: string;
}

parentPort?.on('message', ({ number, dir }: DefinitionsRequest) => {
  loadVehicle(dir).then(
    (loaded) => parentPort?.postMessage({ number, loaded } satisfies DefinitionsAnswer),
    (error: unknown) => parentPort?.postMessage({ number, failed: String(error) } satisfies DefinitionsAnswer),
  );
});
