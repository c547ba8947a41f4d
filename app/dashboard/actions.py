"""The ways through the window, which keys and buttons lead alike.

The keys: all that a hand at the drive needs, with neither letters nor figures among them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from PySide6.QtCore import Qt

from app.dashboard.job_panel.controller import JobController
from app.dashboard.needle_page.page import LARGE_UM, SMALL_UM, NeedlePage

Done = Callable[[], object]


@dataclass(frozen=True, slots=True)
class Ways:
    """What the window itself does for a key or a button.

    Attributes
    ----------
    at_needle : callable
        Returns whether the needle's page is in front.
    help, sources, drives : callable
        Show a page.
    look_again, picture, full_screen, escape, reopen_indexed : callable
        What their names say.
    """

    at_needle: Callable[[], bool]
    help: Done
    sources: Done
    drives: Done
    look_again: Done
    picture: Done
    full_screen: Done
    escape: Done
    reopen_indexed: Done


Pressed = tuple[Qt.Key, Qt.KeyboardModifier]
_MOVES = (Qt.Key.Key_Up, Qt.Key.Key_Down, Qt.Key.Key_Left, Qt.Key.Key_Right)
REPEATED = frozenset((*_MOVES, Qt.Key.Key_PageUp, Qt.Key.Key_PageDown))
"""Keys that do it again while they are held down; leant on, any other does what it does once."""
_PLAIN = Qt.KeyboardModifier.NoModifier
_SHIFT = Qt.KeyboardModifier.ShiftModifier


def key_table(ways: Ways, page: NeedlePage, controller: JobController) -> dict[Pressed, Done]:
    """Return what each key does in a window; help.py tells the user of them."""
    key = Qt.Key
    nudge, step = page.hands.nudge, page.hands.step
    anywhere: dict[Pressed, Done] = {
        (key.Key_F1, _PLAIN): ways.help,
        (key.Key_F2, _PLAIN): ways.sources,
        (key.Key_F4, _PLAIN): page.toggle_unit,
        (key.Key_F9, _PLAIN): ways.picture,
        (key.Key_F11, _PLAIN): ways.full_screen,
        (key.Key_F12, _PLAIN): ways.drives,
        (key.Key_Escape, _PLAIN): ways.escape,
    }
    at_the_needle: dict[Pressed, Done] = {
        (key.Key_F3, _PLAIN): page.prompt.begin,
        (key.Key_F5, _PLAIN): page.hands.reseat,
        (key.Key_F6, _PLAIN): page.toggle_held,
        (key.Key_F7, _PLAIN): ways.reopen_indexed,
        (key.Key_F8, _PLAIN): controller.skip,
        (key.Key_F8, _SHIFT): controller.close,
        (key.Key_F10, _PLAIN): page.toggle_zero,
        (key.Key_Space, _PLAIN): page.toggle_frozen,
        (key.Key_Backspace, _PLAIN): controller.back,
        (key.Key_Up, _PLAIN): lambda: controller.choose_next(-1),
        (key.Key_Down, _PLAIN): lambda: controller.choose_next(1),
        (key.Key_Left, _PLAIN): lambda: nudge(-SMALL_UM),
        (key.Key_Right, _PLAIN): lambda: nudge(SMALL_UM),
        (key.Key_Left, _SHIFT): lambda: nudge(-LARGE_UM),
        (key.Key_Right, _SHIFT): lambda: nudge(LARGE_UM),
        (key.Key_PageUp, _PLAIN): lambda: step(-1),
        (key.Key_PageDown, _PLAIN): lambda: step(1),
    }
    for enter in (key.Key_Return, key.Key_Enter):
        at_the_needle[enter, _PLAIN] = page.go_on
        at_the_needle[enter, _SHIFT] = controller.by_virtual_hand

    def only_where(done: Done, there: bool) -> Done:
        return lambda: done() if ways.at_needle() is there else None

    table = anywhere | {pressed: only_where(done, True) for pressed, done in at_the_needle.items()}
    skip = table[key.Key_F8, _PLAIN]
    look = only_where(ways.look_again, False)
    table[key.Key_F8, _PLAIN] = lambda: (skip(), look())
    return table
