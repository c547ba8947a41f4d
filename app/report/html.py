"""A report as one HTML file that needs nothing else and can run nothing."""

from __future__ import annotations

import base64
import hashlib
from html import escape
from itertools import zip_longest
from pathlib import Path

from app.analysis.results import Verdict
from app.files import atomic_write
from app.language import say, speaking
from app.report.blocks import Figures, Lines, Report, ReportBlock, Signature, Table, verdict_word
from app.report.figures import mark
from app.report.seal import into_page

VIRTUAL_MARK = "VIRTUAL DRIVE"

_STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 8mm; max-width: 194mm; color: #000; background: #fff;
  font: 10pt/1.35 sans-serif; overflow-wrap: break-word; }
h1 { font-size: 18pt; margin: 0; }
h2 { font-size: 11.5pt; margin: 6mm 0 2mm; border-bottom: 0.5pt solid #000; break-after: avoid; }
header p { margin: 1mm 0; }
.lead { font-weight: bold; border: 1pt solid #000; padding: 2mm 3mm; }
.lead svg, td svg { width: 3.4mm; height: 3.4mm; vertical-align: -0.5mm; margin-inline-end: 0.8mm; }
.identity { font-size: 13pt; }
table { width: 100%; border-collapse: collapse; font-size: 8pt; table-layout: fixed;
  margin-bottom: 2mm; }
th, td { text-align: start; vertical-align: top; padding: 0.6mm 1.2mm;
  border-bottom: 0.3pt solid #999; }
thead th { border-bottom: 0.8pt solid #000; }
.fine { font-size: 7pt; }
.large { font-size: 10.5pt; }
.large th, .large td { padding: 1.6mm 1.2mm; }
.fine th, .fine td { padding: 0.2mm 1.2mm; }
thead { display: table-header-group; }
tr, figure, .signature { break-inside: avoid; }
.verdict { white-space: nowrap; }
.stressed { font-weight: bold; }
.pair { display: flex; gap: 4mm; }
figure { flex: 1 1 0; margin: 0 0 2mm; min-width: 0; }
figure svg { display: block; width: 100%; height: auto; }
figcaption { font-size: 8pt; }
ul { margin: 0; padding-inline-start: 5mm; font-size: 8.5pt; }
.signature { display: flex; gap: 6mm; padding-top: 12mm; }
.signature div { flex: 1; border-top: 0.6pt solid #000; font-size: 8pt; }
.virtual { font-weight: bold; letter-spacing: 0.15em; border: 2pt solid #000; padding: 1mm 3mm;
  text-align: center; }
.mark { position: fixed; inset: 0; display: flex; align-items: center; justify-content: center;
  pointer-events: none; }
.mark span { font-size: 60pt; font-weight: bold; white-space: nowrap; color: #000; opacity: 0.13;
  transform: rotate(-50deg); }
@media screen and (max-width: 640px) {
  body { padding: 4mm; font-size: 11pt; }
  .pair, .signature { display: block; }
  .signature div { margin-top: 14mm; }
  table, tbody, tr, td, tbody th { display: block; }
  table, .fine, .large { font-size: 10pt; }
  colgroup, thead { display: none; }
  tr { border-bottom: 0.8pt solid #000; padding: 1.5mm 0; }
  td, tbody th { border: 0; padding: 0.4mm 0; }
  td:empty, th:empty { display: none; }
  td[title]::before { content: attr(title) ": "; font-weight: bold; }
  .mark span { font-size: 34pt; }
}
@page { margin: 12mm; }
@media print {
  body { padding: 0; max-width: none; }
  h2 { margin: 4mm 0 1.5mm; }
  .large th, .large td { padding: 1mm 1.2mm; }
  .new-page { break-before: page; }
  .mark span { font-size: 84pt; }
}
"""


def page_of(report: Report) -> str:
    """Return the report as HTML.

    Its policy lets a browser load nothing and run nothing; every text is escaped, and each that
    may come from a user stands by itself, so that its direction does not reach its neighbours.
    """
    with speaking(report.language):
        return _page_of(report)


def _page_of(report: Report) -> str:
    widths, style = _with_widths(report)
    virtual = say(VIRTUAL_MARK)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    title = f"{report.title}: {report.identity}, {report.job}"
    body = [
        f'<div class="mark" aria-hidden="true"><span>{virtual}</span></div>'
        f'<p class="virtual">{virtual}</p>'
        if report.virtual
        else "",
        f"<header><h1>{escape(report.title)}</h1>"
        f'<p class="identity">{_own(report.identity)}, {escape(report.job)}</p>'
        f'<p class="lead">{mark(report.verdict)}{escape(report.lead)}</p></header>',
    ]
    for section in report.sections:
        blocks = "".join(_block(block, widths) for block in section.blocks)
        begins = ' class="new-page"' if section.on_new_page else ""
        body.append(f"<section{begins}><h2>{escape(section.title)}</h2>{blocks}</section>")
    return (
        f'<!DOCTYPE html>\n<html lang="{report.language}"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{escape(policy)}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{style}</style></head>\n"
        f"<body>{''.join(body)}</body></html>\n"
    )


def write_page(report: Report, path: Path) -> None:
    """Write a report as HTML; the file appears, in place of what has its name, once it is whole.

    Raises
    ------
    OSError
        When it cannot be written.
    """
    with atomic_write(path) as part:
        page = into_page(page_of(report), report.sealed)
        part.write_text(page, encoding="utf-8", newline="\n")


def _with_widths(report: Report) -> tuple[dict[tuple[float, ...], str], str]:
    """Return a class for each set of columns, and the style with them.

    The policy allows this one style and no attribute: columns are told by class.
    """
    widths: dict[tuple[float, ...], str] = {}
    rules = []
    for section in report.sections:
        for block in section.blocks:
            if isinstance(block, Table) and block.widths not in widths:
                name = widths[block.widths] = f"t{len(widths)}"
                rules += [
                    f".{name} col:nth-child({place}) {{ width: {100 * part:.0f}%; }}\n"
                    for place, part in enumerate(block.widths, 1)
                ]
    size = mark_size(say(VIRTUAL_MARK))
    if size < 1.0:
        rules.append(f".mark span {{ transform: rotate(-50deg) scale({size:.2f}); }}\n")
    return widths, _STYLE + "".join(rules)


def mark_size(words: str) -> float:
    """Return how large the mark across a page is, 1 in English, so that its words fit."""
    return min(1.0, len(VIRTUAL_MARK) / len(words))


def _block(block: ReportBlock, widths: dict[tuple[float, ...], str]) -> str:
    if isinstance(block, Table):
        return _table(block, widths[block.widths])
    if isinstance(block, Figures):
        figures = "".join(
            f"<figure>{figure.svg}<figcaption>{_own(figure.caption)}</figcaption></figure>"
            for figure in block.items
        )
        return f'<div class="pair">{figures}</div>'
    if isinstance(block, Lines):
        return f"<ul>{''.join(f'<li>{_own(line)}</li>' for line in block.items)}</ul>"
    assert isinstance(block, Signature)
    places = "".join(f"<div>{escape(label)}</div>" for label in block.labels)
    return f'<div class="signature">{places}</div>'


def _table(table: Table, name: str) -> str:
    columns = "<col>" * len(table.widths)
    head = "".join(f'<th scope="col">{escape(title)}</th>' for title in table.head)
    head = f"<thead><tr>{head}</tr></thead>" if head else ""
    rows = "".join(
        "<tr>"
        + "".join(
            _cell(cell, place in table.titles, title)
            for place, (cell, title) in enumerate(zip_longest(row, table.head, fillvalue=""))
        )
        + "</tr>"
        for row in table.rows
    )
    fine = " fine" if table.fine else " large" if table.large else ""
    return (
        f'<table class="{name}{fine}"><colgroup>{columns}</colgroup>{head}'
        f"<tbody>{rows}</tbody></table>"
    )


def _cell(cell: str | Verdict, is_title: bool, title: str) -> str:
    # Where a page is too narrow for columns, their titles stand before the cells.
    told = f' title="{escape(title)}"' if title else ""
    if isinstance(cell, Verdict):
        name = "verdict stressed" if cell is Verdict.FAIL else "verdict"
        return f'<td class="{name}"{told}>{mark(cell)}{verdict_word(cell)}</td>'
    return f'<th scope="row">{_own(cell)}</th>' if is_title else f"<td{told}>{_own(cell)}</td>"


def _own(text: str) -> str:
    """Return a text that has its own direction, and keeps it to itself."""
    return f'<bdi dir="auto">{escape(text)}</bdi>'
