// How the evening's first pull began, kept over a new start of the program: the next pulls are held to it.
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { z } from 'zod';
import { replaceFile } from '../definitions/replace-file.ts';
import type { StartState } from '../dyno/start-state.ts';

/** An evening at the dyno ends; the next one has a first pull of its own. */
const eveningMs = 12 * 3600 * 1000;

const temperature = z.number().nullable();
const kept = z.object({
  vehicle: z.string(),
  wallMs: z.number(),
  /** False: a hold stands in until the first pull. */
  isPull: z.boolean(),
  start: z.object({ oil: temperature, coolant: temperature, intake: temperature, fuel: temperature, exhaust: temperature }),
});

export class FirstPull {
  private readonly path: string;
  private readonly wallMs: () => number;

  /** @param data The data folder: a file of its own there. @param wallMs Time of day, milliseconds. */
  constructor(data: string, wallMs: () => number) {
    this.path = join(data, 'first-pull.json');
    this.wallMs = wallMs;
  }

  /** Of this vehicle and this evening; undefined when there is none, or none that can be read. */
  read(vehicle: string): { start: StartState; isPull: boolean } | undefined {
    try {
      const found = kept.parse(JSON.parse(readFileSync(this.path, 'utf8')));
      const ageMs = this.wallMs() - found.wallMs;
      return found.vehicle === vehicle && ageMs >= 0 && ageMs < eveningMs ? { start: found.start, isPull: found.isPull } : undefined;
    } catch {
      return undefined;
    }
  }

  /** Never throws: without it the next start of the program only has to wait for a first pull again. */
  write(vehicle: string, start: StartState, isPull: boolean): void {
    try {
      replaceFile(this.path, JSON.stringify({ vehicle, wallMs: this.wallMs(), isPull, start }));
    } catch (error) {
      process.stderr.write(`evenburn: how the first pull began could not be kept in ${this.path}: ${(error as Error).message}\n`);
    }
  }
}
