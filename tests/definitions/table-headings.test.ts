import { readFileSync } from 'node:fs';
import { expect, it } from 'vitest';
import { otherLanguages, tableFields } from '../../server/definitions/table-headings.ts';

it('docs/table-import.md lists the headings by which each column is known', () => {
  const page = readFileSync('docs/table-import.md', 'utf8');
  for (const [field, headings] of Object.entries(tableFields)) {
    const row = page.split('\n').find((line) => line.startsWith(`| \`${field}\` |`)) ?? '';
    const said = (row.split('|')[2] ?? '').replace(/\(.*\)|:.*/g, '').split(',');
    expect([field, said.map((heading) => heading.trim())]).toEqual([field, [...headings]]);
  }
});

it('docs/table-import.md names the other languages; their headings are as plainLetters leaves them', () => {
  const page = readFileSync('docs/table-import.md', 'utf8');
  for (const [language, fields] of Object.entries(otherLanguages)) {
    expect(page).toContain(language);
    for (const heading of Object.values(fields).flat()) expect(heading).toMatch(/^[a-z0-9 ]+$/);
  }
});
