// Two browsers at one real server: they follow one replay together, each may leave it, and live recording goes on meanwhile.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { SessionsView, SessionView } from '../../server/contract/sessions.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { canTrace } from '../doubles/can-trace.ts';
import { testVehicle } from '../recording/test-vehicle.ts';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

const startUs = 1_700_000_000_000_000;

describe.skipIf('reason' in launched)('a replay followed together', () => {
  const { browser } = launched as { browser: Browser };
  let data: string;
  let serving: Serving;

  beforeAll(async () => {
    data = mkdtempSync(join(tmpdir(), 'evenburn-together-'));
    const frames = [canTrace({ seed: 1, seconds: 60, ids: 6, startUs })];
    await importFrames(data, testVehicle({ ids: 6 }), { frames, origin: 'made.log', remarks: () => [] }, 0);
    serving = await Serving.start({ data });
  });
  afterAll(async () => {
    await browser.close();
    await serving?.stop();
    rmSync(data, { recursive: true, force: true });
  });

  async function open(): Promise<Page> {
    const context = await browser.newContext({ viewport: { width: 1200, height: 800 } });
    const page = await context.newPage();
    await page.goto(`${serving.url}/#/sessions/1?together`);
    await page.waitForSelector('.transport');
    return page;
  }

  /** The session that is being recorded from the simulated buses. */
  async function recorded(page: Page): Promise<SessionView> {
    const { sessions } = (await (await page.request.get(`${serving.url}/api/sessions`)).json()) as SessionsView;
    const open = sessions.find(({ state }) => state === 'open');
    if (!open) throw new Error('nothing is being recorded');
    return open;
  }

  const place = async (page: Page) => Number(await page.inputValue('.line input')) - startUs;

  function goTo(page: Page, us: number): Promise<void> {
    return page.locator('.line input').evaluate((input, to) => {
      const slider = input as HTMLInputElement;
      slider.value = String(to);
      slider.dispatchEvent(new Event('input', { bubbles: true }));
    }, startUs + us);
  }

  const follows = (page: Page, us: number) => expect.poll(() => place(page)).toBeCloseTo(us, -5);

  it('shares where it stands, how fast it plays and that it stands still; whoever leaves goes on alone', async () => {
    const [ann, bob] = [await open(), await open()];
    await ann.getByText('Together: one other').waitFor();
    await goTo(ann, 20_000_000);
    await follows(bob, 20_000_000);
    await bob.locator('.transport').getByLabel('Speed').selectOption('10');
    await bob.click('.play');
    await expect.poll(() => place(ann)).toBeGreaterThan(22_000_000);
    expect(await ann.locator('.transport').getByLabel('Speed').inputValue()).toBe('10');
    await ann.click('.play');
    await expect.poll(() => bob.locator('.play').textContent()).toBe('Play');
    await follows(bob, await place(ann));
    await bob.getByRole('button', { name: /Together/ }).click();
    await ann.getByText('Together: nobody else yet').waitFor();
    const left = await place(bob);
    await goTo(ann, 5_000_000);
    await follows(ann, 5_000_000);
    expect(await place(bob)).toBe(left);
    await Promise.all([ann.context().close(), bob.context().close()]);
  });

  it('notes an instant for everybody, loops, and leaves the recording alone', async () => {
    const page = await open();
    const before = await recorded(page);
    await goTo(page, 30_000_000);
    await page.getByRole('button', { name: 'Note here' }).click();
    await page.getByLabel('Note at this instant').fill('smelled fuel');
    await page.getByRole('button', { name: 'Keep' }).click();
    await page.locator('.marker[data-kind="note"]', { hasText: 'smelled fuel' }).waitFor();
    await page.getByRole('button', { name: 'Loop from here' }).click();
    await goTo(page, 30_400_000);
    await page.getByRole('button', { name: 'Loop to here' }).click();
    await page.waitForSelector('.loop-stretch');
    await page.click('.play');
    // Round and round: back at the beginning of the loop more than once.
    for (const later of [true, false, true, false]) {
      await page.waitForFunction(
        ([half, wanted]) => Number(document.querySelector<HTMLInputElement>('.line input')?.value) > (half as number) === wanted,
        [startUs + 30_200_000, later] as const,
      );
    }
    expect(await place(page)).toBeLessThan(30_500_000);
    await expect.poll(() => recorded(page).then(({ frames }) => frames)).toBeGreaterThan(before.frames);
    expect((await recorded(page)).session).toBe(before.session);
    await page.context().close();
  });
});
