"""The window's pages, of which one is shown."""

from __future__ import annotations

from PySide6.QtWidgets import QStackedWidget, QWidget


class PageStack(QStackedWidget):
    """Shows one page at a time, and styles each when it is shown.

    A sheet is worked out anew for every part of a page, for 0.1 s or so: all pages at once would
    hold the needle up at each width that the window's edge is drawn to.
    """

    def __init__(self, first: QWidget, parent: QWidget) -> None:
        super().__init__(parent)
        self._sheet = ""
        self.addWidget(first)

    @property
    def shown(self) -> QWidget:
        """The page in front."""
        page = self.currentWidget()
        assert page is not None  # the first is there from the start
        return page

    def put_in_front(self, page: QWidget) -> None:
        """Show a page in place of the one that is shown."""
        # Not as it is made: a page of no width yet would keep room for what does not fit.
        _put_on(page, self._sheet)
        self.setCurrentWidget(page)

    def style_by(self, sheet: str, around: tuple[QWidget, ...]) -> None:
        """Style pages, and parts that stand around them, by a sheet from now on."""
        self._sheet = sheet
        for part in (*around, self.shown):
            _put_on(part, sheet)


def _put_on(part: QWidget, sheet: str) -> None:
    if sheet != part.styleSheet():
        part.setStyleSheet(sheet)
