// The style of a report: plain, black on white, for a screen and for A4 and Letter paper alike.

/** CSS without `<`, `>`, `&` and quotes, so that it stands in a page as it is. */
export const reportStyle = `
@page { margin: 12mm }
* { box-sizing: border-box }
body { max-width: 52rem; margin: 0 auto; padding: 1rem; color: #111; background: #fff; font: 14px/1.4 system-ui, sans-serif; overflow-wrap: anywhere }
h1 { margin: 0; font-size: 1.7rem; line-height: 1.2 }
h2 { margin: 1.4rem 0 .4rem; padding-bottom: .15rem; border-bottom: 2px solid #111; font-size: 1.15rem }
h3 { margin: .9rem 0 .3rem; font-size: 1rem }
p, ul { margin: .35rem 0 }
ul { padding-left: 1.3rem }
code { font-size: .92em }
.name, .lead { font-size: 1.1rem }
.quiet, footer { color: #444 }
.note { white-space: pre-wrap; padding: .4rem .6rem; border-left: 3px solid #777 }
.tag { display: inline-block; padding: 0 .4rem; border: 1px solid #777; border-radius: .3rem }
table { width: 100%; border-collapse: collapse; font-variant-numeric: tabular-nums }
th, td { padding: .2rem .4rem; border-bottom: 1px solid #bbb; text-align: left; vertical-align: top }
thead th { overflow-wrap: normal }
.wide { overflow-x: auto }
.right { columns: 2; font-size: .9em }
thead { display: table-header-group }
thead th { border-bottom: 1.5px solid #111 }
.facts th { width: 11rem; font-weight: 600 }
.number { text-align: right; white-space: nowrap }
tr.wrong td, tr.warning td { border-bottom-color: #111 }
tr.wrong td:first-child, tr.warning td:first-child { border-left: 5px solid #b00020 }
tr.caution td:first-child { border-left: 5px double #8a6d00 }
figure { margin: .6rem 0 }
figure svg { display: block; width: 100%; height: auto }
svg text { font: 11px system-ui, sans-serif; fill: #111 }
svg .grid { stroke: #ddd; stroke-width: 1 }
svg .shade { fill: #e9eef5 }
svg .limit { stroke: #b00020; stroke-width: 1; stroke-dasharray: 1 3 }
svg .mark { stroke: #b00020; stroke-width: .8 }
svg text.mark { stroke: none; fill: #b00020; font-weight: 600 }
svg .out { fill: #999 }
svg .bad { fill: #111 }
.legend { display: flex; flex-wrap: wrap; gap: 0 1.2rem; padding: 0; list-style: none; font-size: .9em }
.legend svg { display: inline-block; width: 26px; height: 8px; vertical-align: middle }
footer { margin-top: 1.5rem; padding-top: .4rem; border-top: 1px solid #777; font-size: .9em }
.blank { display: block; min-width: 4rem; min-height: 1.5em; border-bottom: 1px solid #777 }
p .blank { display: inline-block; min-width: 12rem }
tr, figure, li { break-inside: avoid }
h2, h3 { break-after: avoid }
@media (max-width: 40rem) { .right { columns: 1 } .facts th { width: 8rem } }
@media print { .wide { overflow: visible } body { max-width: none; padding: 0; font-size: 10pt } * { print-color-adjust: exact } }
`;
