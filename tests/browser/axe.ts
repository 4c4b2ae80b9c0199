// What axe-core and a ruler find wrong on the page that a browser shows.
import type { Page } from 'playwright-core';
import { axePath } from './chromium.ts';

interface Violation {
  id: string;
  help: string;
  nodes: { html: string; failureSummary?: string }[];
}

/** What axe finds against WCAG 2.2 A and AA and its best practices, in short. */
export async function violations(page: Page): Promise<string[]> {
  await page.addScriptTag({ path: axePath() });
  const found = await page.evaluate(async () => {
    const { axe } = globalThis as unknown as { axe: { run(options: object): Promise<{ violations: Violation[] }> } };
    const tags = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'];
    return (await axe.run({ runOnly: { type: 'tag', values: tags } })).violations;
  });
  return found.map(({ id, help, nodes }) => `${id}: ${help}: ${nodes[0]?.html.slice(0, 200)} ${nodes[0]?.failureSummary ?? ''}`);
}

/** Controls in sight of less than 24 × 24 pixels (WCAG 2.5.8), by their words. */
export function tooSmall(page: Page): Promise<string[]> {
  return page.evaluate(() =>
    [...document.querySelectorAll<HTMLElement>('button, a[href], summary, input, select')]
      .filter((control) => control.checkVisibility() && !control.closest('.visually-hidden, .skip'))
      .map((control) => ({ control, box: control.getBoundingClientRect() }))
      .filter(({ box }) => box.width < 23.5 || box.height < 23.5)
      .map(({ control, box }) => `${control.className} ${control.textContent} ${box.width.toFixed(1)} × ${box.height.toFixed(1)}`),
  );
}
