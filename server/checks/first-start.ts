// The first start judged on a recording: oil, fuel, battery, sync, and whether every cylinder is lit. Pure.
import type { SeriesSet } from '../channels/series.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { judgeBus, judgeSync } from './bus-at-start.ts';
import type { TrafficLog } from './bus-traffic.ts';
import { judgeCrank } from './failed-crank.ts';
import { judgeHeat } from './heat-at-start.ts';
import { judgeLit, type UnlitCylinder } from './lit-cylinders.ts';
import { judgeOilBeforeFire, judgeOilRunning, toCrankingBouts } from './oil-at-start.ts';
import { amount, said } from './said.ts';
import { round, StartCheck } from './start-check.ts';
import { judgeCharging, judgeCrankingVoltage, judgeFuelDelta } from './supplies-at-start.ts';
import type { CheckResult, Verdict } from './verdict.ts';

/** Judges the whole recording, or what there is of a growing one; of several starts the last one decides. */
export function checkFirstStart(series: SeriesSet, vehicle: Vehicle, traffic: TrafficLog): CheckResult {
  const check = new StartCheck(series, vehicle, traffic);
  if (!vehicle.engine?.roles.speed) check.notJudged('the start', 'engine: { speed: <channel of engine speed> }');
  else if (check.bouts.length === 0) check.notJudged('the start', 'nothing: the engine did not turn in this recording');
  else judgeTurns(check);
  return check.result;
}

function judgeTurns(check: StartCheck): void {
  check.result.bouts = toCrankingBouts(check);
  judgeOilBeforeFire(check);
  judgeCrankingVoltage(check);
  judgeBus(check);
  const { start, vehicle } = check;
  if (!start) return;
  judgeCrank(check, start);
  if (start.runsUs !== undefined) {
    judgeOilRunning(check, start.runsUs, start.toUs);
    for (const set of vehicle.injectorSets) judgeFuelDelta(check, set, start.runsUs, start.toUs);
    judgeHeat(check, start.runsUs, start.toUs);
    judgeCharging(check, start.runsUs, start.toUs);
    judgeCylinders(check, start.runsUs, start.toUs);
  }
  judgeSync(check, start);
}

const litAfterUs = 3_000_000;

function judgeCylinders(check: StartCheck, runsUs: number, endUs: number): void {
  const probes = check.vehicle.engine?.exhaustTemps.length ?? 0;
  if (probes === 0) check.notJudged('whether every cylinder is lit', 'engine: { exhaust_temps: { 1: { channel: ..., place: port } } }');
  if (probes === 0) return;
  const { unlit, lit, unknown, reversed } = judgeLit(check.series, check.vehicle, check.limits, runsUs, endUs - 300_000);
  // A cold one may be named before the others have been watched long enough to be called lit.
  for (const { cylinder, channel } of endUs - runsUs < litAfterUs ? [] : lit)
    check.add({ code: 'cylinder-cold', ok: true, cylinder, channel, say: `cylinder ${cylinder} is lit` });
  for (const { cylinder, why } of unknown)
    check.notJudged(`whether cylinder ${cylinder} is lit (${why})`, `engine: { exhaust_temps: { ${cylinder}: ... } }`);
  for (const { cylinder, channel, atUs, degC } of reversed)
    check.add({
      code: 'probe-reversed',
      ok: false,
      cylinder,
      channel,
      at: check.at(atUs),
      measured: round(degC),
      unit: 'degC',
      ...said`${channel} reads ${amount(degC, 'degC', 0)} while the exhaust warms it: its probe is reversed`,
      next: 'Swap the two wires at the probe connector; go by alloy and polarity, not by colour. Until then nobody knows whether the cylinder burns.',
    });
  for (const one of unlit) check.add(toUnlit(check, one, endUs));
}

/** Unburnt fuel fills the exhaust and washes the bore; one that burns late may be watched. */
function toUnlit(check: StartCheck, { cylinder, channel, kind, atUs, behindK, confidence }: UnlitCylinder, endUs: number): Verdict {
  const common = {
    ok: false,
    cylinder,
    channel,
    at: check.at(atUs),
    confidence: round(confidence, 2),
    measured: round(-behindK),
    unit: 'K',
  };
  const behind = amount(behindK, 'K', 0);
  if (kind === 'lazy') {
    return {
      ...common,
      code: 'cylinder-lazy',
      ...said`cylinder ${cylinder} burns late or weakly: ${behind} behind the others`,
      next: `Watch it while it warms. If it stays behind: ${findIt}`,
    };
  }
  const breaksIn = check.vehicle.engine?.breakIn === 'flat-tappet';
  const stopsAfterS = breaksIn ? check.limits.coldStopBreakInS : check.limits.coldStopAfterS;
  return {
    ...common,
    code: 'cylinder-cold',
    limit: -check.limits.coldBehindK,
    ...(endUs - atUs >= stopsAfterS * 1e6 ? { stop: true } : {}),
    ...(breaksIn
      ? said`cylinder ${cylinder} is not lit: its exhaust stays ${behind} behind the others. Unburnt fuel washes its bore and fills the exhaust; a stop and another start wear the cam`
      : said`cylinder ${cylinder} is not lit: its exhaust stays ${behind} behind the others`),
    next: breaksIn
      ? `Stay at break-in speed no longer than ${stopsAfterS} s with it cold, and never let it idle. Shut down then, find why, and go straight back to break-in speed for what is left. To find it: ${findIt}`
      : `Shut down before unburnt fuel fills the exhaust. Then ${findIt}`,
  };
}

const findIt =
  'spark first, injector plug and click, compression; swap one part with a neighbour and see what the cold follows. A probe that is shorted or out of its port reads the same: the probe check tells.';
