"""Buttons for a gloved finger, each with its key in plain sight."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QPushButton, QSizePolicy, QWidget

from app.dashboard.fields import is_enter


class TouchButton(QPushButton):
    """A button that Space and Enter press, and that a click does not take the focus to.

    The keys of the hand at the drive so stay with the needle after a press.

    Parameters
    ----------
    words, key : str
        What it does, and the key that does it from anywhere; the key may be empty.
    description : str
        One sentence for a screen reader and the tool tip.
    pressed : callable
        What is done.
    """

    def __init__(
        self,
        words: str,
        key: str,
        description: str,
        pressed: Callable[[], object],
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._key = key
        self.say(words)
        self.setAccessibleDescription(description)
        self.setToolTip(description)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        self.clicked.connect(lambda: pressed())

    def say(self, words: str) -> None:
        """Change the words."""
        self.setText(f"{words}  {self._key}".rstrip())
        self.setAccessibleName(words)

    def set_next(self, is_next: bool) -> None:
        """Mark it as the next thing to do."""
        if self.property("next") != is_next:
            self.setProperty("next", is_next)
            self.style().unpolish(self)
            self.style().polish(self)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Let Enter press as Space does, once while it is held; with Shift it is another's."""
        if is_enter(event):
            if not event.isAutoRepeat():
                self.click()
        elif event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
            event.ignore()
        else:
            super().keyPressEvent(event)
