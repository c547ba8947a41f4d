"""Lists and fields in which Enter does one thing: what Qt passes on would do the next one too."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QLineEdit, QListWidget, QWidget

ENTERS = (Qt.Key.Key_Return, Qt.Key.Key_Enter)


def is_enter(event: QKeyEvent) -> bool:
    """Return whether a key is Enter, of either kind and without Shift."""
    shifted = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
    return event.key() in ENTERS and not shifted


class NamedList(QListWidget):
    """An empty list, named for a screen reader; long rows are cut short."""

    asked = Signal()
    """Enter, whether a row is chosen or none; or a row was pressed twice."""

    def __init__(self, name: str, description: str, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAccessibleName(name)
        self.setAccessibleDescription(description)
        self.setTextElideMode(Qt.TextElideMode.ElideRight)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.itemActivated.connect(lambda _: self.asked.emit())

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Let Enter ask for what the list is for, once and not again while it is held down."""
        if not is_enter(event):
            super().keyPressEvent(event)
        elif not event.isAutoRepeat():
            self.asked.emit()


class Field(QLineEdit):
    """A line to type into."""

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Let Enter take what stands there, once and not again while it is held down."""
        if not is_enter(event):
            super().keyPressEvent(event)
        elif not event.isAutoRepeat():
            self.returnPressed.emit()
