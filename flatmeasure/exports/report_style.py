"""How the report looks: on a screen of any width, dark or light, and on paper."""

STYLE = """
:root { color-scheme: light dark; --ink: #1b1b1f; --soft: #5d5d66; --line: #c9c9d0; --ground: #fff; --card: #f5f4f1; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #ececf0; --soft: #a9a9b4; --line: #45454e; --ground: #17171b; --card: #222228; }
}
* { box-sizing: border-box; }
body { margin: 0; background: var(--ground); color: var(--ink); font: 1rem/1.45 system-ui, Arial, sans-serif; }
main { max-width: 56rem; margin: 0 auto; padding: 1.25rem 1rem 3rem; }
h1 { font-size: 1.5rem; line-height: 1.2; margin: 0 0 1rem; overflow-wrap: anywhere; }
h2 { font-size: 1.125rem; margin: 0 0 .6rem; overflow-wrap: anywhere; }
figure { margin: 0 0 1.25rem; }
img { display: block; width: 100%; height: auto; border-radius: 4px; }
section { margin: 1.75rem 0 0; }
.notes { margin: 0 0 1.25rem; padding: .75rem 1rem; background: var(--card); border-left: 4px solid var(--ink); }
.notes h2 { font-size: 1rem; margin-bottom: .25rem; }
.notes ul { margin: 0; padding-left: 1.1rem; }
.wide { overflow-x: auto; }
table { width: 100%; border-collapse: collapse; font-variant-numeric: tabular-nums; }
th, td { padding: .45rem .75rem .45rem 0; text-align: right; vertical-align: top; }
th, td { border-bottom: 1px solid var(--line); }
th:first-child { text-align: left; overflow-wrap: anywhere; min-width: 5.5rem; }
td { white-space: nowrap; }
th:last-child, td:last-child { padding-right: 0; }
thead th { color: var(--soft); font-weight: 600; font-size: .875rem; border-bottom: 2px solid var(--line); }
tbody th { font-weight: 600; }
small { display: block; color: var(--soft); font-size: .8125rem; font-weight: 400; }
dl { margin: 0 0 .75rem; display: grid; gap: .5rem 1.25rem; }
dl { grid-template-columns: repeat(auto-fill, minmax(9rem, 1fr)); }
dt { color: var(--soft); font-size: .8125rem; }
dd { margin: 0; font-variant-numeric: tabular-nums; overflow-wrap: anywhere; }
.piece dd { font-size: 1.0625rem; font-weight: 600; }
.meaning, .causes, .caution { color: var(--soft); font-size: .875rem; margin: .75rem 0 0; }
.caution { color: var(--ink); font-weight: 600; margin: 0 0 .75rem; }
.settings dl { font-size: .875rem; }
.settings dl { grid-template-columns: repeat(auto-fill, minmax(11rem, 1fr)); }
@media (max-width: 30rem) {
  body { font-size: .9375rem; }
  th, td { padding-right: .5rem; }
  td:last-child { white-space: normal; }
}
@page { margin: 15mm; }
@media print {
  :root { --ink: #000; --soft: #333; --line: #888; --ground: #fff; --card: #fff; }
  body { font-size: 10pt; }
  main { max-width: none; padding: 0; }
  img { width: auto; max-width: 100%; max-height: 105mm; margin: 0 auto; border-radius: 0; }
  .wide { overflow: visible; }
  h2 { break-after: avoid; }
  tr, .notes, dl { break-inside: avoid; }
  thead { display: table-header-group; }
}
"""
