"""The ways through the window, which keys and buttons lead alike."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

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
