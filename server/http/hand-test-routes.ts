// What is found by hand: readings of a multimeter judged and kept, wiggle and unplug tests kept as runs.
import { judgeDeviceVolts, toReadings } from '../checks/hand-tests.ts';
import { judgeLineResistance, judgeLineVoltages } from '../checks/line-resistance.ts';
import type { CheckResult, Verdict } from '../checks/verdict.ts';
import { type CheckRun, checkRun, type LineReading, lineQuery, lineReadings, verdictView, watchFinish } from '../contract/checks.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import type { NewCheckRun } from '../recording/check-runs.ts';
import type { App, AppParts } from './app.ts';

const titles = { wiggle: 'Wiggle test', unplug: 'Unplug test', line: 'Readings by multimeter' } as const;

export function addHandRoutes(app: App, { station, checks }: AppParts): void {
  app.get(
    '/api/checks/line',
    { schema: { summary: 'What a reading of bus line or plug means', querystring: lineQuery, response: { 200: verdictView } } },
    async ({ query: { bus, ohm, high, low, device, battery, supply, ground } }) => {
      const on = bus === undefined ? {} : { bus };
      if (ohm !== undefined) return judgeReading(station.vehicle, { ...on, ohm });
      if (high !== undefined && low !== undefined) return judgeReading(station.vehicle, { ...on, high, low });
      if (device !== undefined && battery !== undefined && supply !== undefined && ground !== undefined) {
        return judgeReading(station.vehicle, { device, battery, supply, ground });
      }
      throw new EvenburnError('REQUEST_WRONG', { what: 'either ohm, or high and low, or device, battery, supply and ground' });
    },
  );
  if (!checks) return;
  const { live, runs } = checks;
  const kept = (by: string) => {
    return { by, session: station.status().recording.session, procedure: null, steps: {}, skipped: 0 };
  };
  app.post(
    '/api/checks/line',
    { schema: { summary: 'Readings judged and kept as a run', body: lineReadings, response: { 200: checkRun } } },
    ({ body: { readings, by } }) => {
      const { vehicle } = station;
      const times = readings.map(({ wallMs }) => wallMs);
      const [startedWallMs, seconds] = [Math.min(...times), (Math.max(...times) - Math.min(...times)) / 1000];
      const result = toReadings(
        readings.map((reading) => judgeReading(vehicle, reading)),
        seconds,
      );
      const about = { check: 'line', title: titles.line, startedWallMs, seconds, vehicle: vehicle.name, definitionHash: vehicle.hash };
      return runs.add({ ...about, ...kept(by), unseenFrames: 0, result: toView(result) });
    },
  );
  app.post(
    '/api/checks/watch/finish',
    { schema: { summary: 'Judge the wiggle or unplug test, keep it and end it', body: watchFinish, response: { 200: checkRun } } },
    ({ body: { test, by } }) => {
      const { result, ...watched } = live.finishWatch(test);
      return runs.add({ ...watched, title: titles[test], ...kept(by), result: toView(result) } satisfies NewCheckRun);
    },
  );
}

function judgeReading(vehicle: Vehicle, reading: LineReading): Verdict {
  if ('device' in reading) {
    const known = vehicle.buses.some((bus) => bus.devices.some(({ name }) => name === reading.device));
    if (!known) throw new EvenburnError('DEVICE_UNKNOWN', { device: reading.device });
    return judgeDeviceVolts(reading, vehicle.electrical.nominalV);
  }
  const bus = vehicle.buses.find((one) => one.name === reading.bus);
  if ('ohm' in reading) return judgeLineResistance(reading.ohm === 'open' ? Number.POSITIVE_INFINITY : reading.ohm, bus);
  return judgeLineVoltages(reading, bus);
}

function toView(result: CheckResult): CheckRun['result'] {
  return result as CheckRun['result'];
}
