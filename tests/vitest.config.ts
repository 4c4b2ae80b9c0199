import { defineConfig } from 'vitest/config';

// Tests import the TypeScript sources; workers and reader processes run what is built (tests/build-first.ts builds it).
export default defineConfig({
  root: new URL('..', import.meta.url).pathname,
  test: {
    include: ['tests/**/*.test.ts'],
    globalSetup: ['tests/build-first.ts'],
    reporters: ['default', './tests/skips-reporter.ts'],
    // Bounds for what never comes to be, on a machine with half our speed that is busy; no test waits for a fixed time.
    testTimeout: 120_000,
    hookTimeout: 240_000,
    expect: { poll: { timeout: 60_000, interval: 20 } },
    pool: 'forks',
  },
});
