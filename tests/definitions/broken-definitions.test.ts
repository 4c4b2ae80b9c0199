// Deliberately broken vehicle folders, one or more for each code: what is said of each stands beside it, written by hand.
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { loadVehicle } from '../../server/definitions/load-vehicle.ts';
import { problemCodes, toProblemLine } from '../../server/definitions/problem.ts';

const root = join(import.meta.dirname, '../fixtures/broken-definitions');
const folders = readdirSync(root);
const expectedOf = (folder: string) => readFileSync(join(root, folder, 'expected.txt'), 'utf8').trim();

describe('a broken vehicle folder', () => {
  it.each(folders)('%s: every fault is named with its place, the text found there and what to do', async (folder) => {
    const { problems, vehicle } = await loadVehicle(join(root, folder));
    const said = problems.map((problem) => `${toProblemLine(problem)}\n    found: ${problem.found}`.trimEnd());
    expect(said.join('\n')).toBe(expectedOf(folder));
    expect(vehicle === undefined).toBe(problems.some((problem) => problem.severity === 'error'));
  });

  it('exists for every code', () => {
    const shown = new Set(
      folders.flatMap((folder) => [...expectedOf(folder).matchAll(/(?:error|warning) ([A-Z_]+):/g)].map((match) => match[1])),
    );
    // Shown by tests of their own: a file of 256 KiB, and what takes a recording.
    shown.add('FILE_TOO_LARGE').add('BYTE_ORDER_DOUBTFUL');
    expect([...shown].sort()).toEqual(Object.keys(problemCodes).sort());
  });
});
