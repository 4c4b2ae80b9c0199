// Whether sync and bus held while the starter turned. Pure.
import { isFault } from '../bus/error-frame.ts';
import type { Bout } from './engine-run.ts';
import { followDevice } from './outage.ts';
import { round, type StartCheck } from './start-check.ts';
import { firstAtOrAfter, heldFor, type Watched, watch } from './watch.ts';

export function judgeSync(check: StartCheck, start: Bout): void {
  const { sync, syncLosses } = check.vehicle.engine?.roles ?? {};
  const state = watch(check.series, sync, '');
  const losses = watch(check.series, syncLosses, '');
  if (!state && !losses) {
    check.notJudged('sync losses', 'engine: { sync_losses: <channel> }');
    return;
  }
  const syncedUs = state ? heldFor(state, start.fromUs, start.toUs, 0, (value) => value >= 2)?.fromUs : start.fromUs;
  if (syncedUs === undefined) return;
  const toUs = start.toUs - 700_000;
  const counted = losses ? countRises(losses, syncedUs, toUs) : { count: 0, firstUs: undefined };
  const fell = state && heldFor(state, syncedUs, toUs, 0, (value) => value < 2);
  const firstUs = counted.firstUs ?? fell?.fromUs;
  const count = Math.max(counted.count, fell ? 1 : 0);
  check.add({
    code: 'sync-loss',
    ok: count === 0,
    ...(firstUs === undefined ? {} : { at: check.at(firstUs) }),
    ...(losses ? { channel: losses.channel } : state ? { channel: state.channel } : {}),
    measured: count,
    limit: 0,
    say: count === 0 ? 'sync held from first to last' : `sync was lost ${count === 1 ? 'once' : `${count} times`}`,
    ...(count === 0
      ? {}
      : { next: 'Look at the crank sensor: gap, run-out, shield, routing beside ignition leads, supply while cranking.' }),
  });
}

export function judgeBus(check: StartCheck): void {
  const windows = check.bouts.map((bout) => ({ fromUs: bout.fromUs - 300_000, toUs: bout.runsUs ?? bout.toUs }));
  const within = (fromUs: number, toUs: number) => windows.some((window) => fromUs < window.toUs && toUs > window.fromUs);
  let found = false;
  for (const bus of check.vehicle.buses) {
    for (const device of bus.devices) {
      const { outages } = followDevice(device, check.traffic);
      const drops = outages.filter(
        (outage) => outage.kind !== 'never' && outage.kind !== 'late' && outage.missed >= 2 && within(outage.fromUs, outage.toUs),
      );
      const [first] = drops;
      if (!first) continue;
      found = true;
      check.add({
        code: 'bus-dropout',
        ok: false,
        bus: bus.name,
        device: device.name,
        at: check.at(first.fromUs),
        measured: round(Math.max(...drops.map((drop) => drop.toUs - drop.fromUs)) / 1e6, 3),
        limit: 0,
        say: `${device.name} fell silent ${drops.length === 1 ? '' : `${drops.length} times `}while the starter turned`,
        next: `Measure supply and ground at ${device.name}'s plug while cranking.`,
      });
    }
    const errors = (check.traffic.buses[bus.index]?.errors ?? []).filter(
      (error) => isFault(error) && within(error.timeUs - 1, error.timeUs + 1),
    );
    const [firstError] = errors;
    if (!firstError) continue;
    found = true;
    check.add({
      code: 'bus-dropout',
      ok: false,
      bus: bus.name,
      at: check.at(firstError.timeUs),
      measured: errors.length,
      limit: 0,
      say: `${errors.length} bus errors while the starter turned`,
      next: 'Run the bus check; look at grounds and at bus wires beside the starter cable.',
    });
  }
  if (!found)
    check.add({ code: 'bus-dropout', ok: true, measured: 0, limit: 0, say: 'every device kept talking while the starter turned' });
}

function countRises(watched: Watched, fromUs: number, toUs: number): { count: number; firstUs: number | undefined } {
  const from = firstAtOrAfter(watched.timeUs, fromUs);
  let count = 0;
  let firstUs: number | undefined;
  for (let i = from + 1; i < watched.timeUs.length && (watched.timeUs[i] as number) <= toUs; i++) {
    const step = (watched.value[i] as number) - (watched.value[i - 1] as number);
    if (step <= 0) continue;
    count += step;
    firstUs ??= watched.timeUs[i] as number;
  }
  return { count, firstUs };
}
