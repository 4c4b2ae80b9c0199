// Photos and logs by what is in them: kept once, given back as they were, and nothing else is taken.
import { mkdtempSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe, expect, it } from 'vitest';
import { Attachments } from '../../server/recording/attachments.ts';

const data = mkdtempSync(join(tmpdir(), 'evenburn-attachments-'));
const attachments = new Attachments(data);
afterAll(() => rmSync(data, { recursive: true, force: true }));

const jpeg = Buffer.from([0xff, 0xd8, 0xff, 0xe0, 1, 2, 3]);
const png = Buffer.from([0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a, 9]);

describe('attachments', () => {
  it.each([
    ['jpg', 'image/jpeg', jpeg],
    ['png', 'image/png', png],
    ['csv', 'text/csv; charset=utf-8', Buffer.from('time;rpm;torque\n0;3000;100,5\n')],
  ])('keeps a %s and gives it back', async (ending, mediaType, bytes) => {
    const name = await attachments.add(bytes);
    expect(name).toMatch(new RegExp(`^[0-9a-f]{64}\\.${ending}$`));
    const kept = await attachments.get(name);
    expect(kept.mediaType).toBe(mediaType);
    expect(Buffer.compare(kept.bytes, bytes)).toBe(0);
  });

  it('keeps the same bytes once, and leaves nothing half written', async () => {
    expect(await attachments.add(jpeg)).toBe(await attachments.add(jpeg));
    expect(readdirSync(join(data, 'attachments')).every((name) => /^[0-9a-f]{64}\.(jpg|png|csv)$/.test(name))).toBe(true);
  });

  it.each([
    ['nothing', Buffer.alloc(0)],
    ['a page with a NUL', Buffer.from('<svg>\0</svg>')],
    ['bytes that are no text', Buffer.from([0xc3, 0x28, 0x41])],
  ])('refuses %s', async (_, bytes) => {
    await expect(attachments.add(bytes)).rejects.toMatchObject({ code: 'ATTACHMENT_KIND_WRONG' });
  });

  it.each(['../catalogue.sqlite', 'a.jpg', `${'0'.repeat(64)}.jpg`, `${'0'.repeat(64)}.svg`, ''])('has no %j', async (name) => {
    await expect(attachments.get(name)).rejects.toMatchObject({ code: 'ATTACHMENT_UNKNOWN' });
  });
});
