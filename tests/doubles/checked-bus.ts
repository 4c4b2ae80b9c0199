// A server's checks without a server: the simulator's frames on a clock that the test turns, the real worker, routes and files.
import { cpSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { VehicleEditor } from '../../server/editing/vehicle-editor.ts';
import { type App, type AskedStation, buildApp } from '../../server/http/app.ts';
import { type CheckDesk, openCheckDesk } from '../../server/live/check-desk.ts';
import { CheckRuns } from '../../server/recording/check-runs.ts';
import { LogBook } from '../../server/recording/log-book.ts';
import { Simulation } from '../../server/simulator/simulator.ts';
import { readScenario } from './simulated-run.ts';

export const startedWallMs = 1_700_000_000_000;

export class CheckedBus {
  readonly data = mkdtempSync(join(tmpdir(), 'evenburn-guided-'));
  readonly vehicleDir = join(this.data, 'vehicle');
  vehicle!: Vehicle;
  app!: App;
  private desk!: CheckDesk;
  private editor!: VehicleEditor;
  private simulation!: Simulation;
  private nowUs = 0;

  /** @param scenario Text of a scenario file. */
  static async open(scenario: string, folder = 'bus-definitions/garganey'): Promise<CheckedBus> {
    const bus = new CheckedBus();
    cpSync(folder, bus.vehicleDir, { recursive: true });
    bus.vehicle = await getVehicle(bus.vehicleDir);
    bus.simulation = new Simulation(bus.vehicle, readScenario(scenario, bus.vehicle));
    bus.editor = new VehicleEditor(bus.vehicleDir);
    await bus.serve();
    return bus;
  }

  /** The desk and the routes, as a server that starts: what ran before goes on. */
  async serve(): Promise<void> {
    const station = {
      vehicle: this.vehicle,
      simulation: this.simulation,
      status: () => ({ recording: { session: 3 } }),
      timeUs: () => this.nowUs,
      wallMs: () => startedWallMs + this.nowUs / 1000,
    } as unknown as AskedStation & { timeUs(): number };
    const logBook = new LogBook(this.data);
    this.desk = await openCheckDesk({ station, runs: new CheckRuns(this.data), logBook, data: this.data, startedWallMs });
    this.app = await buildApp({ station, version: 'test', checks: this.desk, logBook, editor: this.editor });
  }

  /** Ends the desk without a word, as a kill does. */
  async kill(): Promise<void> {
    await this.app.close();
    await this.desk.live.close();
  }

  async close(): Promise<void> {
    await this.kill();
    await this.editor.close();
    rmSync(this.data, { recursive: true, force: true });
  }

  /** What the file says after it was written. */
  async reload(): Promise<void> {
    this.vehicle = await getVehicle(this.vehicleDir);
  }

  /** Lets the buses run, in batches of 5 ms with marks between. */
  run(seconds: number): void {
    for (const endUs = this.nowUs + seconds * 1e6; this.nowUs < endUs; ) {
      this.nowUs += 5_000;
      const batch = new FrameBatch();
      this.simulation.advance(this.nowUs, batch);
      if (batch.count > 0) this.desk.live.take({ kind: 'frames', batch });
      this.desk.live.take({ kind: 'mark', timeUs: this.nowUs });
    }
  }

  async ask<T>(method: 'GET' | 'POST' | 'DELETE', url: string, payload?: object): Promise<{ status: number; body: T }> {
    const answer = await this.app.inject({ method, url, headers: { host: 'localhost:8414' }, ...(payload ? { payload } : {}) });
    return { status: answer.statusCode, body: answer.json() as T };
  }
}
