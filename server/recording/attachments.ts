// Photos and logs that belong to entries of the log book: DATA/attachments, each named by what is in it, so that none is ever changed.
import { createHash, randomUUID } from 'node:crypto';
import { mkdir, open, readFile, rename, rm } from 'node:fs/promises';
import { join } from 'node:path';
import { EvenburnError } from '../errors.ts';

export type AttachmentKind = 'jpg' | 'png' | 'csv';

const mediaTypes: Readonly<Record<AttachmentKind, string>> = { jpg: 'image/jpeg', png: 'image/png', csv: 'text/csv; charset=utf-8' };
const namePattern = /^[0-9a-f]{64}\.(jpg|png|csv)$/;

export class Attachments {
  private readonly folder: string;

  /** @param data The data folder. */
  constructor(data: string) {
    this.folder = join(data, 'attachments');
  }

  /**
   * On the disk when it resolves; the same bytes again are the same attachment.
   * @throws EvenburnError ATTACHMENT_KIND_WRONG, DATA_UNWRITABLE
   */
  async add(bytes: Uint8Array): Promise<string> {
    const kind = kindOf(bytes);
    if (!kind) throw new EvenburnError('ATTACHMENT_KIND_WRONG');
    const name = `${createHash('sha256').update(bytes).digest('hex')}.${kind}`;
    const aside = join(this.folder, `${name}.${randomUUID()}`);
    try {
      await mkdir(this.folder, { recursive: true });
      const file = await open(aside, 'w');
      try {
        await file.writeFile(bytes);
        await file.sync();
      } finally {
        await file.close();
      }
      await rename(aside, join(this.folder, name));
    } catch (error) {
      await rm(aside, { force: true });
      throw new EvenburnError('DATA_UNWRITABLE', { path: this.folder, why: (error as Error).message }, error);
    }
    return name;
  }

  /** @throws EvenburnError ATTACHMENT_UNKNOWN */
  async get(name: string): Promise<{ bytes: Buffer; mediaType: string }> {
    const kind = namePattern.exec(name)?.[1] as AttachmentKind | undefined;
    if (!kind) throw new EvenburnError('ATTACHMENT_UNKNOWN', { name });
    try {
      return { bytes: await readFile(join(this.folder, name)), mediaType: mediaTypes[kind] };
    } catch (error) {
      throw new EvenburnError('ATTACHMENT_UNKNOWN', { name }, error);
    }
  }
}

/** By what is in it, never by what somebody says it is. */
function kindOf(bytes: Uint8Array): AttachmentKind | undefined {
  const starts = (...codes: number[]) => codes.every((code, i) => bytes[i] === code);
  if (starts(0xff, 0xd8, 0xff)) return 'jpg';
  if (starts(0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a)) return 'png';
  if (bytes.length === 0 || bytes.includes(0)) return undefined;
  try {
    new TextDecoder('utf-8', { fatal: true }).decode(bytes);
    return 'csv';
  } catch {
    return undefined;
  }
}
