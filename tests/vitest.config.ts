import { defineConfig } from 'vitest/config';

// Tests import the TypeScript sources; workers and reader processes run what is built (tests/build-first.ts builds it).
export default defineConfig({
  root: new URL('..', import.meta.url).pathname,
  test: {
    include: ['tests/**/*.test.ts'],
    globalSetup: ['tests/build-first.ts'],
    reporters: ['default', './tests/skips-reporter.ts'],
    testTimeout: 30_000,
    hookTimeout: 60_000,
    pool: 'forks',
  },
});
