"""Words for whoever does not look, said when something happens and not only where the focus is."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtGui import QAccessible
from PySide6.QtWidgets import QWidget

from app.dashboard.ear import Ear, heard_of
from app.dashboard.job_panel.controller import JobController
from app.dashboard.job_panel.panel import card_of
from app.dashboard.job_panel.telling import JobTeller, asked_words, sentences, turning_words
from app.dashboard.text import Face, current_reading, translate, without_numbers
from app.dashboard.widgets import Page, announce
from app.ear.guide import Changes
from app.ear.voice import Chime
from app.live.view import View

_APART_S = 1.0
"""Between two sentences of the needle: a reader takes about as long for one."""
_READ_APART_S = 3.0
"""The same for the system's speech, which is slower and has no key that stops it."""
_LONGEST_S = 20.0
"""After so long a sentence is over, or what speaks it hangs: that must not silence the needle."""
Say = Callable[[str, bool], None]
"""Has words said; the second is whether they are urgent."""


class Announcer:
    """Tells what a needle does, at most once in a while, and as it stands then.

    Parameters
    ----------
    say : callable
        Has words said.
    apart_s : float
        The least time between two sentences.
    from_now : bool
        Whether how the needle stands at first is news.
    """

    def __init__(self, say: Say, apart_s: float = _APART_S, *, from_now: bool = False) -> None:
        self._say = say
        self._apart_s = apart_s
        self._changes = Changes()
        self._parked_by = ""
        self._owed: Chime | None = None
        self._is_back = from_now
        self._owed_at_s: float | None = None
        self._said_at_s = float("-inf")

    def show(
        self, face: Face, set_limit: float, turning: str, now_s: float, *, is_heard: bool = True
    ) -> None:
        """Tell what is new.

        Parameters
        ----------
        face : Face
            What the needle shows now.
        set_limit : float
            The limit that is told when it is crossed, a difference of the lobes.
        turning : str
            How far a nudge that a job asks for has to go still; empty where none does.
        now_s : float
            Monotonic time.
        is_heard : bool
            Whether it may be told now, and no sentence before it is cut off by that.
        """
        self._owe(face, set_limit)
        if self._owed is None and not self._is_back:
            self._owed_at_s = None
            return
        if self._owed_at_s is None:
            self._owed_at_s = now_s
        is_heard |= now_s - self._owed_at_s >= _LONGEST_S
        if is_heard and now_s - self._said_at_s >= self._apart_s:
            self._owed_at_s = None
            owed, self._owed, self._is_back = self._owed, None, False
            self._said_at_s = now_s
            words = " ".join(filter(None, (_sentence(owed, face), turning)))
            self._say(words, owed is Chime.PARKED)

    def _owe(self, face: Face, set_limit: float) -> None:
        """Note what is to be told; of what comes sooner than it can be told the newest stays."""
        change = self._changes.show(heard_of(face, set_limit))
        # An age that goes on counting is no other reason.
        parked_by = "" if face.balance is not None else without_numbers(face.spoken)
        is_other, was_parked = parked_by != self._parked_by, bool(self._parked_by)
        self._parked_by = parked_by
        if parked_by:
            self._is_back = False
            self._owed = Chime.PARKED if is_other else self._owed
            return
        if was_parked:
            self._is_back, self._owed = True, None
        if change is not None:
            self._owed = change
        elif face.moving and self._owed is Chime.SETTLED:
            self._owed = None


def _sentence(change: Chime | None, face: Face) -> str:
    """Return a change in words, and how the needle stands."""
    words: dict[Chime | None, str] = {
        Chime.SETTLED: translate("dashboard", "Standing still."),
        Chime.ARRIVED: translate("dashboard", "Within the set limit."),
        Chime.LEFT: translate("dashboard", "Beyond the set limit."),
    }
    return " ".join(filter(None, (words.get(change), face.spoken)))


class Teller:
    """Tells page, needle and job to a screen reader, needle and job to the system's speech.

    Parameters
    ----------
    window : QWidget
        In whose name it is told.
    controller : JobController
        Leads the job.
    ear : Ear
        Reads aloud while that is wanted: what is new of the job at once, of the needle when all
        that is being read has come to its end.
    """

    def __init__(self, window: QWidget, controller: JobController, ear: Ear) -> None:
        self._window, self._controller, self._ear = window, controller, ear
        self._needle = Announcer(lambda words, urgent: announce(window, words, urgent=urgent))
        # One who listens from now on is told how all stands, whatever the other has heard.
        self._read_out, self._announced = JobTeller(), JobTeller()
        self._read_needle = self._reading_needle()
        self._page: QWidget | None = None

    def _reading_needle(self) -> Announcer:
        return Announcer(lambda words, _: self._ear.read(words), _READ_APART_S, from_now=True)

    def show(
        self, page: QWidget | None, face: Face, set_limit: float, view: View, now_s: float
    ) -> None:
        """Tell what is new of the page in front, of what the needle shows, and of the job."""
        is_read = QAccessible.isActive()
        if not self._ear.reads:
            self._read_out, self._read_needle = JobTeller(), self._reading_needle()
            if not is_read:
                return
        reading = current_reading(view, now_s)
        card = card_of(self._controller, reading)
        turning = turning_words(self._controller, card, reading)
        if self._ear.reads:
            self._ear.read(self._read_out.news(self._controller, card, reading))
            is_heard = not self._ear.is_speaking
            self._read_needle.show(face, set_limit, turning, now_s, is_heard=is_heard)
        if not is_read:
            return
        before, self._page = self._page, page
        if isinstance(page, Page) and page is not before:
            for words in filter(None, (page.title, page.status)):
                announce(self._window, words)
        self._needle.show(face, set_limit, turning, now_s)
        news = self._announced.news(self._controller, card, reading)
        if news:
            announce(self._window, news)

    def say_again(self, page: QWidget | None, face: Face, view: View, now_s: float) -> None:
        """Say how the needle stands and what is asked, or else what a page says."""
        if isinstance(page, Page):
            words = sentences(page.title, page.status)
        else:
            reading = current_reading(view, now_s)
            card = card_of(self._controller, reading)
            turning = turning_words(self._controller, card, reading)
            words = sentences(face.spoken, asked_words(card), turning or card.live)
        announce(self._window, words, urgent=True)
        self._ear.read(words)
