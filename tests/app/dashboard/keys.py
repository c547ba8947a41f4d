"""Keys pressed where the keyboard's focus is."""

from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

KEY = Qt.Key
PLAIN = Qt.KeyboardModifier.NoModifier
SHIFT = Qt.KeyboardModifier.ShiftModifier


def press(*keys, modifier=PLAIN):
    """Press keys one after the other, each where the focus is by then."""
    for key in keys:
        QTest.keyClick(QApplication.focusWidget() or QApplication.activeWindow(), key, modifier)
