// A manual's table pasted into a page: what it asks, and the layout that comes out, with conflicts and the device file.
import { z } from 'zod';
import { tableBytesMax } from '../limits.ts';

export const tableRequest = z
  .object({
    text: z.string().max(tableBytesMax),
    /** Name of the device that the file is to describe. */
    device: z.string().regex(/^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$/),
    title: z.string().max(200).optional(),
    /** Field → heading; an empty heading leaves the field out. Fields left out here are guessed. */
    columns: z.record(z.string().max(40), z.string().max(200)).optional(),
    idBase: z.enum(['hex', 'dec']).optional(),
    countFrom: z.union([z.literal(0), z.literal(1)]).optional(),
    bitNumbering: z.enum(['lsb0', 'lsb0-low', 'msb0']).optional(),
    byteOrder: z.enum(['little', 'big']).optional(),
  })
  .meta({ id: 'TableRequest' });

export type TableRequest = z.infer<typeof tableRequest>;

/** Something about a row (as a spreadsheet numbers it), or about the whole table. */
export const rowNote = z
  .object({
    row: z.number().optional(),
    /** Heading of the column, where one cell is to blame. */
    column: z.string().optional(),
    say: z.string(),
    fix: z.string().optional(),
  })
  .meta({ id: 'RowNote' });

export type RowNote = z.infer<typeof rowNote>;

export const tableView = z
  .object({
    headingRow: z.number(),
    headings: z.array(z.string()),
    /** Field → heading that it was read from. */
    columns: z.record(z.string(), z.string()),
    unusedHeadings: z.array(z.string()),
    /** All fields that a column can hold. */
    fields: z.array(z.string()),
    idBase: z.enum(['hex', 'dec']),
    countFrom: z.union([z.literal(0), z.literal(1)]),
    bitNumbering: z.enum(['lsb0', 'lsb0-low', 'msb0']),
    frames: z.array(
      z.object({
        name: z.string(),
        row: z.number(),
        id: z.number().optional(),
        pgn: z.number().optional(),
        extended: z.boolean(),
        lengthBytes: z.number(),
        signals: z.array(
          z.object({
            name: z.string(),
            row: z.number(),
            /** Bits that it takes, byte × 8 + bit; empty where its place can't be. */
            bits: z.array(z.number()),
            unit: z.string(),
            /** Of a multiplexed frame: `page: 0`. */
            when: z.string().optional(),
            conflict: z.boolean(),
          }),
        ),
      }),
    ),
    conflicts: z.array(rowNote),
    notes: z.array(rowNote),
    /** The device file; valid when there are no conflicts. */
    text: z.string(),
  })
  .meta({ id: 'ImportedTable' });

export type TableView = z.infer<typeof tableView>;

/** POST /api/tables/harness: a wiring table, a wire a row. */
export const harnessTableRequest = z
  .object({
    text: z.string().max(tableBytesMax),
    /** What the harness is called. */
    name: z.string().trim().min(1).max(200),
    /** Field → heading; an empty heading leaves the field out. Fields left out here are guessed. */
    columns: z.record(z.string().max(40), z.string().max(200)).optional(),
  })
  .meta({ id: 'HarnessTableRequest' });

export type HarnessTableRequest = z.infer<typeof harnessTableRequest>;

export const harnessTableView = z
  .object({
    headingRow: z.number(),
    headings: z.array(z.string()),
    columns: z.record(z.string(), z.string()),
    unusedHeadings: z.array(z.string()),
    fields: z.array(z.string()),
    connectors: z.number(),
    circuits: z.number(),
    wires: z.number(),
    conflicts: z.array(rowNote),
    notes: z.array(rowNote),
    /** The harness file; valid when there are no conflicts. */
    text: z.string(),
  })
  .meta({ id: 'HarnessTable' });

export type HarnessTableView = z.infer<typeof harnessTableView>;

/** POST /api/devices: the same table, saved as a device file of the vehicle; with `bus` the device is put on it in vehicle.yaml. */
export const deviceRequest = tableRequest.extend({ bus: z.string().max(100).optional() }).meta({ id: 'DeviceRequest' });

export type DeviceRequest = z.infer<typeof deviceRequest>;

/** What a page wrote into the vehicle folder. */
export const savedDefinition = z
  .object({
    /** File within the vehicle folder. */
    path: z.string(),
    /** Where in it, from 1. */
    line: z.number(),
    /** The lines that are new. */
    added: z.string(),
  })
  .meta({ id: 'SavedDefinition' });

export type SavedDefinition = z.infer<typeof savedDefinition>;
