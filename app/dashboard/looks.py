"""How the window looks and moves: what its user chooses by menu or key, and what is remembered."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from PySide6.QtCore import QObject

from app.dashboard.motion import Motion
from app.dashboard.settings import Settings
from app.dashboard.style import Colours
from app.dashboard.translation import lacks, language_of, name_of, next_choice


class Remark(Protocol):
    """Says something in the bar above."""

    def __call__(self, words: str, *, passing: bool = False) -> None:
        """Say it; a `passing` remark goes by itself."""
        ...


class Shown(Protocol):
    """The window, as far as it takes on what is chosen."""

    def apply_system_theme(self) -> None:
        """Take on the colours that are chosen."""
        ...

    def stand_for(self, *, left_handed: bool) -> None:
        """Be laid out for a hand."""
        ...


class Looks(QObject):
    """The choices among looks.

    Parameters
    ----------
    settings : Settings
        Keep them from one run to the next.
    shown : Shown
        Takes them on.
    reduce_needle : callable
        Lets the needle jump, or swing.
    remark : Remark
        Says what is chosen.
    """

    def __init__(
        self,
        settings: Settings,
        shown: Shown,
        reduce_needle: Callable[[bool], None],
        remark: Remark,
    ) -> None:
        super().__init__()
        self._settings, self._shown = settings, shown
        self._reduce_needle, self._remark = reduce_needle, remark
        self._motion = Motion()
        self._move()

    def next_language(self) -> None:
        """Take the next language, which is spoken when the window is opened again."""
        choice = next_choice(self._settings.language)
        self._settings.language = choice
        self._settings.save()
        words = self.tr("From the next start on: the language of the system, {0}.")
        if choice:
            words = self.tr("From the next start on: {0}.")
        code = language_of(choice)
        try:
            of_language = lacks(code)
        except OSError:
            of_language = self.tr("Its catalogue is damaged: English is spoken in its place.")
        self._remark(f"{words.format(name_of(code))} {of_language}".rstrip())

    def next_colours(self) -> None:
        """Take the next set of colours: the system's, light, dark, high contrast."""
        self._settings.colours = self._settings.colours.next
        self._settings.save()
        self._shown.apply_system_theme()
        words = {
            Colours.SYSTEM: self.tr("The colours are the system's."),
            Colours.LIGHT: self.tr("The colours are light."),
            Colours.DARK: self.tr("The colours are dark."),
            Colours.CONTRAST: self.tr("The colours are of high contrast."),
        }
        self._remark(words[self._settings.colours], passing=True)

    def change_hand(self) -> None:
        """Lay the window out for the other hand."""
        left_handed = not self._settings.left_handed
        self._settings.left_handed = left_handed
        self._settings.save()
        self._shown.stand_for(left_handed=left_handed)
        words = {
            True: self.tr("Laid out for the left hand."),
            False: self.tr("Laid out for the right hand."),
        }
        self._remark(words[left_handed], passing=True)

    def change_motion(self) -> None:
        """Let nothing move or blink that says no more by it, or all as usual."""
        reduced = not self._settings.reduced_motion
        self._settings.reduced_motion = reduced
        self._settings.save()
        self._move()
        words = {
            True: self.tr("Reduced motion: the needle jumps, nothing blinks or fades."),
            False: self.tr("The needle swings as usual."),
        }
        self._remark(words[reduced], passing=True)

    def _move(self) -> None:
        self._reduce_needle(self._settings.reduced_motion)
        self._motion.reduce(self._settings.reduced_motion)
