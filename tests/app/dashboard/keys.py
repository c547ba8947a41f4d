"""Keys pressed where the keyboard's focus is."""

from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

KEY = Qt.Key
PLAIN = Qt.KeyboardModifier.NoModifier
SHIFT = Qt.KeyboardModifier.ShiftModifier
CONTROL = Qt.KeyboardModifier.ControlModifier


def press(*keys, modifier=PLAIN):
    """Press keys one after the other, each where the focus is by then."""
    for key in keys:
        QTest.keyClick(QApplication.focusWidget() or QApplication.activeWindow(), key, modifier)


def send(key, *, modifier=PLAIN, repeated=False):
    """Press a key as the system does: QTest warns of media keys, whose letters it looks for."""
    focused = QApplication.focusWidget()
    assert focused is not None
    QApplication.sendEvent(focused, QKeyEvent(QEvent.Type.KeyPress, key, modifier, "", repeated))


def lean_on(key, times=5, modifier=PLAIN):
    """Send what the system sends while a key is held down."""
    for number in range(times):
        send(key, modifier=modifier, repeated=number > 0)
