// A backup takes what people wrote down with it: log book, sign-offs, photos and logs; what is up to date stays as it is.
import { existsSync, mkdirSync, mkdtempSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe, expect, it } from 'vitest';
import { backupSessions } from '../../server/recording/backup.ts';

const folder = mkdtempSync(join(tmpdir(), 'evenburn-backup-'));
const [data, copies] = [join(folder, 'data'), join(folder, 'copies')];
const photo = `${'a'.repeat(64)}.jpg`;
afterAll(() => rmSync(folder, { recursive: true, force: true }));

describe('a backup', () => {
  it('of a folder without anything is empty', async () => {
    expect(await backupSessions(join(folder, 'none'), join(folder, 'empty'))).toEqual({ copied: [], unchanged: [], failed: [] });
  });

  it('holds what was written down, and its photos', async () => {
    mkdirSync(join(data, 'sessions'), { recursive: true });
    mkdirSync(join(data, 'attachments'));
    writeFileSync(join(data, 'log-book.jsonl'), '\n{"entry":1}');
    writeFileSync(join(data, 'attachments', photo), 'photo');
    await backupSessions(data, copies);
    expect(readFileSync(join(copies, 'log-book.jsonl'), 'utf8')).toBe('\n{"entry":1}');
    expect(readFileSync(join(copies, 'attachments', photo), 'utf8')).toBe('photo');
  });

  it('copies again what has grown, and nothing else', async () => {
    const before = statSync(join(copies, 'attachments', photo)).ino;
    writeFileSync(join(data, 'log-book.jsonl'), '\n{"entry":1}\n{"entry":2}');
    await backupSessions(data, copies);
    expect(readFileSync(join(copies, 'log-book.jsonl'), 'utf8')).toContain('{"entry":2}');
    expect(statSync(join(copies, 'attachments', photo)).ino).toBe(before);
    expect(existsSync(join(copies, 'log-book.jsonl.part'))).toBe(false);
  });
});
