"""A report's pages: its blocks laid out and painted, into a PDF or as pictures to look at before.

All lengths are tenths of a point (1/720 inch), whatever is painted on: text is broken once, and
the same on every device.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

from PySide6.QtCore import (
    QBuffer,
    QByteArray,
    QCoreApplication,
    QIODevice,
    QMarginsF,
    QPointF,
    QRectF,
    QSizeF,
    Qt,
)
from PySide6.QtGui import (
    QColor,
    QFont,
    QGuiApplication,
    QImage,
    QPageLayout,
    QPageSize,
    QPainter,
    QPdfWriter,
    QPen,
    QTextLayout,
    QTextOption,
)
from PySide6.QtSvg import QSvgRenderer

from app.analysis.results import Verdict
from app.files import atomic_write
from app.language import say, speaking
from app.report.blocks import (
    Figures,
    Lines,
    Report,
    ReportBlock,
    Section,
    Signature,
    Table,
    verdict_word,
    within,
)
from app.report.figures import mark
from app.report.html import VIRTUAL_MARK, mark_size
from app.report.seal import into_sheets

PER_INCH = 720
BODY, SMALL, HEADING, TITLE = 80, 72, 106, 180
_FINE, _LARGE = 62, 98
_GAP = 60.0
_PAD_X, _PAD_Y = 24.0, 14.0
_MARK = 90.0
_THIN = 3.0
_HIGHEST_FIGURE = 3000.0
_LINE, _FAINT = QColor("#000000"), QColor("#999999")


@dataclass(slots=True)
class Band:
    """Texts, drawings and lines across the page, in their places from the band's top."""

    height: float
    texts: list[tuple[QTextLayout, QPointF]] = field(default_factory=list)
    drawings: list[tuple[str, QRectF]] = field(default_factory=list)
    lines: list[tuple[float, float, float, float, QColor]] = field(default_factory=list)
    """From x to x at y, how thick, and its colour."""
    frames: list[QRectF] = field(default_factory=list)

    def paint(self, painter: QPainter, y: float) -> None:
        """Paint all of it."""
        for begin, end, at, thick, colour in self.lines:
            painter.setPen(QPen(colour, thick))
            painter.drawLine(QPointF(begin, y + at), QPointF(end, y + at))
        painter.setPen(QPen(_LINE, 10.0))
        for frame in self.frames:
            painter.drawRect(frame.translated(0.0, y))
        for svg, place in self.drawings:
            QSvgRenderer(QByteArray(svg.encode())).render(painter, place.translated(0.0, y))
        painter.setPen(_LINE)
        for text, place in self.texts:
            text.draw(painter, place + QPointF(0.0, y))


@dataclass(slots=True)
class Flow:
    """Bands that follow each other; `head` comes again on each page where they go on.

    A heading stays with what follows it.
    """

    bands: list[Band]
    head: Band | None = None
    is_heading: bool = False
    turns_page: bool = False


def font(size: int, *, bold: bool = False) -> QFont:
    """Return the report's font, `size` tenths of a point high."""
    made = QFont()
    made.setStyleHint(QFont.StyleHint.SansSerif)
    made.setPixelSize(size)
    made.setBold(bold)
    made.setHintingPreference(QFont.HintingPreference.PreferNoHinting)
    return made


def broken(text: str, width: float, size: int, *, bold: bool = False) -> tuple[QTextLayout, float]:
    """Break a text into lines of `width`; returns it with its height.

    Its direction follows from its first letter; a word longer than a line is broken anywhere.
    """
    layout = QTextLayout(text, font(size, bold=bold))
    option = QTextOption()
    option.setWrapMode(QTextOption.WrapMode.WrapAtWordBoundaryOrAnywhere)
    option.setTextDirection(Qt.LayoutDirection.LayoutDirectionAuto)
    layout.setTextOption(option)
    layout.beginLayout()
    height = 0.0
    while True:
        line = layout.createLine()
        if not line.isValid():
            break
        line.setLineWidth(width)
        line.setPosition(QPointF(0.0, height))
        height += line.height()
    layout.endLayout()
    return layout, height


def head_of(report: Report, width: float) -> Flow:
    """Lay out what stands above all sections."""
    title = _text_band(report.title, width, TITLE, bold=True)
    # The user's own words stand on a line of their own.
    name = _text_band(report.identity, width, 130)
    lead, height = broken(report.lead, width - _MARK - 5 * _PAD_X, BODY + 8, bold=True)
    box = Band(height + 5 * _PAD_Y)
    box.frames.append(QRectF(0.0, 0.0, width, height + 4 * _PAD_Y))
    box.drawings.append((mark(report.verdict), QRectF(2 * _PAD_X, 2 * _PAD_Y, _MARK, _MARK)))
    box.texts.append((lead, QPointF(_MARK + 3.5 * _PAD_X, 2 * _PAD_Y)))
    return Flow([title, name, _text_band(report.job, width, BODY + 8), box])


def section_of(section: Section, width: float) -> list[Flow]:
    """Lay out a section; its title stays with what comes first below it."""
    title, height = broken(section.title, width, HEADING, bold=True)
    heading = Band(_GAP + height + _GAP / 2)
    heading.texts.append((title, QPointF(0.0, _GAP)))
    heading.lines.append((0.0, width, _GAP + height + 4, 6.0, _LINE))
    flows = [_laid_out(block, width) for block in section.blocks]
    return [Flow([heading], is_heading=True, turns_page=section.on_new_page), *flows]


def _laid_out(block: ReportBlock, width: float) -> Flow:
    if isinstance(block, Table):
        return _table(block, width)
    if isinstance(block, Figures):
        return Flow([_figures(block, width)])
    if isinstance(block, Lines):
        return Flow([_bulleted(line, width) for line in block.items])
    assert isinstance(block, Signature)
    return Flow([_signature(block, width)])


def _table(table: Table, width: float) -> Flow:
    size, pad_y = (_FINE, 4.0) if table.fine else (SMALL, _PAD_Y)
    if table.large:
        size, pad_y = _LARGE, 2 * _PAD_Y

    def row(cells: Sequence[str | Verdict], bold: Sequence[int], thick: float) -> Band:
        band = Band(0.0)
        x = tallest = 0.0
        for place, (cell, part) in enumerate(zip(cells, table.widths, strict=True)):
            left, inside = x + _PAD_X, part * width - 2 * _PAD_X
            if isinstance(cell, Verdict):
                box = QRectF(left, pad_y + 6, _MARK - 10, _MARK - 10)
                band.drawings.append((mark(cell), box))
                left, inside, cell = left + _MARK, inside - _MARK, verdict_word(cell)
            stressed = place in bold or cell == verdict_word(Verdict.FAIL)
            text, height = broken(cell, inside, size, bold=stressed)
            band.texts.append((text, QPointF(left, pad_y)))
            tallest = max(tallest, height)
            x += part * width
        band.height = tallest + 2 * pad_y
        colour = _LINE if thick > _THIN else _FAINT
        band.lines.append((0.0, width, band.height, thick, colour))
        return band

    rows = [row(cells, table.titles, _THIN) for cells in table.rows]
    head = row(table.head, range(len(table.head)), 8.0) if table.head else None
    return Flow(rows, head)


def _figures(block: Figures, width: float) -> Band:
    band = Band(0.0)
    count = len(block.items)
    # A figure by itself is as wide as one of a pair, unless it was drawn wide.
    column = (width - (count - 1) * _GAP) / count
    tallest, x = 0.0, 0.0
    for figure in block.items:
        wide = column if figure.width >= 400 else min(column, (width - _GAP) / 2)
        high = wide * figure.height / figure.width
        if high > _HIGHEST_FIGURE:
            high, wide = _HIGHEST_FIGURE, _HIGHEST_FIGURE * figure.width / figure.height
        band.drawings.append((figure.svg, QRectF(x, 0.0, wide, high)))
        caption, height = broken(figure.caption, max(wide, column), SMALL)
        band.texts.append((caption, QPointF(x, high + 10)))
        tallest = max(tallest, high + 10 + height)
        x += column + _GAP
    band.height = tallest + _GAP
    return band


def _bulleted(line: str, width: float) -> Band:
    indent = 90.0
    text, height = broken(line, width - indent, SMALL)
    dot, _ = broken("•", indent, SMALL)
    return Band(height + 12, [(dot, QPointF(20.0, 0.0)), (text, QPointF(indent, 0.0))])


def _signature(block: Signature, width: float) -> Band:
    band = Band(0.0)
    column = width / len(block.labels)
    room = 260.0
    for place, label in enumerate(block.labels):
        x = place * column
        text, height = broken(label, column - _GAP, SMALL)
        band.lines.append((x, x + column - _GAP, room, 6.0, _LINE))
        band.texts.append((text, QPointF(x, room + 10)))
        band.height = room + height + 20
    return band


def _text_band(text: str, width: float, size: int, *, bold: bool = False) -> Band:
    laid, height = broken(text, width, size, bold=bold)
    return Band(height + 24, [(laid, QPointF(0.0, 0.0))])


PAPERS = {"a4": QPageSize.PageSizeId.A4, "letter": QPageSize.PageSizeId.Letter}
_MARGIN = 0.5 * PER_INCH
_FOOT = 0.3 * PER_INCH
_VIRTUAL_INK = QColor(0, 0, 0, 34)
_application: list[QGuiApplication] = []


class PrintFault(Exception):  # noqa: N818
    """A report cannot be put on paper; the message says why."""


def write_pdf(report: Report, path: Path, paper: str = "a4") -> int:
    """Write a report as PDF on a paper of ``PAPERS``, its record in it; returns its pages.

    The file appears, in place of what has its name, once it is whole.

    Raises
    ------
    PrintFault
        When Qt cannot draw it.
    OSError
        When the file cannot be written.
    """
    data, count = drawn(report, paper)
    with atomic_write(path) as name:
        # Qt does not tell of a disk that is full: it draws into memory, and Python writes.
        name.write_bytes(into_sheets(data, report.sealed))
    return count


def drawn(report: Report, paper: str = "a4") -> tuple[bytes, int]:
    """Return a report as PDF, without its record, and how many pages it has.

    Raises
    ------
    PrintFault
        When Qt cannot draw it.
    """
    _with_application()
    size = QPageSize(PAPERS[paper])
    with speaking(report.language):
        area = _area(size)
        pages = _paginated(chain.from_iterable(_flows(report, area.width())), area.height())
        return _drawn(report, pages, size), len(pages)


def pages_of(report: Report, paper: str = "a4", *, dpi: float) -> Iterator[QImage | None]:
    """Make a report's pages as pictures: those of the PDF, `dpi` dots to the inch.

    A window that asks for the next one frame by frame goes on meanwhile: None comes where there is
    more to do before there is a page.
    """
    _with_application()
    size = QPageSize(PAPERS[paper])
    area, flows = _area(size), []
    steps = _flows(report, area.width())
    while True:
        # Not while others go on, who may speak another language.
        with speaking(report.language):
            some = next(steps, None)
        if some is None:
            break
        flows += some
        yield None
    pages = _paginated(flows, area.height())
    for number, page in enumerate(pages, 1):
        with speaking(report.language):
            picture = _picture(report, page, number, len(pages), QSizeF(_whole(size)), dpi)
        yield picture


def _picture(
    report: Report, page: Sequence[Band], number: int, count: int, whole: QSizeF, dpi: float
) -> QImage:
    image = QImage(
        round(whole.width() * dpi / PER_INCH),
        round(whole.height() * dpi / PER_INCH),
        # A report is black and grey, and a page of a fine screen has many dots.
        QImage.Format.Format_Grayscale8,
    )
    image.fill(Qt.GlobalColor.white)
    painter = QPainter(image)
    with _ending(painter):
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.scale(dpi / PER_INCH, dpi / PER_INCH)
        _paint(painter, report, page, number, count, whole)
    return image


def _drawn(report: Report, pages: Sequence[Sequence[Band]], size: QPageSize) -> bytes:
    """Return the PDF."""
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    writer = QPdfWriter(buffer)
    writer.setPageLayout(QPageLayout(size, QPageLayout.Orientation.Portrait, QMarginsF()))
    writer.setResolution(PER_INCH)
    writer.setTitle(f"{report.title}: {report.identity}, {report.job}")
    writer.setCreator("Evenlobe")
    painter = QPainter()
    if not painter.begin(writer):
        raise PrintFault("Qt cannot draw a PDF here; write FILE.html instead, and print that")
    with _ending(painter):
        for number, page in enumerate(pages, 1):
            if number > 1:
                writer.newPage()
            _paint(painter, report, page, number, len(pages), _whole(size))
        is_whole = painter.end()
    if not is_whole:
        raise PrintFault("Qt did not draw the PDF to its end; write FILE.html, and print that")
    return bytes(buffer.data().data())


@contextmanager
def _ending(painter: QPainter) -> Iterator[None]:
    """End a painter whatever happens: one that outlives its page takes the process down."""
    try:
        yield
    finally:
        if painter.isActive():
            painter.end()


def _flows(report: Report, width: float) -> Iterator[list[Flow]]:
    """Lay out the head, and section by section what is below it."""
    yield [head_of(report, width)]
    for section in report.sections:
        yield section_of(section, width)


def _paginated(flows: Iterable[Flow], room: float) -> list[list[Band]]:
    """Put bands on pages of so much room, each whole."""
    pages: list[list[Band]] = [[]]
    used = 0.0
    waiting: list[Band] = []

    def put(bands: Sequence[Band]) -> None:
        nonlocal used
        pages[-1].extend(bands)
        used += sum(band.height for band in bands)

    for flow in flows:
        if flow.turns_page and pages[-1]:
            pages.append([])
            used = 0.0
        if flow.is_heading:
            waiting += flow.bands
            continue
        for place, band in enumerate(flow.bands):
            lead = [*waiting, *([flow.head] if flow.head is not None and not place else [])]
            needed = sum(each.height for each in (*lead, band))
            if used + needed > room and pages[-1]:
                pages.append([])
                used = 0.0
                if flow.head is not None and place:
                    lead = [flow.head]
            put([*lead, band])
            waiting = []
    return pages


def _paint(
    painter: QPainter, report: Report, page: Sequence[Band], number: int, count: int, whole: QSizeF
) -> None:
    if report.virtual:
        _mark_virtual(painter, whole)
    painter.save()
    painter.translate(_MARGIN, _MARGIN)
    y = 0.0
    for band in page:
        band.paint(painter, y)
        y += band.height
    painter.restore()
    _foot(painter, report, number, count, whole)


def _foot(painter: QPainter, report: Report, number: int, count: int, whole: QSizeF) -> None:
    y = whole.height() - _MARGIN - _FOOT / 2
    inside = whole.width() - 2 * _MARGIN
    painter.setPen(QColor("#000000"))
    name = report.identity if len(report.identity) <= 40 else report.identity[:39] + "…"
    shown = f"{within(name)}, {report.job}"
    virtual = say(VIRTUAL_MARK)
    for text, part in (
        (shown, 0.0),
        (virtual if report.virtual else "", 0.5),
        (say("page {0} of {1}", number, count), 1.0),
    ):
        laid, _ = broken(text, inside, SMALL, bold=text == virtual)
        line = laid.lineAt(0)
        room = inside - line.naturalTextWidth()
        laid.draw(painter, QPointF(_MARGIN + part * room, y))


def _mark_virtual(painter: QPainter, whole: QSizeF) -> None:
    painter.save()
    painter.translate(whole.width() / 2, whole.height() / 2)
    painter.rotate(-52.0)
    painter.setPen(_VIRTUAL_INK)
    words = say(VIRTUAL_MARK)
    painter.setFont(font(round(940 * mark_size(words)), bold=True))
    reach = whole.height()
    room = QRectF(-reach, -reach, 2 * reach, 2 * reach)
    painter.drawText(room, Qt.AlignmentFlag.AlignCenter, words)
    painter.restore()


def _whole(size: QPageSize) -> QSizeF:
    return QSizeF(size.size(QPageSize.Unit.Point) * (PER_INCH / 72.0))


def _area(size: QPageSize) -> QSizeF:
    whole = _whole(size)
    return QSizeF(whole.width() - 2 * _MARGIN, whole.height() - 2 * _MARGIN - _FOOT)


def _with_application() -> None:
    """Have Qt ready for fonts; where nobody has made it so, without a screen.

    The argument wins over an environment that names a screen, which may not be there: Qt would
    end the program.
    """
    if QCoreApplication.instance() is None:
        _application.append(QGuiApplication([*sys.argv[:1], "-platform", "offscreen"]))
