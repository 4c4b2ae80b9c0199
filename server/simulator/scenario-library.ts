// Finds a scenario by file path or by the name of one that comes with the program, and reads it for a vehicle.
import { existsSync } from 'node:fs';
import { readFile } from 'node:fs/promises';
import { join } from 'node:path';
import { toProblemLine } from '../definitions/problem.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { projectRoot } from '../project-root.ts';
import type { Scenario } from './scenario.ts';
import { parseScenario } from './scenario-file.ts';

/** The scenario of `npm start`. */
export const demoScenario = 'demo';

/**
 * Reads a scenario.
 * @param nameOrPath A file, or the name of one in the demo vehicle's `scenarios` folder.
 * @throws EvenburnError SCENARIO_MISSING, SCENARIO_INVALID with each problem on a line of its own
 */
export async function getScenario(nameOrPath: string, vehicle: Vehicle): Promise<Scenario> {
  const path = existsSync(nameOrPath) ? nameOrPath : join(projectRoot, 'bus-definitions', 'garganey', 'scenarios', `${nameOrPath}.yaml`);
  const text = await readFile(path, 'utf8').catch((error: unknown) => {
    throw new EvenburnError('SCENARIO_MISSING', { scenario: nameOrPath }, error);
  });
  const { scenario, problems } = parseScenario(text, nameOrPath, vehicle);
  if (problems.length > 0)
    throw new EvenburnError('SCENARIO_INVALID', {
      path: nameOrPath,
      problems: problems.map((problem) => toProblemLine(problem)).join('\n'),
    });
  return scenario;
}
