// What has changed between two results of the same check: verdicts that turned, and numbers that moved. Pure.
import type { CheckResult, Verdict } from './verdict.ts';

/** A number that moved by less than this share is the same number. Common practice, no source. */
const sameShare = 0.1;

/** Sentences, the worst first: turned wrong, turned right, then numbers that moved by a tenth or more. */
export function compareResults(now: CheckResult, before: CheckResult): string[] {
  const old = byKey(before.verdicts);
  const turnedWrong: string[] = [];
  const turnedRight: string[] = [];
  const moved: string[] = [];
  for (const [key, verdict] of byKey(now.verdicts)) {
    const was = old.get(key);
    if (!verdict.ok && (was === undefined || was.ok)) turnedWrong.push(`Wrong now, was right: ${verdict.say}`);
    else if (verdict.ok && was && !was.ok) turnedRight.push(`Right now, was wrong: ${verdict.say}`);
    else if (was) moved.push(...toMoved(verdict, was));
  }
  return [...turnedWrong, ...turnedRight, ...moved];
}

/** The worst verdict of each thing. */
function byKey(verdicts: readonly Verdict[]): Map<string, Verdict> {
  const found = new Map<string, Verdict>();
  for (const verdict of verdicts) {
    const { code, bus, device, frame, channel, cylinder, set, stretch } = verdict;
    const key = JSON.stringify([
      code,
      bus,
      device,
      frame,
      channel,
      cylinder,
      set,
      stretch,
      verdict.phase,
      verdict.group,
      verdict.branch,
      verdict.load,
    ]);
    const known = found.get(key);
    if (!known || known.ok) found.set(key, verdict);
  }
  return found;
}

function toMoved(now: Verdict, before: Verdict): string[] {
  const about = now.frame ?? now.channel ?? now.device ?? now.set ?? now.branch ?? now.bus ?? now.code;
  const pairs: [string, unknown, unknown][] = [[now.code.replaceAll('-', ' '), now.measured, before.measured]];
  const evidence = (verdict: Verdict) => (typeof verdict.evidence === 'object' && verdict.evidence !== null ? verdict.evidence : {});
  const old = evidence(before) as Record<string, unknown>;
  for (const [name, value] of Object.entries(evidence(now))) pairs.push([toWords(name), value, old[name]]);
  return pairs.flatMap(([what, value, was]) => {
    if (typeof value !== 'number' || typeof was !== 'number') return [];
    if (Math.abs(value - was) <= sameShare * Math.max(Math.abs(value), Math.abs(was))) return [];
    return [`${about}: ${what} has ${value > was ? 'grown' : 'fallen'} from ${shortly(was)} to ${shortly(value)}`];
  });
}

/** `longestGapMs` → `longest gap ms`. */
function toWords(name: string): string {
  return name.replace(/[A-Z]/g, (letter) => ` ${letter.toLowerCase()}`);
}

function shortly(value: number): string {
  return String(Number(value.toPrecision(4)));
}
