// (being written)
import type { SeriesSet } from '../channels/series.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { CheckResult } from './verdict.ts';
export function checkKeyOn(series: SeriesSet, _vehicle: Vehicle, _order?: number[]): CheckResult {
  return { check: 'key-on' as CheckResult['check'], frames: series.frames, seconds: 0, verdicts: [] };
}
