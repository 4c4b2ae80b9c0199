// The harness in the form that pages get: each pin with what hangs on it, each circuit judged, each run with its last reading. Pure.
import type { HarnessView, SignOff } from '../contract/harness.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { judgeCircuit, judgeContinuity, judgeFuses } from './circuit-load.ts';
import {
  type Connector,
  findContradictions,
  type Harness,
  type Run,
  reachedFrom,
  readHarness,
  runsOf,
  unplugLists,
  type Wire,
  wiresAt,
} from './harness.ts';

/**
 * Null when the vehicle has no harness file.
 * @param signOffs In the order in which they were given; the last of a run counts.
 */
export function toHarnessView(vehicle: Vehicle, signOffs: readonly SignOff[]): HarnessView | null {
  const harness = readHarness(vehicle);
  if (!harness) return null;
  const last = new Map(signOffs.map((one) => [one.run, one]));
  return {
    name: harness.name,
    connectors: harness.connectors.map((connector) => toConnectorView(harness, connector)),
    circuits: harness.circuits.map(({ anyPinOf, ...circuit }) => {
      const { circuit: _, ...load } = judgeCircuit(harness, circuit.name, vehicle.electrical.nominalV);
      const group = anyPinOf === undefined ? undefined : harness.pinGroups.get(anyPinOf);
      return { ...circuit, ...load, ...(group ? { anyPinOf: group } : {}) };
    }),
    runs: runsOf(harness).map((run) => toRunView(run, last.get(run.name))),
    fuses: judgeFuses(harness),
    unplug: unplugLists(harness).map(({ frees, connectors }) => ({ frees, connectors: connectors.map(({ name }) => name) })),
    contradictions: findContradictions(harness),
  };
}

function toConnectorView(harness: Harness, connector: Connector): HarnessView['connectors'][number] {
  return {
    ...connector,
    pins: connector.pins.map((pin) => {
      const end = `${connector.name}.${pin}`;
      const wires = wiresAt(harness, end);
      const circuits = [...new Set(wires.flatMap(({ circuit }) => circuit ?? []))];
      return { pin, end, circuits, wires: wires.map(toWireView), reaches: reachedFrom(harness, end).slice(1) };
    }),
  };
}

function toWireView({ areaMm2: _, ...wire }: Wire): HarnessView['connectors'][number]['pins'][number]['wires'][number] {
  return wire;
}

function toRunView(run: Run, signed: SignOff | undefined): HarnessView['runs'][number] {
  const { name, circuit, ends, wires, wiring } = run;
  const { expectedOhm, limitOhm } = judgeContinuity(wires, 0);
  const about = { ...(circuit === undefined ? {} : { circuit }), ...(expectedOhm === undefined ? {} : { expectedOhm }) };
  if (!signed) return { name, ends, ...about, limitOhm, outdated: false };
  const { wiring: then, ...shown } = signed;
  return { name, ends, ...about, limitOhm, signed: shown, outdated: then !== wiring };
}

/** A reading of a run, judged and ready to be kept; undefined when there is no such run. */
export function toSignOff(vehicle: Vehicle, run: string, ohm: number, by: string, wallMs: number): SignOff | undefined {
  const harness = readHarness(vehicle);
  const found = harness && runsOf(harness).find(({ name }) => name === run);
  if (!found) return undefined;
  const { ok, say, limitOhm } = judgeContinuity(found.wires, ohm);
  return { run, ohm: Number.isFinite(ohm) ? ohm : null, ok, say, limitOhm, by, wallMs, wiring: found.wiring };
}
