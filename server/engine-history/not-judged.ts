// What the vehicle file does not let the engine's history tell, with the line that would let it. Pure.
import type { Vehicle } from '../definitions/vehicle.ts';
import { readHeatCycleLimits } from './heat-cycles.ts';

export type HistoryTopic = 'starts' | 'warm-up' | 'heat-cycles' | 'probes' | 'leak-down';

export interface NotJudged {
  topic: HistoryTopic;
  what: string;
  line: string;
}

export function listNotJudged(vehicle: Vehicle): NotJudged[] {
  const { engine, injectorSets } = vehicle;
  const roles = engine?.roles;
  const found: NotJudged[] = [];
  const missing = (topics: HistoryTopic[], what: string, line: string) => found.push(...topics.map((topic) => ({ topic, what, line })));
  if (!roles?.speed) missing(['starts', 'warm-up', 'heat-cycles'], 'when the engine turns', 'engine: { speed: <channel of engine speed> }');
  if (!roles?.coolantTemp && !roles?.oilTemp)
    missing(['starts', 'warm-up', 'heat-cycles'], 'how warm the engine is', 'engine: { coolant_temp: <channel> }');
  if (!roles?.oilPressure) missing(['starts'], 'the time to oil pressure', 'engine: { oil_pressure: <channel> }');
  if (!roles?.battery) missing(['starts'], 'the battery while cranking', 'engine: { battery: <channel> }');
  if ((engine?.exhaustTemps.length ?? 0) === 0)
    missing(
      ['starts', 'probes'],
      'anything of single cylinders',
      'engine: { exhaust_temps: { 1: { channel: ..., place: port, probe: T-01 } } }',
    );
  if (!roles?.cut) missing(['probes'], 'how slowly probes follow', 'engine: { cut: <channel that says when fuel is cut> }');
  for (const { name, rail, discharge, targetKpa } of injectorSets)
    if (rail === undefined || targetKpa === undefined)
      missing(
        ['leak-down'],
        `leak-down of ${name}`,
        `injector_sets: { ${name}: { rail: <channel>, discharge: ${discharge ?? '<channel>'}, target: 300 kPa } }`,
      );
  if (injectorSets.length === 0)
    missing(['leak-down'], 'leak-down', 'injector_sets: { port: { rail: <channel>, discharge: <channel>, target: 300 kPa } }');
  for (const { what, line } of readHeatCycleLimits(vehicle).notJudged) missing(['heat-cycles'], what, line);
  return found;
}
