"""The page that shows a report before it is written, and writes it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

from PySide6.QtCore import QStandardPaths, Qt, Signal
from PySide6.QtGui import QImage, QKeyEvent, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QScrollArea, QVBoxLayout, QWidget

from app.book.model import JobRecord, JobSummary
from app.dashboard.background import BookWorker
from app.dashboard.report_reading import parts_of
from app.dashboard.style import Sizes, Theme
from app.dashboard.widgets import (
    FILLS,
    Field,
    Page,
    Picker,
    TouchButton,
    button_row,
    laid,
    named,
    on_enter,
)
from app.files import stem_for
from app.language import spoken
from app.numbers import Unit
from app.report.blocks import Report
from app.report.content import report_of
from app.report.html import write_page
from app.report.pdf import PAPERS, PrintFault, pages_of, write_pdf

_SMOOTH = Qt.TransformationMode.SmoothTransformation
_ROOM_FOR_TITLE_PX = 400
_LEAST_PART = 0.7
"""Of a page's width: shown in less its small print would be too small to be read."""
_DPI = 110.0
"""Of a page, in the dots of a usual screen; a finer one has more of its own to each."""
_AT_ONCE_S = 0.02
"""So long pages are drawn on between two frames."""
_NAMES = {"a4": "A4", "letter": "Letter"}


class PageView(QWidget):
    """A page, as wide as there is room for it and no wider than it is, in the screen's own dots."""

    def __init__(self, page: QImage, ratio: float, parent: QWidget) -> None:
        super().__init__(parent)
        self._page, self._ratio = page, ratio
        self.picture = page

    @property
    def whole_px(self) -> float:
        """How wide the page is where there is room."""
        return self._page.width() / self._ratio

    def fit(self, room: int) -> None:
        """Be no wider than `room`."""
        width = min(self._page.width(), round(room * self._ratio))
        if width != self.picture.width():
            fits = width == self._page.width()
            self.picture = self._page if fits else self._page.scaledToWidth(max(1, width), _SMOOTH)
        self.picture.setDevicePixelRatio(self._ratio)
        self.setFixedSize(self.picture.deviceIndependentSize().toSize())

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint it."""
        del event
        with QPainter(self) as painter:
            painter.drawImage(0, 0, self.picture)


class ReportPage(Page):
    """A report's pages, and the buttons that write it.

    `book` is the job book's file, the user's own when None. ``unit`` is that of lengths in reports
    that are shown from now on. They are in the window's language.
    """

    written = Signal(Path)
    """A report was written to this file."""
    describe = Signal(int)
    """The person wants to say who did the job, and with what: its number."""

    def __init__(self, book: Path | None, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.unit = Unit.UM
        self._larger = 1.0
        self._shown: tuple[str, int] | None = None
        self._worker = BookWorker(book)
        self._report: Report | None = None
        self.pages: list[PageView] = []
        self._drawing: Iterator[QImage | None] | None = None
        # What is shown in place of the pages where these cannot be read.
        self._parts: list[QWidget] = []
        self._title.setText(self.tr("The report, as it will be written"))
        self._area = named(QScrollArea(self), self.tr("Pages of the report"))
        self._area.setWidgetResizable(True)
        self._area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._sheets = QWidget(self._area)
        self._sheets.setObjectName("page")
        self._column = QVBoxLayout(self._sheets)
        self._area.setWidget(self._sheets)
        self._paper = Picker(self.tr("Paper"), self.tr("Paper of a PDF"), self)
        for name in PAPERS:
            self._paper.addItem(_NAMES.get(name, name), name)
        self._paper.currentIndexChanged.connect(self._show_pages)
        self._path = Field(
            self.tr("File, without its ending"), self.tr("Where the report is written"), self
        )
        self._path.returnPressed.connect(self.write_sheets)
        self._lay_out()

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Let pages be as large in a large window as its own words are."""
        larger = max(1.0, round(2.0 * sizes.unit) / 2.0)
        if larger != self._larger:
            self._larger = larger
            self._show_pages()

    @property
    def stem(self) -> str:
        """The file's name without its ending, as the field has it."""
        return self._path.text()

    @property
    def is_whole(self) -> bool:
        """Whether all pages are there."""
        return bool(self.pages) and self._drawing is None

    def set_stem(self, text: str) -> None:
        """Put a name into the field."""
        self._path.setText(text)

    def activate(self, identity: str, number: int) -> None:
        """Show the report of a job in the book."""
        self._shown = identity, number
        self._report = None  # until the book answers, the one before must not be written
        self._clear()
        self.say(self.tr("Reading the book …"))
        self._area.setFocus()
        self._worker.ask(
            "report", lambda book: (book.job(number), book.history(identity)), self._take
        )

    def read_again(self) -> None:
        """Read the job anew."""
        if self._shown is not None:
            self.activate(*self._shown)

    def ask_to_describe(self) -> None:
        """Ask for the page on which the job is described."""
        if self._shown is not None:
            self.describe.emit(self._shown[1])

    def refresh(self) -> None:
        """Show what the book has answered, and the pages as they are drawn."""
        said = self._worker.refresh()
        if said:
            self.say(said)
        if self._drawing is not None:
            self._draw_on(self._drawing)

    def write_page(self) -> None:
        """Write the report as HTML."""
        self._write(".html")

    def write_sheets(self) -> None:
        """Write the report as PDF."""
        self._write(".pdf")

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Let Enter write the PDF, as its button says."""
        if not on_enter(event, self.write_sheets):
            super().keyPressEvent(event)

    def _take(self, found: tuple[JobRecord, tuple[JobSummary, ...]]) -> None:
        record, past = found
        self._report = report_of(record, past, self.unit, spoken())
        self._path.setText(str(_default_stem(record)))
        self.say("")
        self._show_pages()

    def _show_pages(self) -> None:
        self._clear()
        if self._report is not None:
            dpi = self._larger * _DPI * self.devicePixelRatioF()
            self._drawing = pages_of(self._report, self._paper.currentData(), dpi=dpi)

    def _draw_on(self, pages: Iterator[QImage | None]) -> None:
        """Add pages for as long as a frame may wait."""
        end_s = time.monotonic() + _AT_ONCE_S
        for page in pages:
            if page is not None:
                self._add(page)
            if time.monotonic() > end_s:
                return
        self._drawing = None

    def _add(self, page: QImage) -> None:
        sheet = PageView(page, self.devicePixelRatioF(), self._sheets)
        self.pages.append(sheet)
        sheet.setAccessibleName(self.tr("Page {0}").format(len(self.pages)))
        self._column.addWidget(sheet, 0, Qt.AlignmentFlag.AlignHCenter)
        self._fit_pages()
        self._place_file()

    def _fit_pages(self) -> None:
        """Show the pages as wide as there is room for, and no wider than they are.

        Where they cannot be read at that, the report's words are shown instead.
        """
        edges = self._column.contentsMargins()
        bar = self._area.verticalScrollBar().sizeHint().width()
        room = self._area.width() - 2 * self._area.frameWidth() - bar - edges.left() - edges.right()
        narrow = any(room < _LEAST_PART * sheet.whole_px for sheet in self.pages)
        if narrow and not self._parts and self._report is not None:
            self._parts = parts_of(self._report, self._sheets)
            for place, part in enumerate(self._parts):
                self._column.insertWidget(place, part)
        for part in self._parts:
            part.setVisible(narrow)
        for sheet in self.pages:
            sheet.setVisible(not narrow)
            if not narrow:
                sheet.fit(room)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Fit the pages, and leave the title out where they need its room."""
        super().resizeEvent(event)
        self._title.setVisible(not self._is_low)
        self._place_file()
        self._fit_pages()

    @property
    def _is_low(self) -> bool:
        return self.height() < _ROOM_FOR_TITLE_PX

    def _place_file(self) -> None:
        """Have name and paper below what scrolls, or scroll with it where that needs the room."""
        self._whole.removeWidget(self._file)
        if self._is_low:
            self._column.addWidget(self._file)
        else:
            self._whole.insertWidget(self._whole.count() - 1, self._file)
        self._file.show()

    def say(self, words: str) -> None:
        """Say how something went, in a line that is there only then."""
        super().say(words)
        self._status.setVisible(bool(words))

    def _clear(self) -> None:
        self._drawing = None
        for shown in (*self.pages, *self._parts):
            self._column.removeWidget(shown)
            shown.deleteLater()
        self.pages.clear()
        self._parts.clear()

    def _write(self, ending: str) -> None:
        report, stem = self._report, self._path.text().strip()
        if report is None:
            self.say(self.tr("There is no report to write yet."))
            return
        if not stem:
            self.say(self.tr("The file has no name; type one."))
            self._path.setFocus()
            return
        path = Path(stem)
        try:
            path = path.expanduser().absolute()
            if path.parent == _documents():
                path.parent.mkdir(parents=True, exist_ok=True)
            path = path.with_name(path.name.removesuffix(ending) + ending)
            if path.exists():
                self.say(self.tr("“{0}” is there already; choose another name.").format(path))
                return
            if ending == ".html":
                write_page(report, path)
            else:
                write_pdf(report, path, self._paper.currentData())
        except (OSError, ValueError, RuntimeError, PrintFault) as fault:
            why = getattr(fault, "strerror", None) or str(fault)
            self.say(
                self.tr("“{0}” cannot be written: {1}; choose another place.").format(path, why)
            )
            return
        self.say(self.tr("Written: {0}").format(path))
        self.written.emit(path)

    def _lay_out(self) -> None:
        label = QLabel(self.tr("File"), self)
        label.setBuddy(self._path)
        self._file = QWidget(self)
        laid(QHBoxLayout(self._file), label, (self._path, FILLS), self._paper, flush=True)
        says = self.tr("Say who did the job, for whom, and with what")
        pdf, page = self.tr("Write the report as PDF"), self.tr("Write the report as HTML")
        buttons = button_row(
            TouchButton(self.tr("Write PDF"), "⏎", pdf, self.write_sheets, is_next=True),
            TouchButton(self.tr("Write HTML"), "", page, self.write_page),
            TouchButton(self.tr("Describe"), "", says, self.ask_to_describe),
            TouchButton(self.tr("Back"), "Esc", self.tr("Go back"), self.back.emit),
        )
        parts = self._title, (self._area, FILLS), self._status, self._file, buttons
        self._whole = laid(QVBoxLayout(self), *parts, flush=True)
        self.setTabOrder(self._area, self._path)
        self.setTabOrder(self._path, self._paper)


def _default_stem(record: JobRecord) -> Path:
    """Return where a report goes unless the person says otherwise: among the documents."""
    return _documents() / stem_for(record.drive.identity, record.number)


def _documents() -> Path:
    where = QStandardPaths.StandardLocation.DocumentsLocation
    return Path(QStandardPaths.writableLocation(where))
