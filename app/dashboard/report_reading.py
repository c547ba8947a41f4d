"""A report's words and drawings below each other, for a window too narrow for its pages.

Nothing of it is left out: a table's row becomes lines, each cell after the title of its column.
"""

from __future__ import annotations

import re
from html import escape

from PySide6.QtCore import QByteArray, QRectF, Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtWidgets import QLabel, QSizePolicy, QWidget

from app.analysis.results import Verdict
from app.language import say, speaking
from app.report.blocks import (
    Figure,
    Figures,
    Lines,
    Report,
    ReportBlock,
    Section,
    Table,
    verdict_word,
)
from app.report.html import VIRTUAL_MARK

_LONG = re.compile(r"\S{24}(?=\S)")
"""Of what has no space: else it would make all lines as wide as itself, and their ends unseen."""


class Drawing(QWidget):
    """A figure as wide as there is room for, on paper's white."""

    def __init__(self, figure: Figure, parent: QWidget) -> None:
        super().__init__(parent)
        self._figure = figure
        self._renderer = QSvgRenderer(QByteArray(figure.svg.encode()), self)
        policy = QSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Preferred)
        policy.setHeightForWidth(True)
        self.setSizePolicy(policy)
        self.setAccessibleName(figure.caption)

    def hasHeightForWidth(self) -> bool:  # noqa: N802
        """Tell a layout that the height follows from the width."""
        return True

    def heightForWidth(self, width: int) -> int:  # noqa: N802
        """Return the height at a width."""
        return round(width * self._figure.height / self._figure.width)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint it."""
        del event
        with QPainter(self) as painter:
            painter.fillRect(self.rect(), Qt.GlobalColor.white)
            self._renderer.render(painter, QRectF(self.rect()))


def parts_of(report: Report, parent: QWidget) -> list[QWidget]:
    """Return a report's parts, from the top down."""
    with speaking(report.language):
        lead = f"{verdict_word(report.verdict)}: {report.lead}"
        parts: list[QWidget] = [
            _titled(report.title, parent),
            _words(f"{_shown(report.identity)}<br>{_shown(report.job)}", parent),
            _words(f"<b>{_shown(lead)}</b>", parent),
        ]
        for section in report.sections:
            parts += _section(section, parent, virtual=report.virtual)
    return parts


def _section(section: Section, parent: QWidget, *, virtual: bool) -> list[QWidget]:
    # As on every page of paper, it has to be seen wherever one is.
    title = f"{section.title}  ·  {say(VIRTUAL_MARK)}" if virtual else section.title
    parts: list[QWidget] = [_titled(title, parent)]
    for block in section.blocks:
        if isinstance(block, Figures):
            for figure in block.items:
                parts += [Drawing(figure, parent), _words(_shown(figure.caption), parent)]
        else:
            parts.append(_words(_html(block), parent))
    return parts


def _html(block: ReportBlock) -> str:
    if isinstance(block, Table):
        return "".join(f"<p>{_row(block, cells)}</p>" for cells in block.rows)
    if isinstance(block, Lines):
        return "".join(f"<p>• {_shown(line)}</p>" for line in block.items)
    assert not isinstance(block, Figures)
    return "".join(f"<p>{_shown(label)}: ____________</p>" for label in block.labels)


def _row(table: Table, cells: tuple[str | Verdict, ...]) -> str:
    lines = []
    for place, cell in enumerate(cells):
        words = _shown(verdict_word(cell) if isinstance(cell, Verdict) else cell)
        names = place in table.titles or (not table.titles and not place)
        if names:
            words = f"<b>{words}</b>"
        elif table.head and table.head[place]:
            words = f"{_shown(table.head[place])}: {words}"
        if words:
            lines.append(words)
    return "<br>".join(lines)


def _shown(words: str) -> str:
    """Return words as HTML; what is as long as an address may go on in the next line."""
    return escape(_LONG.sub("\\g<0>\u200b", words))


def _words(html: str, parent: QWidget) -> QLabel:
    label = QLabel(html, parent)
    label.setTextFormat(Qt.TextFormat.RichText)
    label.setWordWrap(True)
    return label


def _titled(words: str, parent: QWidget) -> QLabel:
    label = QLabel(words, parent)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setWordWrap(True)
    label.setProperty("strong", True)
    return label
