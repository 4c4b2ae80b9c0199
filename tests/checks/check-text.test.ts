// A check as the terminal shows it: each verdict with its number and limit, and where the limit comes from.
import { describe, expect, it } from 'vitest';
import { toCheckText } from '../../server/checks/check-text.ts';

const source = 'common practice, no source';
const limits = [
  { limit: 'prime_band', value: 10, unit: '%', what: 'off its target', source },
  { limit: 'battery_lead', value: 12.4, unit: 'V', what: 'a lead battery at rest, at least', source: 'your vehicle.yaml, checks: key-on:' },
  { limit: 'probe_open', value: 700, unit: 'degC', what: 'an open probe', source },
];

describe('a check in the terminal', () => {
  const text = toCheckText({
    check: 'key-on',
    frames: 100,
    seconds: 12.34,
    limits,
    verdicts: [
      { code: 'battery', ok: true, channel: 'u', measured: 12.6, limit: 12.4, say: 'battery at rest 12.60 V' },
      { code: 'prime', ok: false, at: 3, measured: 240, limit: 270, unit: 'kPa', say: 'port settles low', next: 'Look at the pump.' },
      { code: 'device-missing', ok: true, say: 'box is present' },
    ],
    notJudged: [{ what: 'the throttle', line: 'engine: { throttle: <channel> }' }],
  });

  it('shows what is wrong first, with the number, its limit, by which of the limits, and what to do', () => {
    expect(text.split('\n').slice(0, 6)).toEqual([
      'key-on check: 100 frames in 12.3 s',
      '  NOT RIGHT  prime at 3.000 s: port settles low',
      '             measured 240 kPa, limit 270 kPa, by prime_band',
      '             next: Look at the pump.',
      '  right      battery at rest 12.60 V (measured 12.6 V, limit 12.4 V, by battery_lead)',
      '  right      box is present',
    ]);
  });

  it('names every limit that decided once, with its source, and how to change it', () => {
    expect(text).toContain('like checks: { key-on: { prime_band: 10 % } }');
    expect(text).toContain('  prime_band: 10 %   off its target (common practice, no source)');
    expect(text).toContain('  battery_lead: 12.4 V   a lead battery at rest, at least (your vehicle.yaml, checks: key-on:)');
    expect(text).not.toContain('probe_open');
  });

  it('says that a number without a limit of the file is judged by common practice', () => {
    const verdicts = [{ code: 'device-missing', ok: false, measured: 2.5, say: 'box is silent' }];
    expect(toCheckText({ check: 'bus', frames: 1, seconds: 1, verdicts })).toContain('measured 2.5 s (common practice, no source)');
  });
});
