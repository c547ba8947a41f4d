"""The bar at the top of every page: what is open, and the ways to the other pages."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QHBoxLayout, QLabel, QWidget

from app.dashboard.buttons import TouchButton
from app.dashboard.state import source_words
from app.view import View

if TYPE_CHECKING:
    from app.dashboard.window import Window


class TopBar(QWidget):
    """The open source in words, and the buttons that every page has.

    Parameters
    ----------
    window : Window
        Whose pages they lead to.
    """

    def __init__(self, window: Window) -> None:
        super().__init__(window)
        self._remark = ""
        self._source = QLabel(self)
        self._source.setObjectName("source")
        self._source.setAccessibleName(self.tr("Open source"))
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self._source, 1)
        source, unit = self.tr("Choose the source"), self.tr("Offset in µm or mil")
        picture = self.tr("Save a picture of the window")
        page = self.tr("What the tool cannot do, cautions, keys")
        for words, key, description, done in (
            (self.tr("Source"), "F2", source, window.show_chooser),
            (self.tr("µm / mil"), "F4", unit, window.bench.toggle_unit),
            (self.tr("Picture"), "F9", picture, window.keep_picture),
            (self.tr("Help"), "F1", page, window.show_first_page),
        ):
            layout.addWidget(TouchButton(words, key, description, done, self))

    @property
    def words(self) -> str:
        """What is shown."""
        return self._source.text()

    def remark(self, words: str) -> None:
        """Add a remark, in place of the last one."""
        self._remark = words

    def follow(self, view: View) -> None:
        """Show what is open."""
        words = "  ·  ".join(each for each in (source_words(view), self._remark) if each)
        if words != self.words:
            self._source.setText(words)
