"""Reduced motion: what moves or blinks without saying more than one that stands still.

Qt 6.11 does not tell what the system's user has chosen: its `QAccessibilityHints` knows contrast
alone, and its `UI_General` effect is off on desktops that are silent about it. So the window asks.
"""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication

_OF_THE_SYSTEM = -1
"""Milliseconds of the cursor's blinking that stand for those of the system."""
_EFFECTS = (
    Qt.UIEffect.UI_AnimateMenu,
    Qt.UIEffect.UI_FadeMenu,
    Qt.UIEffect.UI_AnimateCombo,
    Qt.UIEffect.UI_AnimateTooltip,
    Qt.UIEffect.UI_FadeTooltip,
)


class Motion:
    """What the toolkit itself moves in the whole program; the needle is told by its page."""

    def __init__(self) -> None:
        self._stopped: list[Qt.UIEffect] = []
        self._is_reduced = False

    def reduce(self, reduced: bool) -> None:
        """Let cursors not blink, and menus, boxes and tips not slide or fade; or as before."""
        if reduced == self._is_reduced:
            return
        self._is_reduced = reduced
        QGuiApplication.styleHints().setCursorFlashTime(0 if reduced else _OF_THE_SYSTEM)
        if reduced:
            self._stopped = [each for each in _EFFECTS if QApplication.isEffectEnabled(each)]
        for each in self._stopped:
            QApplication.setEffectEnabled(each, not reduced)
