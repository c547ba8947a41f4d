"""The tour: five cards over the virtual drive; what was open before comes back at its end."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from PySide6.QtWidgets import QWidget

from app.dashboard.callout import Callout, Pointer
from app.dashboard.needle_page.page import NeedlePage
from app.dashboard.text import translate
from app.dashboard.top_bar import TopBar
from app.live.opening import Opening
from app.live.view import Phase
from app.profiles import Profile, load_profile

if TYPE_CHECKING:
    from app.live.session import Session

_OPENING = Opening("sim:offset_um=-30&seed=1")
_CLASS = "130mm-48tpi"
"""Of the virtual drive."""
_NOTHING_OPEN = (Phase.CLOSED, Phase.FAILED)


class Bench(Protocol):
    """What the tour asks of the window."""

    needle_page: NeedlePage
    top_bar: TopBar
    chosen_class: Profile

    @property
    def opening(self) -> Opening:
        """What was opened last."""
        ...

    @property
    def page(self) -> QWidget | None:
        """The page in front."""
        ...

    @property
    def at_work(self) -> bool:
        """Whether a job is in hand that is not closed."""
        ...

    def show_page(self, page: QWidget) -> None:
        """Show a page again, as it is."""
        ...

    def open_source(self, opening: Opening) -> None:
        """Open a source and show the needle."""
        ...

    def close_source(self) -> None:
        """Close what is open."""
        ...

    def judge_by(self, profile: Profile) -> None:
        """Let a class and a disk count for what is opened next."""
        ...

    def show_needle(self) -> None:
        """Show the needle."""
        ...


class Tour:
    """Leads through the window, and leaves it as it was."""

    def __init__(self, session: Session, bench: Bench, callout: Callout) -> None:
        self._session, self._bench, self._callout = session, bench, callout
        self._before: tuple[Opening, Profile] | None = None
        self._page: QWidget | None = None
        self._alone = (False, False)
        self.is_on = False

    def begin(self) -> None:
        """Lead through the window; first ask where something is open that is no virtual drive."""
        if self.is_on:
            return
        bench, view = self._bench, self._session.view()
        is_open = view.phase not in _NOTHING_OPEN
        if is_open and view.virtual:
            self._walk()
        elif bench.at_work:
            words = translate("tour", "The tour waits until the job in hand is closed (⇧F8).")
            bench.top_bar.remark(words)
        elif is_open:
            self._ask(view.source)
        else:
            self._walk_over(Opening())

    def _ask(self, source: str) -> None:
        """Ask whether what is open may be closed meanwhile."""
        before = self._bench.opening
        before = before if before.address else Opening(source)
        words = translate(
            "tour",
            "The tour is made over the virtual drive: “{0}” is closed for it, and opened again "
            "when the tour ends.",
        )
        title = translate("tour", "Close what is open?")
        asked = Pointer(title, words.format(source), lambda: self._bench.top_bar)
        yes = translate("tour", "Close it and begin"), lambda: self._walk_over(before)
        self._callout.explain((asked,), leads_to=yes)

    def _walk_over(self, before: Opening) -> None:
        """Open the virtual drive in place of what was open before, and lead through the window."""
        page = self._bench.page
        self._before = before, self._bench.chosen_class
        self._bench.judge_by(load_profile(_CLASS))
        self._bench.open_source(_OPENING)
        self._walk(page)

    def _walk(self, page: QWidget | None = None) -> None:
        bench = self._bench
        self._page = page or bench.page
        bench.show_needle()
        self._alone = bench.needle_page.alone
        bench.needle_page.alone = (False, False)
        self.is_on = True
        cards = cards_of(bench.needle_page, bench.top_bar, at_work=bench.at_work)
        self._callout.explain(cards, ended=self._leave)

    def _leave(self) -> None:
        """Let all be as it was; whoever has gone to another page meanwhile stays there."""
        bench, before = self._bench, self._before
        page = self._page if bench.page is bench.needle_page else bench.page
        self.is_on, self._before, self._page = False, None, None
        bench.needle_page.alone = self._alone
        if before is not None:
            opening, profile = before
            bench.judge_by(profile)
            if opening.address:
                bench.open_source(opening)
            else:
                bench.close_source()
        if page is not None:
            bench.show_page(page)


def cards_of(page: NeedlePage, bar: TopBar, *, at_work: bool) -> tuple[Pointer, ...]:
    """Return the five cards; `at_work` a job's card is there to be pointed at."""
    return (
        Pointer(
            translate("tour", "The needle and its two sides"),
            translate(
                "tour",
                "The needle tells how uneven the two lobes are: to the left of 0 the head stands "
                "inward of its line, to the right outward. It may be anywhere in the faint "
                "sector. ← and → nudge this virtual drive: try it. A touch on any word, or ⇧F1, "
                "tells what it means.",
            ),
            lambda: page.needle,
        ),
        Pointer(
            translate("tour", "The state, and why the needle parks"),
            translate(
                "tour",
                "Level, noise, speed and lock of the turn, each with a mark of its own shape. "
                "What spoils a reading parks the needle at its rest, and the reason stands in the "
                "place of the verdict; it comes back by itself. PgDn steps off the track and "
                "shows it, PgUp steps back.",
            ),
            lambda: page.status,
        ),
        Pointer(
            translate("tour", "The trace"),
            translate(
                "tour",
                "One turn of the envelope with both of its lobes; as high as each other is what "
                "the needle calls 0. Space freezes it, F6 keeps a turn to compare with, and End "
                "gives it the whole window.",
            ),
            lambda: page.trace,
        ),
        Pointer(
            translate("tour", "A job, and its card"),
            translate(
                "tour",
                "F12 lists the drives of your job book and begins a job. Its card stands beside "
                "the needle and asks for one thing at a time: Enter goes on, ⌫ takes the last "
                "answer back. What was measured is kept at once.",
            ),
            lambda: page.job if at_work else bar.button_of("F12"),
        ),
        Pointer(
            translate("tour", "Report and practice"),
            translate(
                "tour",
                "A job ends with a report: a page in plain words for the drive's owner, and all "
                "figures behind it. To try a whole job, choose Practice in this menu: it hides a "
                "fault in the virtual drive, and tells you in the end what it was.",
            ),
            lambda: bar.button_of(""),
        ),
    )
