"""The bar at the top of every page: what is open, and the ways to the other pages."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QWidget

from app.dashboard.buttons import TouchButton
from app.dashboard.needle.statelines import source_words
from app.dashboard.ways import Done, Ways
from app.live.view import View


class TopBar(QWidget):
    """The open source in words, and the buttons that every page has.

    Parameters
    ----------
    ways : Ways
        Where they lead.
    toggle_unit : callable
        Changes the unit of the offset.
    """

    def __init__(self, ways: Ways, toggle_unit: Done, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._remark = ""
        self._source = QLabel(self)
        self._source.setObjectName("source")
        self._source.setTextFormat(Qt.TextFormat.PlainText)
        self._source.setAccessibleName(self.tr("Open source"))
        # Its words never widen the window.
        self._source.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self._source, 1)
        source, unit = self.tr("Choose the source"), self.tr("Offset in µm or mil")
        drives = self.tr("Drives of the job book, and where a job begins")
        picture = self.tr("Save a picture of the window")
        page = self.tr("What the tool cannot do, cautions, keys")
        for words, key, description, done in (
            (self.tr("Source"), "F2", source, ways.sources),
            (self.tr("Drives"), "F12", drives, ways.drives),
            (self.tr("µm / mil"), "F4", unit, toggle_unit),
            (self.tr("Picture"), "F9", picture, ways.picture),
            (self.tr("Help"), "F1", page, ways.help),
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
