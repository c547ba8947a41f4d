"""The page before a job: whether what is kept of the input is looked at once more by test tones.

Threads: a thread *recheck* plays and measures, which takes ten seconds, and ends by itself. The
window's timer takes its result.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QLabel, QVBoxLayout, QWidget

from app.dashboard.background import in_background
from app.dashboard.plain import plain
from app.dashboard.source_words import source_words
from app.dashboard.widgets import FILLS, Page, TouchButton, button_row, laid, on_enter

if TYPE_CHECKING:
    from app.live.session import OpenPlayer, Rechecked, Session


class RecheckPage(Page):
    """Asks, plays where it may, and tells what came of it; then the job begins.

    `open_player` opens the output that plays; without it nothing is asked.
    """

    decided = Signal()
    """The job may begin: the source runs."""

    def __init__(
        self, session: Session, open_player: OpenPlayer | None, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._session, self._open_player = session, open_player
        self._work: Future[Rechecked] | None = None
        self._told = ""
        self._next: Callable[[], None] = self.play
        self._waits_for_source = False
        self._title.setText(self.tr("Does what was checked of this input still hold?"))
        self._words = QLabel(self)
        self._words.setWordWrap(True)
        self._words.setTextFormat(Qt.TextFormat.PlainText)
        plays = self.tr("Play test tones for ten seconds, and look")
        without = self.tr("Begin the job with what is kept, and play nothing")
        back = self.tr("Go back to the needle")
        self._on = TouchButton(
            self.tr("Play and look"), "⏎", plays, lambda: self._next(), self, is_next=True
        )
        self._skip = TouchButton(self.tr("Begin without"), "", without, self.go_on, self)
        self._back = TouchButton(self.tr("Back"), "Esc", back, self.back.emit, self)
        buttons = button_row(self._on, self._skip, self._back)
        laid(QVBoxLayout(self), self._title, self._words, self._status, FILLS, buttons, flush=True)

    @property
    def asks(self) -> bool:
        """Whether there is something to look at, and an output to do it by."""
        return self._open_player is not None and bool(self._session.recheck_words)

    def activate(self) -> None:
        """Ask."""
        self._waits_for_source = False
        self._words.setText(plain(self._session.recheck_words))
        self.say("")
        self._offer(self.tr("Play and look"), self.play)

    def play(self) -> None:
        """Play and look, in a thread of its own; the needle rests meanwhile."""
        if self._work is not None or self._open_player is None:
            return
        work = self._session.recheck(self._open_player, self._tell)
        self._told = self.tr("Listening …")
        self._offer("", None)
        self._work = in_background("recheck", work)

    def go_on(self) -> None:
        """Let the job begin, once the source runs."""
        if self._work is None:
            self._waits_for_source = True
            self.refresh()

    def refresh(self) -> None:
        """Show how far it is, and what came of it."""
        if self._work is not None:
            if self._work.done():
                work, self._work = self._work, None
                self._session.reopen()
                self._take(work.result())
            else:
                self.say(source_words(self._told))
        elif self._waits_for_source and self._session.origin() is not None:
            self._waits_for_source = False
            self.decided.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Do on Enter what the first button says."""
        if not on_enter(event, lambda: self._next()):
            super().keyPressEvent(event)

    def _take(self, found: Rechecked) -> None:
        if found.fault:
            again = self.tr("{0}. Mend it and play again, or begin without.")
            self.say(again.format(source_words(found.fault)))
            self._offer(self.tr("Play again"), self.play)
        elif found.moved:
            counts = self.tr("It counts no more: {0}. The job is read without it.")
            self.say(counts.format(found.moved))
            self._offer(self.tr("Begin the job"), self.go_on)
        else:
            self.say(self.tr("It still holds."))
            self.go_on()

    def _offer(self, words: str, do: Callable[[], None] | None) -> None:
        """Let the first button stand for something, or let nothing be done but wait."""
        self._next = do or (lambda: None)
        for button in (self._on, self._skip, self._back):
            button.setEnabled(do is not None)
        if do is not None:
            self._on.say(words)
            self._on.setFocus()

    def _tell(self, line: str) -> None:
        # From the thread that plays; shown by the next refresh.
        self._told = line
