"""The second set of a job's keys, for the free right hand of who has tool or mouse in the left.

It is told by place, on the number pad, and there whether it writes figures or not. Where something
is typed the field takes the figures first.
"""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent

Pressed = tuple[Qt.Key, Qt.KeyboardModifier]
"""A key with what is held beside it."""

_KEYPAD = Qt.KeyboardModifier.KeypadModifier
_USUAL = {
    Qt.Key.Key_0: Qt.Key.Key_Backspace,
    Qt.Key.Key_Insert: Qt.Key.Key_Backspace,
    Qt.Key.Key_Period: Qt.Key.Key_F8,
    Qt.Key.Key_Comma: Qt.Key.Key_F8,
    Qt.Key.Key_Delete: Qt.Key.Key_F8,
    Qt.Key.Key_8: Qt.Key.Key_Up,
    Qt.Key.Key_2: Qt.Key.Key_Down,
    Qt.Key.Key_4: Qt.Key.Key_Left,
    Qt.Key.Key_6: Qt.Key.Key_Right,
}
"""The usual key of each; Enter of the pad, and its arrows, are those of everybody."""


def key_meant(event: QKeyEvent, *, by_place: bool) -> Pressed:
    """Return the usual key that is meant; `by_place` keys of the number pad have their second."""
    key, modifiers = Qt.Key(event.key()), event.modifiers()
    if by_place and modifiers == _KEYPAD:
        key = _USUAL.get(key, key)
    return key, modifiers & ~_KEYPAD
