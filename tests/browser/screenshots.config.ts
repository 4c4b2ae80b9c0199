import { defineConfig } from 'vitest/config';

// `npm run screenshots [-- -t NAME]`: runs screenshots.ts, which is no test, with what tests are run with.
export default defineConfig({
  root: new URL('../..', import.meta.url).pathname,
  test: {
    include: ['tests/browser/screenshots.ts'],
    globalSetup: ['tests/build-first.ts'],
    testTimeout: 300_000,
    hookTimeout: 120_000,
    pool: 'forks',
  },
});
