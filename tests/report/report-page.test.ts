// The page of a report: nothing that people wrote can become part of it, nothing is asked of anybody, and what is judged stands there.
import { createHash } from 'node:crypto';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { AlarmEvent } from '../../server/alarms/alarm-event.ts';
import { escaped, html } from '../../server/report/markup.ts';
import { toDate } from '../../server/report/paper.ts';
import { toReportPage } from '../../server/report/report-page.ts';
import { makeReportData } from '../doubles/report-of-double.ts';

const hostile = [
  '<script>alert(1)</script>',
  '"><img src=x onerror=alert(1)>',
  "'; --</style><style>body{display:none}",
  '</title><base href=https://example.invalid/>',
  '<!--',
  ']]>&lt;b&gt;&amp;',
  '\u202eevil\u0000\u0007',
  '\ud800',
];

describe('markup', () => {
  it('escapes what is put in and keeps what a template made', () => {
    expect(html`<p title="${'"a" & <b>'}">${html`<i>${"it's"}</i>`}${undefined}${false}${0}</p>`.text).toBe(
      '<p title="&quot;a&quot; &amp; &lt;b&gt;"><i>it&#39;s</i>0</p>',
    );
  });

  it('puts a sign in the place of what is not seen', () => {
    expect(escaped('a\u0000b\u202ec\ud800d\ne')).toBe('a\ufffdb\ufffdc\ufffdd\ne');
  });

  it('leaves no sign of HTML in any text', () => {
    fc.assert(
      fc.property(fc.string({ unit: 'binary' }), (text) => {
        expect(escaped(text)).not.toMatch(/[<>"']|&(?!(amp|lt|gt|quot|#39);)/);
      }),
    );
  });
});

describe('a report', () => {
  it.each(hostile)('holds %j as words wherever people may write it', (text) => {
    const said = {
      name: text,
      note: text,
      tags: [text],
      conditions: { [text]: text },
      origin: text,
      remarks: [text],
      events: [{ atS: 1, kind: 'loss' as const, text }],
      reading: { id: 1, program: text, node: text, madeWallMs: 0, note: text },
      checks: [
        {
          check: 'bus' as const,
          frames: 1,
          seconds: 1,
          verdicts: [{ code: text, ok: false, say: text, next: text }],
          notJudged: [{ what: text, line: text }],
        },
      ],
    };
    const [harmless, page] = [makeReportData(), makeReportData(said)].map((data) => toReportPage(data, 0));
    expect(page).toContain(escaped(text));
    for (const tag of ['script', 'img', 'base', 'style', 'title', 'link', 'iframe', 'object']) {
      const count = (whole = '') => whole.match(new RegExp(`<${tag}[\\s>]`, 'g'))?.length ?? 0;
      expect([tag, count(page)]).toEqual([tag, count(harmless)]);
    }
    for (const unseen of ['<!--', '\u0000', '\u202e', '\ud800']) expect(page).not.toContain(unseen);
  });

  it('asks nobody for anything: no address but that of the SVG and HTML it is written in', () => {
    const page = toReportPage(makeReportData(), 0);
    expect(page.match(/(src|href|url|action|data)\s*[=(]\s*["']?[^#\s"')]+/g) ?? []).toEqual([]);
    expect(page).not.toMatch(/https?:|@import| style=| on[a-z]+=/);
  });

  it('allows its own style alone, by its hash', () => {
    const page = toReportPage(makeReportData(), 0);
    const style = /<style>([\s\S]*)<\/style>/.exec(page)?.[1] ?? '';
    const hash = createHash('sha256').update(style).digest('base64');
    expect(page).toContain(`content="default-src &#39;none&#39;; style-src &#39;sha256-${hash}&#39;"`);
  });

  it('breaks a trace where it had no number, and draws the limit', () => {
    const page = toReportPage(makeReportData({ cylinders: 1 }), 0);
    const [path = ''] = / d="[^"]+"/.exec(page) ?? [];
    expect(path.match(/M/g)).toHaveLength(2);
    expect(page).toContain('class="bad"');
    expect(page).toContain('class="limit"');
  });

  it('lists alarms from when they came to when they were over, the first-out named', () => {
    const event = (timeUs: number, happened: AlarmEvent['event'], more: Partial<AlarmEvent> = {}): AlarmEvent => ({
      sequence: timeUs,
      timeUs,
      alarm: 'oil pressure low',
      severity: 'warning',
      event: happened,
      firstOut: true,
      channel: 'oil_pressure',
      value: 42.5,
      quality: 0,
      unit: 'kPa',
      advice: '',
      ...more,
    });
    const alarms = [
      event(66_000_000, 'raised'),
      event(67_000_000, 'acknowledged', { by: 'Ann <crew>' }),
      event(76_500_000, 'cleared'),
      event(80_000_000, 'raised'),
    ];
    const rows = toReportPage(makeReportData({ alarms }), 0).match(/<tr class="warning">[\s\S]*?<\/tr>/g) ?? [];
    // The first frame is at 1 s of session time.
    expect(rows[0]).toMatch(
      />1:05<[\s\S]*>1:15\.5<[\s\S]*oil pressure low<\/b> \(warning\), came first[\s\S]*42\.5 kPa[\s\S]*Ann &lt;crew&gt;/,
    );
    expect(rows[1]).toMatch(/>1:19<[\s\S]*stood at the end/);
  });

  it.each([
    [{ state: 'killed' as const }, 'ended in the middle'],
    [{ loss: { adapter: 3, 'before-reader': 2, queue: 1, late: 9 } }, '6 frames are known to be lost'],
    [{ recordedHash: 'other' }, 'by other definitions than those in force when it was recorded'],
    [{ startedWallMs: null }, 'When it was recorded is not known'],
    [{ stamps: { main: 'process' } }, 'good to some milliseconds only'],
    [{ frames: 0, plots: [], pulls: [], pullPeaks: [] }, 'No frame was recorded'],
  ])('%j is cautioned about', (given, words) => {
    const page = toReportPage(makeReportData(given), 0);
    expect(page.slice(page.indexOf('<h2>Cautions'))).toContain(words);
  });

  it('says above the limit when a peak was', () => {
    const { peaks } = makeReportData({ cylinders: 2 });
    const page = toReportPage(makeReportData({ peaks: peaks.map((peak) => ({ ...peak, margin: peak.cylinder === 2 ? -12 : 5 })) }), 0);
    expect(page).toContain('<b>12 ABOVE</b>');
  });

  it.each([1, 3, 12, 16])('has a column for each of %i cylinders', (cylinders) => {
    const page = toReportPage(makeReportData({ cylinders }), 0);
    expect(page.match(/<th scope="col">Cyl \d+<\/th>/g)).toHaveLength(cylinders);
  });

  it('says dates with their distance from UTC', () => {
    expect(toDate(Date.UTC(2026, 4, 17, 9, 30))).toMatch(/^2026-05-1[678] \d\d:\d\d:00 UTC[+−]\d\d:\d\d$/);
  });
});
