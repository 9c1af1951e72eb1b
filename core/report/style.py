"""The look of the report: ink on drawing paper, one accent for downforce and one for lift."""

STYLE = """
@page { size: A4; margin: 14mm 13mm; }
:root { --ink: #20292b; --soft: #5c686a; --rule: #cfd6d3; --paper: #fbfaf6; --panel: #f1f0e9;
  --down: #1f6f6b; --up: #b8562a; --bad: #a1203a; --tight: #8a6100; }
* { box-sizing: border-box; }
html { -webkit-print-color-adjust: exact; print-color-adjust: exact; }
body { margin: 0 auto; padding: 28px 24px 40px; max-width: 860px; background: var(--paper); color: var(--ink);
  font: 14px/1.5 "Segoe UI", "Noto Sans", "DejaVu Sans", Helvetica, Arial, sans-serif; }
header { border-top: 7px solid var(--ink); padding-top: 14px; margin-bottom: 8px; }
h1 { font-size: 27px; line-height: 1.2; margin: 0 0 4px; letter-spacing: -.01em; }
h2 { font-size: 18px; margin: 34px 0 10px; padding-bottom: 4px;
  border-bottom: 2px solid var(--ink); break-after: avoid; }
h3 { font-size: 16px; margin: 0 0 8px; break-after: avoid; }
h4 { font-size: 13px; margin: 14px 0 4px; color: var(--soft); font-weight: 600; break-after: avoid; }
h1, h2, h3, h4, p, li, td, figcaption { overflow-wrap: anywhere; }
td.way, td.field { white-space: nowrap; }
p { margin: 0 0 8px; }
.lead, figcaption, .note { color: var(--soft); }
.note, figcaption { font-size: 12.5px; }
table { width: 100%; border-collapse: collapse; font-size: 12.5px; margin: 4px 0 8px;
  font-variant-numeric: tabular-nums; }
thead { display: table-header-group; }
th { text-align: left; font-weight: 600; color: var(--soft); vertical-align: bottom;
  border-bottom: 1.5px solid var(--ink); }
th, td { padding: 4px 6px; }
td { border-bottom: 1px solid var(--rule); vertical-align: top; }
tr { break-inside: avoid; }
th.n, td.n { text-align: right; }
td.n { white-space: nowrap; overflow-wrap: normal; }
tr.variant td { background: var(--panel); font-weight: 700; border-bottom: 1px solid var(--ink); break-after: avoid; }
tr.variant small { display: block; font-weight: 400; color: var(--ink); font-size: 11.5px; }
td > small { display: block; color: var(--soft); font-size: 11px; }
tr.total td { font-weight: 600; border-bottom: 1.5px solid var(--ink); }
.down { color: var(--down); } .up { color: var(--up); }
.verdict { white-space: nowrap; font-weight: 600; }
.clear { color: var(--down); } .tight { color: var(--tight); } .touches { color: var(--bad); }
.verdict.touches { text-decoration: underline; text-underline-offset: 2px; }
.card { background: #fff; border: 1px solid var(--rule); border-left: 5px solid var(--ink);
  padding: 16px 18px; margin: 0 0 18px; }
.pictures { display: flex; gap: 10px; margin-bottom: 10px; break-inside: avoid; }
figure { margin: 0; flex: 1; min-width: 0; break-inside: avoid; }
svg { display: block; width: 100%; height: auto; }
svg.store { position: absolute; width: 0; height: 0; }
.warn { border-left: 4px solid var(--tight); background: #faf3e0; padding: 6px 10px; margin: 6px 0;
  break-inside: avoid; }
.warn b { color: var(--tight); }
.cautions { margin-top: 34px; border: 2px solid var(--bad); padding: 12px 18px 8px; background: #fff;
  break-inside: avoid; }
.cautions h2 { margin: 0 0 8px; border: 0; padding: 0; color: var(--bad); }
ul { margin: 0 0 8px; padding-left: 20px; }
li { margin-bottom: 4px; }
.sections { display: grid; grid-template-columns: 1fr 1fr; gap: 16px; }
.pair { display: grid; grid-template-columns: 1fr 1fr; gap: 14px 18px; margin: 6px 0 8px; }
.block td:first-child { min-width: 6.5em; }
.block figcaption { margin-top: 4px; }
.block > figure { margin-bottom: 12px; }
table.speeds { width: auto; } table.speeds td, table.speeds th { padding-right: 18px; }
.pair figcaption { font-size: 11.5px; line-height: 1.4; }
.view svg { border: 1px solid var(--soft); border-radius: 3px; max-height: 90mm; }
.fit { fill: rgba(31, 111, 107, .08); stroke: var(--down); stroke-width: 1.2; stroke-linejoin: round; }
.points { fill: none; stroke: var(--ink); stroke-width: 3; stroke-linecap: round; }
.worst { fill: none; stroke: var(--bad); stroke-width: 1.6; }
.grid { stroke: var(--rule); stroke-width: 1; } .axis { stroke: var(--soft); stroke-width: 1.2; }
text { fill: var(--soft); font-size: 11.5px; font-family: inherit; }
.sections text { font-size: 16px; }
text.name { fill: var(--ink); font-weight: 600; font-size: 12.5px; }
text.side { fill: var(--ink); font-size: 12.5px; }
text.over { fill: var(--ink); font-weight: 600; paint-order: stroke; stroke: #fff; stroke-width: 3px;
  stroke-linejoin: round; }
text.number { fill: var(--ink); font-weight: 600; font-size: 10.5px; }
.bar.down { fill: #8fbbb6; stroke: var(--down); } .bar.up { fill: #e3ad92; stroke: var(--up); }
.whisker { fill: none; stroke: var(--ink); stroke-width: 1.6; }
@media print {
  body { background: #fff; padding: 0; max-width: none; font-size: 12px; }
  .card { padding: 10px 14px; }
  .pictures svg, .bars svg { max-height: 72mm; }
  table { font-size: 11px; } th, td { padding: 2.5px 5px; }
}
@media (max-width: 640px) { .sections, .pair { grid-template-columns: 1fr; } .pictures { flex-direction: column; } }
"""
