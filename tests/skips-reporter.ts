// Prints why tests were skipped and a plain closing line; in CI a skip fails the run, recorded boat data being absent excepted.
import type { Reporter, TestModule } from 'vitest/node';
import { inCi } from '../server/settings.ts';

/** The one reason that is no failure in CI: that data may not be copied into the project. */
export const boatAbsent = 'the recorded boat data is not here';

export default class SkipsReporter implements Reporter {
  onTestRunEnd(modules: readonly TestModule[]): void {
    const counts = { passed: 0, failed: 0, skipped: 0, pending: 0 };
    const reasons = new Map<string, number>();
    for (const module of modules) {
      for (const test of module.children.allTests()) {
        const result = test.result();
        counts[result.state]++;
        if (result.state !== 'skipped') continue;
        const reason = result.note ?? 'no reason given';
        reasons.set(reason, (reasons.get(reason) ?? 0) + 1);
      }
      if (module.errors().length > 0) counts.failed++;
    }
    for (const [reason, times] of reasons) console.log(`skipped ${times}: ${reason}`);
    console.log(`${counts.passed} passed, ${counts.failed} failed, ${counts.skipped} skipped`);
    const unexcused = [...reasons.keys()].filter((reason) => reason !== boatAbsent);
    if (inCi && unexcused.length > 0) {
      console.error('In CI nothing may be skipped.');
      process.exitCode = 1;
    }
  }
}
