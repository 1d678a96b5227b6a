"""The style sheet of the report's page: light, to be read on a screen and on A4 or letter paper.

Not here: what the page says (html.py), and the colours of the drawings (drawing/style.py).
"""

SHEET = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.5rem; max-width: 54rem; background: #fff; color: #1a1a1a;
  font: 1rem/1.45 Helvetica, Arial, sans-serif; }
h1 { margin: 0 0 .3rem; font-size: 1.7rem; }
h2 { margin: 2.2rem 0 .6rem; padding-bottom: .2rem; border-bottom: 2px solid #1a1a1a;
  font-size: 1.25rem; }
h3 { margin: 0 0 .5rem; font-size: 1.1rem; }
p, ul, ol, dl { margin: .4rem 0; }
ul, ol { padding-left: 1.3rem; }
a { color: #005a8c; }
.facts { display: grid; grid-template-columns: max-content 1fr; gap: .1rem 1rem; }
.facts dt { color: #555; }
.facts dd { margin: 0; overflow-wrap: anywhere; }
.verdict { margin: 1.2rem 0; padding: .8rem 1rem; border: 2px solid #1a1a1a;
  border-left-width: 10px; }
.verdict strong { font-size: 1.25rem; }
.pass { border-color: #0072b2; background: #eef6fb; }
.faults { border-color: #d55e00; background: #fdf3ec; }
.incomplete { border-color: #8a7400; border-style: dashed; border-left-style: solid;
  background: #fcfae8; }
.cautions { margin: 1rem 0; padding: .6rem 1rem; border: 2px solid #1a1a1a; background: #fcfae8; }
.state { display: inline-block; padding: 0 .5rem; border: 1px solid #1a1a1a; border-radius: .3rem;
  font-size: .9rem; white-space: normal; }
.finding { margin: 1rem 0; padding: .8rem 1rem 1rem; border: 1px solid #999; }
.finding dt { margin-top: .5rem; font-weight: bold; }
.finding dd { margin: 0; }
table { width: 100%; border-collapse: collapse; font-size: .92rem; }
th, td { padding: .2rem .45rem; border-bottom: 1px solid #ccc; text-align: left;
  vertical-align: top; }
thead th { border-bottom: 2px solid #1a1a1a; }
tr.look th, tr.look td { background: #fdf3ec; font-weight: bold; }
figure { margin: .8rem 0 0; text-align: center; }
figcaption { font-size: .9rem; text-align: left; }
figure svg { display: block; max-width: 100%; height: auto; margin: 0 auto; }
.zoom svg { max-height: 26rem; }
footer { margin-top: 2.5rem; padding-top: .5rem; border-top: 1px solid #999; font-size: .85rem;
  color: #444; }
@page { margin: 14mm; }
@media print {
  body { max-width: none; padding: 0; font-size: 10pt; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  h2, h3 { break-after: avoid; }
  figure, .verdict, .cautions, tr { break-inside: avoid; }
  thead { display: table-header-group; }
  .zoom svg { max-height: 80mm; }
  .sides { break-before: page; }
  .sides svg { max-height: 200mm; }
  a { color: inherit; text-decoration: none; }
}
"""
