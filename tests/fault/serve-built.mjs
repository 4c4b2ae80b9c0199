// `evenburn serve` of what is built, without looking whether the sources have changed: a kill must not end a build.
import { main } from '../../dist/program/main.js';

await main(['serve', ...process.argv.slice(2)]);
