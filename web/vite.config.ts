// Builds the pages into dist/web: hashed names, relative addresses, nothing inlined (the content policy allows no inline code).
import { fileURLToPath } from 'node:url';
import { defineConfig } from 'vite';

export default defineConfig({
  root: fileURLToPath(new URL('.', import.meta.url)),
  base: './',
  build: {
    outDir: fileURLToPath(new URL('../dist/web', import.meta.url)),
    emptyOutDir: true,
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    target: 'es2022',
  },
  server: { proxy: { '/api': 'http://127.0.0.1:8414', '/socket.io': { target: 'http://127.0.0.1:8414', ws: true } } },
});
