"""Forms: fields one below the other, each with its label and with what is to be typed into it."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtWidgets import (
    QGridLayout,
    QLabel,
    QLineEdit,
    QSizePolicy,
    QStyle,
    QStyleOptionFrame,
    QWidget,
)

from app.dashboard.widgets import FILLS

_BESIDE_TYPED_PX = 4
"""That Qt leaves free on both sides of what is typed, within the field's own room."""
_REFITS = (
    QEvent.Type.Resize,
    QEvent.Type.StyleChange,
    QEvent.Type.FontChange,
    QEvent.Type.ShowToParent,
    QEvent.Type.HideToParent,
)


class Hint(QLabel):
    """What is to be typed into a field: within it while that is empty, or below where it is longer.

    `default` is what counts where nothing is typed; it always stands within the field.
    """

    def __init__(self, field: QLineEdit, words: str, default: str = "") -> None:
        super().__init__(words, field.parentWidget())
        self._field, self._default = field, default
        self.setProperty("quiet", True)
        self.setWordWrap(True)
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Minimum)
        field.installEventFilter(self)
        self._fit()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Find its place anew where the field has other room, or other letters."""
        if watched is self._field and event.type() in _REFITS:
            self._fit()
        return False

    def _fit(self) -> None:
        within = f"{self._default}   {self.text()}".strip()
        fits = self._field.fontMetrics().horizontalAdvance(within) <= typing_px(self._field)
        self._field.setPlaceholderText(within if fits else self._default)
        self.setVisible(not fits and not self._field.isHidden())


def typing_px(field: QLineEdit) -> int:
    """Return the width of what can be seen in a field."""
    box = QStyleOptionFrame()
    field.initStyleOption(box)
    place = field.style().subElementRect(QStyle.SubElement.SE_LineEditContents, box, field)
    return place.width() - _BESIDE_TYPED_PX


class FieldGrid(QGridLayout):
    """Fields, one below the other, each with its label before it and its hint below."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__()
        self._parent, self._rows = parent, 0
        self.setColumnStretch(1, FILLS)

    def add_field(
        self, words: str, field: QWidget, hint: Hint | None = None, buddy: QWidget | None = None
    ) -> QLabel:
        """Add a field below the others, and return its label.

        `buddy` is what the label names where the field is only a part of what stands there.
        """
        label = QLabel(words, self._parent)
        label.setBuddy(buddy or field)
        self.addWidget(label, self._rows, 0)
        self.addWidget(field, self._rows, 1)
        self._rows += 1
        if hint is not None:
            self.addWidget(hint, self._rows, 1)
            self._rows += 1
        return label
