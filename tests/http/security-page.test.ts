// docs/security.md names the test of each row: the file is there, and a title in it says what the row says it does.
import { readdirSync, readFileSync, statSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { expect, it } from 'vitest';

const root = fileURLToPath(new URL('../../', import.meta.url));
const page = readFileSync(`${root}docs/security.md`, 'utf8');
const rows = page.split('\n').filter((line) => /^\| \d/.test(line));
/** `path`: words, or `path` (words). */
const named = rows.flatMap((row) =>
  [...(row.split('|')[3] ?? '').matchAll(/`(tests\/[\w./-]+)`(?:: ([^;|]+)| \(([^)]+)\))?/g)].map(
    ([, path = '', a, b]) => [path, (a ?? b ?? '').trim()] as const,
  ),
);

function textOf(path: string): string {
  if (!statSync(root + path).isDirectory()) return readFileSync(root + path, 'utf8');
  return readdirSync(root + path)
    .filter((name) => name.endsWith('.test.ts'))
    .map((name) => readFileSync(`${root}${path}/${name}`, 'utf8'))
    .join('\n');
}

it('has a test in every row', () => {
  expect(rows.length).toBeGreaterThan(15);
  for (const row of rows) expect(row.split('|')[3]).toMatch(/`tests\//);
});

it.each(named)('%s tells of %j', (path, words) => {
  // A title stands on the line of `it` or `describe`, or on one of its own behind a table of cases.
  const titles = textOf(path)
    .split('\n')
    .filter((line) => /^\s*(\]\)\(|it|describe|['"`])/.test(line))
    .join('\n')
    .toLowerCase();
  for (const word of words.split(', ')) expect(titles).toContain(word.toLowerCase());
});
