"""The building blocks of the report page: escaped text, tables, pictures, and its look."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape

STYLE = """
@page { margin: 16mm 16mm 18mm; }
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body { margin: 0; background: #fff; color: #1d2733; font: 16px/1.5 system-ui, sans-serif; }
main { max-width: 60rem; margin: 0 auto; padding: 1.5rem 1.25rem 3rem; }
.desk { display: grid; gap: 0 2.5rem; align-items: start; margin-top: 1rem; }
.desk > * { min-width: 0; }
h1 { font-size: 1.6rem; line-height: 1.25; margin: 0 0 .25rem; overflow-wrap: anywhere; }
h2 { font-size: 1.2rem; margin: 2.5rem 0 .6rem; padding-top: .6rem; border-top: 2px solid #c9d3dc; }
h3 { font-size: 1.05rem; margin: 1.8rem 0 .4rem; overflow-wrap: anywhere; }
p { margin: .4rem 0 .8rem; max-width: 46rem; }
.quiet { color: #55606b; }
.box { overflow-x: auto; margin: .6rem 0 1rem; }
.box:focus-visible { outline: 2px solid #0b3d91; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
th, td { padding: .3rem .7rem .3rem 0; text-align: left; vertical-align: top;
  border-bottom: 1px solid #e1e6eb; }
thead th { border-bottom: 2px solid #8fa3b5; vertical-align: bottom; white-space: nowrap; }
th.n, td.n { text-align: right; white-space: nowrap; }
th.w, td.w { white-space: nowrap; }
th.group { padding-top: .8rem; overflow-wrap: anywhere; }
th.group span { font-weight: normal; }
.bracket { color: #55606b; }
.flag { white-space: nowrap; border: 1px solid #8fa3b5; border-radius: .25rem; padding: 0 .3rem;
  background: #f3f6f9; font-size: .9em; }
img { display: block; max-width: 100%; height: auto; }
.box img.wide { min-width: 34rem; }
dl { margin: 0; max-width: 46rem; }
dt { font-weight: 600; margin-top: .8rem; }
dd { margin: 0; overflow-wrap: anywhere; }
.formula { font-style: italic; }
pre { background: #f3f6f9; padding: .7rem .9rem; white-space: pre-wrap; overflow-wrap: anywhere;
  font-size: .9rem; margin: .5rem 0; }
.hash { font-family: monospace; overflow-wrap: anywhere; }
@media (min-width: 76rem) {
  main { max-width: 72rem; }
  .desk { grid-template-columns: auto minmax(24rem, 1fr); }
  .answer { grid-template-columns: minmax(18rem, 1fr) auto; }
}
@media (max-width: 36rem) {
  main { padding: 1rem .75rem 2rem; }
  th, td { padding-right: .4rem; }
  table { font-size: .94rem; }
  .bracket { display: block; }
}
@media print {
  body { font-size: 10.5pt; line-height: 1.4; }
  main { max-width: none; padding: 0; }
  .desk { grid-template-columns: minmax(0, 9fr) minmax(0, 11fr); gap: 0 6mm; }
  .desk p.quiet { break-after: auto; }
  .answer { display: block; }
  .bracket { display: block; }
  h1 { font-size: 18pt; } h2 { font-size: 13.5pt; margin-top: 6mm; } h3 { font-size: 11.5pt; }
  h2, h3, p.quiet { break-after: avoid; }
  tbody, tr, figure, p, .whole, dl > div { break-inside: avoid; }
  thead { display: table-header-group; }
  table, pre, .flag { font-size: 10pt; }
  th, td { padding-right: .45rem; }
  .box { overflow: visible; }
  .box img.wide { min-width: 0; max-width: 112mm; }  /* two lanes a page */
  .flag { border-color: #55606b; }
  pre, .flag { background: none; }
  pre { border: 1px solid #c9d3dc; }
}
"""

NUMBER, WHOLE, TEXT = "n", "w", ""


def page(title: str, body: Iterable[str]) -> str:
    """Return a whole page around `body`, which is HTML; `title` is plain text."""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(body)
        + "\n</main>\n</body>\n</html>\n"
    )


def table(
    label: str,
    head: Sequence[str],
    groups: Iterable[tuple[str, Sequence[Sequence[str]]]],
    kinds: Sequence[str] = (),
) -> str:
    """Return a table that scrolls inside its own box.

    Parameters
    ----------
    label : str
        Plain text that names the table for those who hear the page.
    head : sequence of str
        Headings, as HTML; none where the rows explain themselves.
    groups : iterable
        Title (HTML, may be empty) and rows (cells are HTML) of what prints on one page.
    kinds : sequence of str
        NUMBER, WHOLE (unbroken text) or TEXT of each column; TEXT where left out.
    """
    out = [f'<div class="box" role="region" tabindex="0" aria-label="{escape(label)}"><table>']
    if head:
        cells = "".join(_cell("th", text, i, kinds, ' scope="col"') for i, text in enumerate(head))
        out.append(f"<thead><tr>{cells}</tr></thead>")
    for title, rows in groups:
        out.append("<tbody>")
        if title:
            span = f'class="group" scope="rowgroup" colspan="{len(head)}"'
            out.append(f"<tr><th {span}>{title}</th></tr>")
        for row in rows:
            cells = "".join(_cell("td", text, i, kinds) for i, text in enumerate(row))
            out.append(f"<tr>{cells}</tr>")
        out.append("</tbody>")
    out.append("</table></div>")
    return "\n".join(out)


def _cell(tag: str, text: str, column: int, kinds: Sequence[str], more: str = "") -> str:
    kind = f' class="{kinds[column]}"' if column < len(kinds) and kinds[column] else ""
    return f"<{tag}{kind}{more}>{text}</{tag}>"


def picture(png: bytes, text: str, width_px: int, wide: bool = False) -> str:
    """Return the picture itself, with `text` (plain) for those who don't see it.

    `width_px` is its width in CSS pixels (96 an inch); a `wide` one scrolls on a narrow screen
    instead of shrinking beyond reading.
    """
    data = base64.b64encode(png).decode("ascii")
    kind = ' class="wide"' if wide else ""
    image = (
        f'<img{kind} alt="{escape(text)}" width="{width_px}" src="data:image/png;base64,{data}">'
    )
    return f'<figure style="margin:0"><div class="box">{image}</div></figure>'
