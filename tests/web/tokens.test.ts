// Contrast of the pages' colours by the WCAG 2.2 formula (relative luminance of sRGB), for every pair that carries text or a line.
import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { traceColour, traceDash } from '../../web/plots/chart.ts';

const css = readFileSync(new URL('../../web/style/tokens.css', import.meta.url), 'utf8');

/** Custom properties of the rule whose selector text ends with `selector`. */
function tokensOf(selector: string): Map<string, string> {
  const start = css.indexOf(`${selector} {`);
  expect(start, selector).toBeGreaterThanOrEqual(0);
  const body = css.slice(css.indexOf('{', start) + 1, css.indexOf('}', start));
  return new Map([...body.matchAll(/(--[\w-]+):\s*(#[0-9a-f]{6})/g)].map(([, name, colour]) => [name ?? '', colour ?? '']));
}

const dark = tokensOf('[data-theme="dark"]');
const light = tokensOf('[data-theme="light"]');
const themes: [name: string, tokens: Map<string, string>, text: number][] = [
  ['dark', dark, 4.5],
  ['light', light, 4.5],
  ['dark with more contrast', new Map([...dark, ...tokensOf('[data-theme="dark"][data-contrast="more"]')]), 7],
  ['light with more contrast', new Map([...light, ...tokensOf('[data-theme="light"][data-contrast="more"]')]), 7],
];

function luminance(hex: string): number {
  const linear = [1, 3, 5].map((at) => {
    const c = Number.parseInt(hex.slice(at, at + 2), 16) / 255;
    return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * (linear[0] ?? 0) + 0.7152 * (linear[1] ?? 0) + 0.0722 * (linear[2] ?? 0);
}

function contrast(a: string, b: string): number {
  const [dim = 0, bright = 0] = [luminance(a), luminance(b)].sort((x, y) => x - y);
  return (bright + 0.05) / (dim + 0.05);
}

const textPairs: [ink: string, ground: string][] = [
  ...['--ink', '--ink-2', '--ink-3', '--accent', '--good-text'].flatMap((ink): [string, string][] => [
    [ink, '--ground'],
    [ink, '--panel'],
  ]),
  ['--ink', '--panel-2'],
  ['--ink-2', '--panel-2'],
  ['--on-accent', '--accent'],
  ['--on-caution', '--caution'],
  ['--bad-ink', '--bad-ground'],
  ['--warning-text', '--panel'],
  ['--caution-text', '--panel'],
  ['--caution-text', '--ground'],
  ['--advisory-text', '--panel'],
];

const linePairs = [
  ['--edge', '--panel'],
  ['--edge', '--ground'],
  ['--bar', '--panel'],
  ['--bar-far', '--panel'],
  ['--level', '--panel'],
] as const;

describe.each(themes)('colours, %s', (_name, tokens, textMin) => {
  const of = (name: string) => tokens.get(name) ?? '';

  it.each(textPairs)('lets text %s be read on %s', (ink, ground) => {
    expect(contrast(of(ink), of(ground))).toBeGreaterThanOrEqual(ground === '--caution' || ink === '--on-accent' ? 4.5 : textMin);
  });

  it.each(linePairs)('lets the line %s be seen on %s', (line, ground) => {
    expect(contrast(of(line), of(ground))).toBeGreaterThanOrEqual(3);
  });

  it('lets the warning be read', () => {
    expect(contrast(of('--on-warning') || '#ffffff', of('--warning'))).toBeGreaterThanOrEqual(4.5);
  });
});

it('works out the contrast of black on white as 21 to 1, and of #767676 on white as 4.54 to 1', () => {
  expect(contrast('#000000', '#ffffff')).toBeCloseTo(21, 6);
  expect(contrast('#767676', '#ffffff')).toBeCloseTo(4.54, 2);
});

describe('traces', () => {
  const ground = '#121212';

  it('all stand out from the plot area by at least 3 to 1', () => {
    for (let style = 0; style < 8; style++) expect(contrast(traceColour(style), ground)).toBeGreaterThanOrEqual(3);
  });

  it('differ from each other in colour or dash, sixteen in one plot', () => {
    const looks = Array.from({ length: 16 }, (_, style) => `${traceColour(style)} ${traceDash(style)}`);
    expect(new Set(looks).size).toBe(16);
  });
});
