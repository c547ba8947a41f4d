"""The keys: all that a hand at the drive needs, with neither letters nor figures among them."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt

from app.dashboard.controls import LARGE_UM, SMALL_UM

if TYPE_CHECKING:
    from app.dashboard.window import Window

Pressed = tuple[Qt.Key, Qt.KeyboardModifier]
_PLAIN = Qt.KeyboardModifier.NoModifier
_SHIFT = Qt.KeyboardModifier.ShiftModifier


def key_table(window: Window) -> dict[Pressed, Callable[[], object]]:
    """Return what each key does in a window; help.py tells the user of them."""
    key, bench = Qt.Key, window.bench
    nudge, step = bench.hands.nudge, bench.hands.step
    anywhere: dict[Pressed, Callable[[], object]] = {
        (key.Key_F1, _PLAIN): window.show_first_page,
        (key.Key_F2, _PLAIN): window.show_chooser,
        (key.Key_F4, _PLAIN): bench.toggle_unit,
        (key.Key_F8, _PLAIN): window.chooser.look,
        (key.Key_F9, _PLAIN): window.keep_picture,
        (key.Key_F11, _PLAIN): window.toggle_full_screen,
        (key.Key_Escape, _PLAIN): window.escape,
    }
    at_the_needle: dict[Pressed, Callable[[], object]] = {
        (key.Key_F3, _PLAIN): bench.prompt.begin,
        (key.Key_F5, _PLAIN): bench.hands.reseat,
        (key.Key_F6, _PLAIN): bench.toggle_held,
        (key.Key_F7, _PLAIN): window.reopen_indexed,
        (key.Key_Space, _PLAIN): bench.toggle_frozen,
        (key.Key_Return, _PLAIN): bench.prompt.confirm,
        (key.Key_Enter, _PLAIN): bench.prompt.confirm,
        (key.Key_Left, _PLAIN): lambda: nudge(-SMALL_UM),
        (key.Key_Right, _PLAIN): lambda: nudge(SMALL_UM),
        (key.Key_Left, _SHIFT): lambda: nudge(-LARGE_UM),
        (key.Key_Right, _SHIFT): lambda: nudge(LARGE_UM),
        (key.Key_PageUp, _PLAIN): lambda: step(-1),
        (key.Key_PageDown, _PLAIN): lambda: step(1),
    }

    def only_there(done: Callable[[], object]) -> Callable[[], object]:
        return lambda: done() if window.page is bench else None

    return anywhere | {pressed: only_there(done) for pressed, done in at_the_needle.items()}
