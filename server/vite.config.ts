// The program as it runs: the compiled modules and the packages they use, bundled, so that a start opens tens of files and not a thousand.
import { join } from 'node:path';
import { defineConfig } from 'vite';
import { entries } from './entries.ts';
import { projectRoot } from './project-root.ts';

const compiled = join(projectRoot, 'dist', 'server');
const modules = ['main', ...Object.values(entries)];

export default defineConfig({
  root: compiled,
  // Packages with a native part, and those that a computer may lack, stay where npm put them.
  ssr: { noExternal: true, external: ['better-sqlite3', 'serialport', 'socketcan'] },
  build: {
    ssr: true,
    outDir: join(projectRoot, 'dist', 'program'),
    emptyOutDir: true,
    sourcemap: true,
    minify: false,
    target: 'node20',
    rolldownOptions: {
      input: Object.fromEntries(modules.map((module) => [module, join(compiled, `${module}.js`)])),
      output: { entryFileNames: '[name].js', chunkFileNames: 'parts/[name]-[hash].js' },
    },
  },
});
