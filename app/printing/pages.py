"""A report's pages: into a PDF, or as pictures to look at before."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import (
    QBuffer,
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
    QGuiApplication,
    QImage,
    QPageLayout,
    QPageSize,
    QPainter,
    QPdfWriter,
)

from app.printing.layout import PER_INCH, SMALL, Run, Strip, broken, font, head_of, section_of
from app.records.appearing import appearing
from app.records.blocks import Report
from app.records.page import VIRTUAL_MARK
from app.records.wording import within

PAPERS = {"a4": QPageSize.PageSizeId.A4, "letter": QPageSize.PageSizeId.Letter}
_MARGIN = 0.5 * PER_INCH
_FOOT = 0.3 * PER_INCH
_VIRTUAL_INK = QColor(0, 0, 0, 34)
_application: list[QGuiApplication] = []


class PrintFault(Exception):  # noqa: N818
    """A report cannot be put on paper; the message says why."""


def write_pdf(report: Report, path: Path, paper: str = "a4") -> int:
    """Write a report as PDF, and return its pages; the file appears once it is whole.

    Parameters
    ----------
    report : Report
        What to write.
    path : pathlib.Path
        Is replaced.
    paper : str
        ``"a4"`` or ``"letter"``.

    Raises
    ------
    PrintFault
        When Qt cannot draw it.
    OSError
        When the file cannot be written.
    """
    _with_application()
    size = _size(paper)
    pages = _paginated(report, _area(size))
    with appearing(path) as name:
        # Qt does not tell of a disk that is full: it draws into memory, and Python writes.
        name.write_bytes(_drawn(report, pages, size))
    return len(pages)


def pages_of(report: Report, paper: str = "a4", dpi: int = 110) -> list[QImage]:
    """Return a report's pages as pictures: those of the PDF, `dpi` dots to the inch."""
    _with_application()
    size = _size(paper)
    pages = _paginated(report, _area(size))
    whole = QSizeF(_whole(size))
    pictures = []
    for number, page in enumerate(pages, 1):
        image = QImage(
            round(whole.width() * dpi / PER_INCH),
            round(whole.height() * dpi / PER_INCH),
            QImage.Format.Format_RGB32,
        )
        image.fill(Qt.GlobalColor.white)
        painter = QPainter(image)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.scale(dpi / PER_INCH, dpi / PER_INCH)
        _paint(painter, report, page, number, len(pages), whole)
        painter.end()
        pictures.append(image)
    return pictures


def _drawn(report: Report, pages: Sequence[Sequence[Strip]], size: QPageSize) -> bytes:
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
    for number, page in enumerate(pages, 1):
        if number > 1:
            writer.newPage()
        _paint(painter, report, page, number, len(pages), _whole(size))
    if not painter.end():
        raise PrintFault("Qt did not draw the PDF to its end; write FILE.html, and print that")
    return bytes(buffer.data().data())


def _paginated(report: Report, area: QSizeF) -> list[list[Strip]]:
    """Put strips on pages: each whole, a section's title with what follows it."""
    room = area.height()
    pages: list[list[Strip]] = [[]]
    used = 0.0
    waiting: list[Strip] = []

    def put(strips: Sequence[Strip]) -> None:
        nonlocal used
        pages[-1].extend(strips)
        used += sum(strip.height for strip in strips)

    runs = [head_of(report, area.width())]
    for section in report.sections:
        runs += section_of(section, area.width())
    for run, is_heading in _with_headings(runs, report):
        if is_heading:
            waiting += run.strips
            continue
        for place, strip in enumerate(run.strips):
            lead = [*waiting, *([run.head] if run.head is not None and not place else [])]
            needed = sum(each.height for each in (*lead, strip))
            if used + needed > room and pages[-1]:
                pages.append([])
                used = 0.0
                if run.head is not None and place:
                    lead = [run.head]
            put([*lead, strip])
            waiting = []
    return pages


def _with_headings(runs: Sequence[Run], report: Report) -> list[tuple[Run, bool]]:
    """Tell which runs are a section's title."""
    flags = [False]
    for section in report.sections:
        flags += [True, *(False for _ in section.blocks)]
    return list(zip(runs, flags, strict=True))


def _paint(
    painter: QPainter,
    report: Report,
    page: Sequence[Strip],
    number: int,
    count: int,
    whole: QSizeF,
) -> None:
    if report.virtual:
        _mark_virtual(painter, whole)
    painter.save()
    painter.translate(_MARGIN, _MARGIN)
    y = 0.0
    for strip in page:
        strip.paint(painter, y)
        y += strip.height
    painter.restore()
    _foot(painter, report, number, count, whole)


def _foot(painter: QPainter, report: Report, number: int, count: int, whole: QSizeF) -> None:
    y = whole.height() - _MARGIN - _FOOT / 2
    inside = whole.width() - 2 * _MARGIN
    painter.setPen(QColor("#000000"))
    name = report.identity if len(report.identity) <= 40 else report.identity[:39] + "…"
    shown = f"{within(name)}, {report.job}"
    for text, part in (
        (shown, 0.0),
        (VIRTUAL_MARK if report.virtual else "", 0.5),
        (f"page {number} of {count}", 1.0),
    ):
        laid, _ = broken(text, inside, SMALL, bold=text == VIRTUAL_MARK)
        line = laid.lineAt(0)
        room = inside - line.naturalTextWidth()
        laid.draw(painter, QPointF(_MARGIN + part * room, y))


def _mark_virtual(painter: QPainter, whole: QSizeF) -> None:
    painter.save()
    painter.translate(whole.width() / 2, whole.height() / 2)
    painter.rotate(-52.0)
    painter.setPen(_VIRTUAL_INK)
    painter.setFont(font(940, bold=True))
    reach = whole.height()
    painter.drawText(
        QRectF(-reach, -reach, 2 * reach, 2 * reach), Qt.AlignmentFlag.AlignCenter, VIRTUAL_MARK
    )
    painter.restore()


def _size(paper: str) -> QPageSize:
    return QPageSize(PAPERS[paper])


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
