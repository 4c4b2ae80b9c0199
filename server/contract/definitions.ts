// The vehicle's files as the editor's pages read, try and save them. The files stay the source of truth.
import { z } from 'zod';
import { definitionFileBytesMax, definitionFilesMax } from '../limits.ts';
import { problemView } from './vehicle-view.ts';

/** A file within the vehicle folder: `vehicle.yaml`, `harness.yaml`, `devices/NAME.yaml`; `../devices/NAME.yaml` is shared by several vehicles. */
const path = z.string().regex(/^(vehicle\.yaml|harness\.yaml|(\.\.\/)?devices\/[^.\\/\p{Cc}][^\\/\p{Cc}]{0,120}\.(yaml|yml|YAML|YML))$/u);
const text = z.string().max(definitionFileBytesMax);

export const definitionText = z.object({ path, text }).meta({ id: 'DefinitionText' });

export type DefinitionText = z.infer<typeof definitionText>;

/** GET /api/definitions: the files on disk, whatever is in force. */
export const definitionsView = z
  .object({
    /** Where they lie. */
    folder: z.string(),
    files: z.array(z.object({ path: z.string(), text: z.string(), hash: z.string() })),
    problems: z.array(problemView),
  })
  .meta({ id: 'Definitions' });

export type DefinitionsView = z.infer<typeof definitionsView>;

/**
 * One change by a form: `set` and `insert` need a value, or a source: YAML as it should stand in the file, so that `0x4C0` keeps its
 * spelling; `rename` needs a value, the new name of the key.
 */
export const draftEdit = z
  .object({
    kind: z.enum(['set', 'insert', 'remove', 'rename']),
    at: z.array(z.union([z.string().max(200), z.number().int().min(0)])).max(20),
    value: z.union([z.string().max(2000), z.number(), z.boolean()]).optional(),
    source: z.string().max(20_000).optional(),
  })
  .meta({ id: 'DraftEdit' });

export type DraftEdit = z.infer<typeof draftEdit>;

/** POST /api/definitions/draft: a set of files that is nowhere on disk, with changes to one of them, tried out. Nothing is written. */
export const draftRequest = z
  .object({
    files: z.array(definitionText).max(definitionFilesMax),
    /** The file whose content is wanted as a tree, and that `edits` change. */
    path,
    edits: z.array(draftEdit).max(200),
  })
  .meta({ id: 'DraftRequest' });

export type DraftRequest = z.infer<typeof draftRequest>;

/**
 * A value of a file with its place: its line, and the columns from its key to its end (of the key alone where it takes several lines).
 * `source` is the value as it is written, left out where it takes several lines.
 */
export type DraftNode = { line: number; from: number; to: number; source?: string } & (
  | { kind: 'map'; entries: { key: string; node: DraftNode }[] }
  | { kind: 'list'; items: DraftNode[] }
  | { kind: 'scalar'; value: string; type: 'text' | 'number' | 'flag' | 'nothing' }
);

export const draftView = z
  .object({
    /** The file with the edits in it. */
    text: z.string(),
    problems: z.array(problemView),
    /** A `DraftNode`; null when the file can't be read as YAML. */
    tree: z.unknown(),
  })
  .meta({ id: 'Draft' });

export type DraftView = Omit<z.infer<typeof draftView>, 'tree'> & { tree: DraftNode | null };

/** POST /api/definitions/save */
export const saveRequest = z
  .object({
    changes: z
      .array(
        z.object({
          path,
          /** Null: the file goes. */
          text: text.nullable(),
          /** Of the text that was read before the change; null: there was no such file. */
          hash: z.string().nullable(),
        }),
      )
      .min(1)
      .max(definitionFilesMax),
    /** Save although the vehicle has errors: the last good set stays in force then. */
    despiteErrors: z.boolean(),
  })
  .meta({ id: 'SaveRequest' });

export type SaveRequest = z.infer<typeof saveRequest>;
