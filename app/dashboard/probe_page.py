"""The page on which an input is measured, and the probe before it, by test tones.

Threads: a thread *probe* plays and measures, which takes a minute, and ends by itself. The window's
timer takes its result.
"""

from __future__ import annotations

from concurrent.futures import Future
from typing import TYPE_CHECKING

from PySide6.QtCore import QTimer, Signal
from PySide6.QtWidgets import QLabel, QWidget

from app.dashboard.background import in_background
from app.dashboard.forms import FieldGrid, Hint
from app.dashboard.source_words import source_words
from app.dashboard.widgets import FILLS, Field, Page, TouchButton, button_row
from app.live.view import Phase

if TYPE_CHECKING:
    from app.live.session import OpenPlayer, Proved, Session

_ALL_PERCENT = "100"


class ProbePage(Page):
    """Tells what is to be wired, asks for output and level, plays, and tells what came of it.

    `open_player` opens the output that plays.
    """

    told = Signal(str)
    """What came of it, for whoever looks at another page by then."""

    def __init__(
        self, session: Session, open_player: OpenPlayer | None, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._session, self._open_player = session, open_player
        self._work: Future[Proved] | None = None
        self._told = ""
        self._waits_for_source = False
        self._title.setText(self.tr("Measure the probe"))
        self._words = QLabel(
            self.tr(
                "Test tones are played on a sound output, from nothing up to the level that you "
                "allow, for a minute. Stop the drive's motor. Unplug headphones and loudspeakers; "
                "lead the output through the probe to the input, and nowhere else."
            ),
            self,
        )
        self._words.setWordWrap(True)
        fields = FieldGrid(self)
        self.output = self._field(
            fields, self.tr("Output that plays"), self.tr("its name, or a part of it")
        )
        highest = self.tr("of the output's full scale")
        self.at_most = self._field(fields, self.tr("Highest level (%)"), highest, _ALL_PERCENT)
        plays = self.tr("Play test tones for a minute, and keep what is found of this input")
        back = self.tr("Go back to the needle")
        self._on = TouchButton(
            self.tr("Play and measure"), "⏎", plays, self.play, self, is_next=True
        )
        self._back = TouchButton(self.tr("Back"), "Esc", back, self.back.emit, self)
        buttons = button_row(self._on, self._back)
        self._lay_scrolling((self._title, self._words, fields, self._status, FILLS), buttons)
        assert self._content_area is not None
        # What is said in several lines is laid out once more.
        self._content_area.verticalScrollBar().rangeChanged.connect(self._show_status)

    def _field(self, grid: FieldGrid, words: str, hint: str, default: str = "") -> Field:
        field = Field(words, hint, self)
        field.returnPressed.connect(self.play)
        grid.add_field(words, field, Hint(field, hint, default))
        return field

    @property
    def busy(self) -> bool:
        """Whether tones are being played."""
        return self._work is not None

    def activate(self) -> None:
        """Get ready for the keyboard."""
        if not self.busy:
            self._waits_for_source = False
            self.say("")
            self.output.setFocus()

    def play(self) -> None:
        """Play and measure, in a thread of its own; the needle rests meanwhile."""
        if self.busy or self._open_player is None:
            return
        part = self._part()
        output = self.output.text().strip()
        if not output:
            self.say(self.tr("Name the output that plays: a part of its name will do."))
            self.output.setFocus()
        elif part is None:
            self.say(self.tr("The highest level is above 0 and at most 100 %."))
            self.at_most.setFocus()
        elif self._session.view().phase is Phase.OPENING:
            self._waits_for_source = True
            self.say(self.tr("The input is being opened …"))
        elif self._session.origin() is None:
            self.say(self.tr("No source is running; open the input that is to be measured."))
        else:
            work = self._session.prove(self._open_player, output, part, self._tell)
            self._told = self.tr("Listening …")
            self._let_ask(allowed=False)
            self._work = in_background("probe", work)

    def refresh(self) -> None:
        """Show how far it is, and what came of it."""
        if self._waits_for_source and self._session.view().phase is not Phase.OPENING:
            self._waits_for_source = False
            if self.isVisible():
                self.play()
        if self._work is None:
            return
        if not self._work.done():
            self.say(source_words(self._told))
            return
        work, self._work = self._work, None
        self._session.reopen()
        self._let_ask(allowed=True)
        found = work.result()
        if self.isVisible():
            # Before what is said: of the two that is what has to be seen.
            (self.output if found.proof is None else self._back).setFocus()
        if found.proof is None:
            again = self.tr("{0}. Mend it and play again; nothing is kept.")
            self.say(again.format(source_words(found.fault)))
        else:
            self.say(self._words_for(found))
        if not self.isVisible():
            self.told.emit(f"{self._title.text()}: {self.status}")

    def say(self, words: str) -> None:
        """Say how it goes, and scroll to that in a low window: tones are waited for by it."""
        if words != self.status:
            super().say(words)
            # Once the page is laid out.
            QTimer.singleShot(0, self, self._show_status)

    def _show_status(self) -> None:
        if self.status and self._content_area is not None:
            self._content_area.ensureWidgetVisible(self._status, 0, 0)

    def _words_for(self, found: Proved) -> str:
        words = self.tr("Measured, and kept: this input is read by it from now on.")
        if found.corner is None:
            return words
        value_hz, expanded_hz = found.corner
        coupled = self.tr("Its low corner is {0} ± {1} Hz.")
        return f"{words} {coupled.format(f'{value_hz:.3g}', f'{expanded_hz:.2g}')}"

    def _part(self) -> float | None:
        """Return the highest level as a part of full scale, None where what is typed is none."""
        try:
            percent = float((self.at_most.text().strip() or _ALL_PERCENT).replace(",", "."))
        except ValueError:
            return None
        return percent / 100.0 if 0.0 < percent <= 100.0 else None

    def _let_ask(self, *, allowed: bool) -> None:
        for each in (self._on, self._back, self.output, self.at_most):
            each.setEnabled(allowed)

    def _tell(self, line: str) -> None:
        # From the thread that plays; shown by the next refresh.
        self._told = line
