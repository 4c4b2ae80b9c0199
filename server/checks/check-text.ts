// A check's answer as text for a terminal: each verdict with its number, the limits that decided, and where those come from. Pure.
import { commonPractice } from '../dyno/figure.ts';
import type { LimitInForce } from './check-limits.ts';
import type { CheckResult, Verdict } from './verdict.ts';
import { measureOf } from './verdict-figure.ts';

/** Failed verdicts first, each with what to do next; then what is right, what is not judged, and the limits of all of them. */
export function toCheckText(result: CheckResult): string {
  const lines = [`${result.check} check: ${result.frames} frames in ${result.seconds.toFixed(1)} s`];
  const failed = result.verdicts.filter(({ ok }) => !ok);
  for (const verdict of failed) {
    const at = verdict.at === undefined ? '' : ` at ${verdict.at.toFixed(3)} s`;
    lines.push(`  NOT RIGHT  ${verdict.code}${at}: ${verdict.say}`);
    const measured = toMeasured(result, verdict);
    if (measured !== '') lines.push(`             ${measured}`);
    if (verdict.next) lines.push(`             next: ${verdict.next}`);
  }
  for (const verdict of result.verdicts) {
    if (!verdict.ok) continue;
    const measured = toMeasured(result, verdict);
    lines.push(`  right      ${verdict.say}${measured === '' ? '' : ` (${measured})`}`);
  }
  for (const { what, line } of result.notJudged ?? []) lines.push(`  not judged ${what}. It would be with: ${line}`);
  lines.push(...toLimits(result));
  lines.push(
    failed.length === 0 ? 'Nothing found that is wrong.' : `${failed.length} verdict${failed.length === 1 ? ' fails' : 's fail'}.`,
  );
  return `${lines.join('\n')}\n`;
}

/** `measured 240 kPa, limit 270 kPa, by prime_band, prime_band_least`; '' where there is no number. */
function toMeasured({ check, limits = [] }: CheckResult, verdict: Verdict): string {
  const { code, measured, limit } = verdict;
  if (measured === undefined || measured === null) return '';
  const measure = measureOf(check, code);
  const unit = verdict.unit ?? measure.unit;
  const withUnit = (value: number | string) => `${value}${unit === '' ? '' : ` ${unit.replace(/^deg([CF])$/, '°$1')}`}`;
  const keys = decidingLimits(limits, check, code).map(({ limit: key }) => key);
  return [
    `measured ${withUnit(measured)}`,
    ...(limit === undefined || limit === null ? [] : [`limit ${withUnit(limit)}`]),
    keys.length > 0 ? `by ${keys.join(', ')}` : `(${commonPractice})`,
  ]
    .join(', ')
    .replace(', (', ' (');
}

function decidingLimits(limits: readonly LimitInForce[], check: string, code: string): LimitInForce[] {
  return limits.filter(({ limit }) => measureOf(check, code).limits.includes(limit));
}

/** Every limit that decided a verdict, with what it says and its source. */
function toLimits({ check, verdicts, limits = [] }: CheckResult): string[] {
  const decided = limits.filter((limit) => verdicts.some(({ code }) => decidingLimits(limits, check, code).includes(limit)));
  const [first] = decided;
  if (!first) return [];
  const written = ({ limit, value, unit }: LimitInForce) => `${limit}: ${value}${unit === '' ? '' : ` ${unit}`}`;
  return [
    `Limits that decided, yours to change in vehicle.yaml, like checks: { ${check}: { ${written(first)} } }`,
    ...decided.map((one) => `  ${written(one)}   ${one.what} (${one.source})`),
  ];
}
