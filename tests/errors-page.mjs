// Writes docs/errors.md's table of operating errors from server/errors.ts (`npm run docs:errors`), below what is written by hand.
import { readFileSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { errorTable } from '../dist/server/errors.js';

const page = fileURLToPath(new URL('../docs/errors.md', import.meta.url));
const mark = '<!-- table: npm run docs:errors -->';
const [head] = readFileSync(page, 'utf8').split(mark);
const rows = Object.entries(errorTable).map(([code, kind]) => `| \`${code}\` | ${kind.message} | ${kind.cure} | ${kind.exit} |`);
writeFileSync(page, `${head}${mark}\n\n| code | says | what to do | exit |\n| --- | --- | --- | --- |\n${rows.join('\n')}\n`);
