// Whether coolant and oil stay below what an engine without load reaches. Pure.
import { amount, said } from './said.ts';
import { round, type StartCheck } from './start-check.ts';
import { heldFor, valuesWithin, watch } from './watch.ts';

/** Nothing is said of a temperature that the vehicle has no channel of: a first start runs without. */
export function judgeHeat(check: StartCheck, runsUs: number, endUs: number): void {
  const { limits, vehicle } = check;
  const { coolantTemp, oilTemp } = vehicle.engine?.roles ?? {};
  judgeTemperature(check, 'coolant-hot', coolantTemp, limits.coolantMostC, { runsUs, endUs });
  judgeTemperature(check, 'oil-hot', oilTemp, limits.oilMostC, { runsUs, endUs });
}

function judgeTemperature(
  check: StartCheck,
  code: 'coolant-hot' | 'oil-hot',
  channel: string | undefined,
  limitC: number,
  { runsUs, endUs }: { runsUs: number; endUs: number },
): void {
  const temp = watch(check.series, channel, 'degC', 'bad');
  const values = temp && valuesWithin(temp, runsUs, endUs);
  if (!temp || !values || values.length === 0) return;
  const hot = heldFor(temp, runsUs, endUs, check.limits.hotForS * 1e6, (degC) => degC > limitC);
  const highest = hot?.value ?? values.reduce((high, value) => Math.max(high, value), Number.NEGATIVE_INFINITY);
  check.add({
    code,
    ok: hot === undefined,
    channel: temp.channel,
    ...(hot ? { at: check.at(hot.fromUs) } : {}),
    measured: round(highest),
    limit: limitC,
    unit: 'degC',
    ...said`${temp.channel} ${hot ? 'passes' : 'stays below'} ${amount(limitC, 'degC')} while the engine runs without load`,
    ...(hot
      ? {
          stop: true,
          next:
            code === 'coolant-hot'
              ? 'Shut down now. Let it cool with the cap closed; then level, air in the system, pump, fan, thermostat.'
              : 'Shut down now. Then oil level, cooler and its lines, and whether the sensor reads right when cold.',
        }
      : {}),
  });
}
