// Whatever stands in the files, reading them never throws, and every fault has a place that is in its file.
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { expect, it } from 'vitest';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { DefinitionFile } from '../../server/definitions/vehicle.ts';

const dir = join(import.meta.dirname, '../../bus-definitions/garganey');
const paths = ['vehicle.yaml', 'harness.yaml', ...readdirSync(join(dir, 'devices')).map((name) => `devices/${name}`)];
const files: DefinitionFile[] = paths.map((path) => ({ path, text: readFileSync(join(dir, path), 'utf8') }));
const words = [...new Set(files.flatMap(({ text }) => text.split(/[\s,:{}[\]]+/)))];

/** One slip of a person's: a stretch cut out, put in twice, or replaced by a word, a sign or a number from somewhere else. */
const slip = fc.record({
  file: fc.nat(files.length - 1),
  at: fc.double({ min: 0, max: 1, noNaN: true }),
  length: fc.nat(30),
  by: fc.oneof(
    fc.constantFrom(
      '',
      '',
      ' ',
      '\n',
      '\t',
      '{',
      '}',
      '[',
      ']',
      ',',
      ':',
      '#',
      '"',
      '&a',
      '*a',
      '!!binary',
      '- ',
      '---\n',
      '..',
      '-1',
      '1e400',
      '.nan',
      '0xFFFFFFFFFFFFFFFFFF',
      '~',
      '\u0000',
      '💥',
    ),
    fc.constantFrom(...words),
  ),
});

it('survives any slip in any file, and knows where', () => {
  fc.assert(
    fc.property(fc.array(slip, { minLength: 1, maxLength: 4 }), (slips) => {
      const mangled = files.map(({ path, text }, i) => {
        let result = text;
        for (const { file, at, length, by } of slips) {
          const from = Math.floor(at * result.length);
          if (file === i) result = result.slice(0, from) + by + result.slice(from + length);
        }
        return { path, text: result };
      });
      const { vehicle, problems } = parseVehicle(mangled);
      expect(vehicle === undefined).toBe(problems.some(({ severity }) => severity === 'error'));
      for (const { file, line, column, found, say, fix } of problems) {
        const lines = (mangled.find(({ path }) => path === file)?.text ?? '').split('\n');
        expect((lines[line - 1] ?? '').slice(column - 1).startsWith(found)).toBe(true);
        expect(say).not.toMatch(/undefined|\[object|\n/);
        expect(fix).toMatch(/^\S.*[.?!]$/s);
      }
    }),
    { numRuns: 100 },
  );
});
