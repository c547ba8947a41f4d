"""The window: its pages and its keys.

Threads: everything here runs in the thread of the GUI. A timer takes :meth:`Session.view` once a
frame. The newest view wins, and no sample is dropped for the screen's sake.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import (
    QCloseEvent,
    QDragEnterEvent,
    QDropEvent,
    QGuiApplication,
    QKeyEvent,
    QResizeEvent,
    QShowEvent,
)
from PySide6.QtWidgets import (
    QAbstractScrollArea,
    QVBoxLayout,
    QWidget,
)

from app.blackbox.recorder import BlackBox
from app.book.model import BookError, Drive, RefusedError, ResumableJob
from app.dashboard.announcing import Teller
from app.dashboard.callout import Callout
from app.dashboard.cycles import collect_due
from app.dashboard.describe_page import DescribePage
from app.dashboard.drives_page import DrivesPage
from app.dashboard.ear import Ear, OpenOutput
from app.dashboard.going_on import LearnedKey
from app.dashboard.help_page import HelpPage
from app.dashboard.job_panel.controller import JobController
from app.dashboard.keeping import Keeper
from app.dashboard.looks import Looks
from app.dashboard.menu import entries_of
from app.dashboard.needle_page.page import LARGE_UM, SMALL_UM, NeedlePage
from app.dashboard.needle_page.prompt_line import INDEXED_ROLES
from app.dashboard.neighbours import Neighbours
from app.dashboard.number_pad import Pressed, key_meant
from app.dashboard.page_stack import PageStack
from app.dashboard.practice_page import DebriefPage, PracticePage
from app.dashboard.probe_page import ProbePage
from app.dashboard.recheck_page import RecheckPage
from app.dashboard.report_page import ReportPage
from app.dashboard.settings import Choice, Settings
from app.dashboard.source_page.page import SourcePage
from app.dashboard.style import Sizes, Theme, palette_for, style_sheet, theme_for
from app.dashboard.top_bar import TopBar
from app.dashboard.tour import Tour
from app.dashboard.widgets import ENTERS, FILLS, Page, laid, put_bars, take_copy, write_png
from app.diagnostics import diagnostics
from app.job.origin import Origin
from app.job.plan import Plan
from app.live.opening import Opening, line_of
from app.live.view import Phase, Truth
from app.profiles import Profile, ProfileError, load_profile, profile_names
from app.stamp import now, version

if TYPE_CHECKING:
    from app.live.session import OpenPlayer, Session
    from app.live.stepping import Stepping


Action = Callable[[], object]
_Page = TypeVar("_Page", bound=Page)

_FRAME_MS = 16
_LEAST_SIZE = (480, 300)
_REPEATED = {
    Qt.Key[f"Key_{name}"] for name in ("Up", "Down", "Left", "Right", "PageUp", "PageDown")
}
"""Keys that act again while they are held down. Any other acts once, if somebody leans on it."""


class MainWindow(QWidget):
    """The dashboard over a session.

    Parameters
    ----------
    session : Session
        What is shown.
    theme : Theme or None
        Colours; None takes those of the system.
    clock : callable
        Monotonic seconds, the clock of ``View.reading_at_s``.
    book : Path or None
        The job book's file; the user's own when None.
    steps : str
        The line that steps the drive in a job where the form states none.
    open_output : callable or None
        Opens a sound output for the needle by ear.
    settings : Settings or None
        What is remembered from one run to the next; nothing when None.
    open_player : callable or None
        Opens the sound output by which a check of the input is looked at before a job.
    box : BlackBox or None
        Keeps the last minute.
    neighbours : Path or None
        The folder in which the windows of this user are known; None knows of no other.
    """

    failed = Signal(str)
    """The program itself has failed, in whichever thread: in a few words."""

    def __init__(
        self,
        session: Session,
        theme: Theme | None = None,
        clock: Callable[[], float] = time.monotonic,
        book: Path | None = None,
        steps: str = "",
        open_output: OpenOutput | None = None,
        settings: Settings | None = None,
        open_player: OpenPlayer | None = None,
        box: BlackBox | None = None,
        neighbours: Path | None = None,
    ) -> None:
        super().__init__()
        self._session = session
        # As it is without what the book knows of a disk, by which a job may go.
        self.chosen_class = session.profile
        self._box = box
        self._settings = settings or Settings()
        self._opening = Opening()
        self._steps = steps
        self._clock = clock
        self._fixed_theme = theme
        self._theme = theme or theme_for(QGuiApplication.palette(), self._settings.colours)
        self._shown_at_s = clock()
        self._before_report: QWidget | None = None
        self.setObjectName("bench")
        self.setWindowTitle(self.tr("Evenlobe"))
        self.setMinimumSize(*_LEAST_SIZE)
        self.controller = JobController(session, now, version(), book, self)
        self.needle_page = NeedlePage(session, self.controller, self)
        self._book, self._open_player = book, open_player
        self._is_debriefed = True
        self._after_recheck: Callable[[], None] = self.show_needle
        self._pages = PageStack(self.needle_page, self)
        self._sizes = Sizes(1.0)
        self._left_handed = self._settings.left_handed
        # The larger ones are made when they are first asked for.
        self._made: list[Page] = []
        self.help_page = self._added(
            HelpPage(book, self._settings, session.listed, self), self.show_needle
        )
        self.recheck_page = self._added(RecheckPage(session, open_player, self), self.show_needle)
        self.practice_page = self._added(PracticePage(secrets.randbelow, self), self.show_needle)
        self.debrief_page = self._added(DebriefPage(self), self.show_needle)
        self._awaited: ResumableJob | None = None
        self.neighbours = Neighbours(neighbours, self)
        # As the newest view had it; there is none yet.
        self._open_now = ""
        self.keeper = Keeper(self.save_picture, session, self.needle_page.large, self._remark, box)
        self.looks = Looks(self._settings, self, self.needle_page.reduce_motion, self._remark)
        self.top_bar = TopBar(entries_of(self), self)
        self.ear = Ear(open_output, self.top_bar.remark)
        self.teller = Teller(self, self.controller, self.ear)
        self.callout = Callout(self.needle_page.bring, self)
        self.tour = Tour(session, self, self.callout)
        self._layout = laid(QVBoxLayout(self), self.top_bar, (self._pages, FILLS))
        self._keys = self._key_table()
        self.learned = LearnedKey(self._settings, self._keys, self._go_on, self)
        self._connect()
        self.stand_for(left_handed=self._left_handed)
        self.show_help()
        self.setAcceptDrops(True)
        self.needle_page.unit = self._settings.unit
        self._tell_settings()
        # After what is said of the change that was to be remembered.
        self._settings.when_unwritten(lambda: QTimer.singleShot(0, self, self._tell_settings))
        self._timer = QTimer(self, interval=_FRAME_MS, timerType=Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self.tick)
        self.start()

    def _connect(self) -> None:
        QGuiApplication.styleHints().colorSchemeChanged.connect(self.apply_system_theme)
        self.help_page.choose.connect(self.show_sources)
        self.help_page.list.tour.connect(self.tour.begin)
        self.help_page.list.practice.connect(self.show_practice)
        self.help_page.list.chosen.connect(self.go_to)
        self.help_page.list.described.connect(self.describe_source)
        self.help_page.list.browse.connect(self.open_file)
        self.help_page.list.resume.connect(self.go_on_with)
        self.help_page.list.show_report.connect(self.show_report)
        self.callout.handbook.connect(self.show_term)
        self._pages.currentChanged.connect(lambda _: self.callout.end())
        for part in self.needle_page.explained:
            part.asked.connect(lambda term, part=part: self.explain(part, term))
        self.practice_page.chosen.connect(self.practise)
        self.recheck_page.decided.connect(lambda: self._after_recheck())
        self.needle_page.prompt.reopen.connect(self.reopen_indexed)
        self.needle_page.large.keep.connect(self.keeper.keep_trace)
        self.controller.changed.connect(self.needle_page.make_room)
        self.controller.changed.connect(self._debrief_once)
        self.controller.report.connect(self.show_own_report)
        self.controller.gone.connect(lambda: self._measure_by(self.chosen_class))
        self.learned.told.connect(self.top_bar.remark)
        self.learned.changed.connect(self.needle_page.job.show_key)
        self.needle_page.job.show_key(self.learned.name)
        # What scrolls would take PgDn before the window is asked.
        for area in self.needle_page.findChildren(QAbstractScrollArea):
            area.installEventFilter(self.learned)
        self.failed.connect(self.remark_fault)

    def _added(self, page: _Page, back: Action) -> _Page:
        """Take a page up among the others; `back` is what leads back from it."""
        self._pages.addWidget(page)
        self._made.append(page)
        page.back.connect(back)
        page.apply_theme(self._theme, self._sizes)
        page.stand_for(left_handed=self._left_handed)
        return page

    @cached_property
    def source_page(self) -> SourcePage:
        """Where a source is described."""
        page = self._added(SourcePage(self._session, self._settings, self), self.show_needle)
        page.chosen.connect(self.open_choice)
        page.probe.connect(self.measure_probe)
        return page

    @cached_property
    def probe_page(self) -> ProbePage:
        """Where an input is measured, and the probe before it."""
        page = ProbePage(self._session, self._open_player, self)
        page.told.connect(self.top_bar.remark)
        return self._added(page, self.show_needle)

    @cached_property
    def drives_page(self) -> DrivesPage:
        """The drives of the job book."""
        page = self._added(DrivesPage(self._book, profile_names(), self), self.show_needle)
        page.begin_job.connect(self.begin_job)
        page.resume.connect(self.resume)
        page.show_report.connect(self.show_report)
        return page

    @cached_property
    def report_page(self) -> ReportPage:
        """A job's report."""
        page = self._added(ReportPage(self._book, self), self.leave_report)
        page.describe.connect(self.show_descriptions)
        words = self.tr("The report is written.")
        page.written.connect(lambda path: self.top_bar.remark(words, path.parent))
        return page

    @cached_property
    def describe_page(self) -> DescribePage:
        """Who did a job, for whom, and with what."""
        page = self._added(DescribePage(self._book, self), self.leave_descriptions)
        page.saved.connect(self.leave_descriptions)
        return page

    def _key_table(self) -> dict[Pressed, Action]:
        """Return what each key does; none alone is a letter or a figure, which are typed."""
        key, page, controller = Qt.Key, self.needle_page, self.controller
        plain, shift = Qt.KeyboardModifier.NoModifier, Qt.KeyboardModifier.ShiftModifier
        control = Qt.KeyboardModifier.ControlModifier
        anywhere: dict[Pressed, Action] = {
            (key.Key_F1, plain): self.show_help,
            (key.Key_F2, plain): self.show_sources,
            (key.Key_F4, plain): page.toggle_unit,
            (key.Key_F8, plain): lambda: self.source_page.look(),
            (key.Key_F9, plain): self.keeper.keep_picture,
            (key.Key_F11, plain): self.toggle_full_screen,
            (key.Key_F12, plain): self.show_drives,
            (key.Key_B, control): self.keeper.keep_last_minute,
            (key.Key_D, control): self.looks.next_colours,
            (key.Key_K, control): lambda: self.learned.learn(),
            (key.Key_L, control): self.looks.change_hand,
            (key.Key_M, control): self.looks.change_motion,
            (key.Key_T, control): self.toggle_tone,
            (key.Key_R, control): self.ear.toggle_reading,
            (key.Key_R, control | shift): self.say_again,
            (key.Key_Up, control): lambda: self.ear.louder(1),
            (key.Key_Down, control): lambda: self.ear.louder(-1),
            (key.Key_Escape, plain): self.escape,
            (key.Key_O, control): self.open_file,
            (key.Key_F, control): self.find_in_help,
            (key.Key_Q, control): self.close,
        }
        at_the_needle: dict[Pressed, Action] = {
            (key.Key_F1, shift): self.explain,
            (key.Key_Home, plain): page.toggle_far,
            (key.Key_End, plain): page.toggle_large,
            (key.Key_Plus, plain): lambda: page.large.zoom(1),
            (key.Key_Minus, plain): lambda: page.large.zoom(-1),
            (key.Key_Left, control): lambda: page.large.pan(-1),
            (key.Key_Right, control): lambda: page.large.pan(1),
            (key.Key_PageUp, control): lambda: page.scroll_by(-1),
            (key.Key_PageDown, control): lambda: page.scroll_by(1),
            (key.Key_PageUp, control | shift): lambda: page.scroll_long(-1),
            (key.Key_PageDown, control | shift): lambda: page.scroll_long(1),
            (key.Key_End, control): page.show_now,
            (key.Key_S, control): self.keeper.keep_trace,
            (key.Key_F3, plain): page.prompt.begin,
            (key.Key_F5, plain): page.hands.reseat,
            (key.Key_F6, plain): page.toggle_held,
            (key.Key_F7, plain): self.reopen_indexed,
            (key.Key_F8, plain): controller.skip,
            (key.Key_F8, shift): controller.close,
            (key.Key_F10, plain): page.toggle_zero,
            (key.Key_F10, shift): controller.ask_aim,
            (key.Key_Space, plain): page.toggle_frozen,
            (key.Key_Backspace, plain): controller.back,
            (key.Key_Up, plain): lambda: page.choose_next(-1),
            (key.Key_Down, plain): lambda: page.choose_next(1),
            (key.Key_Left, plain): lambda: page.hands.nudge(-SMALL_UM),
            (key.Key_Right, plain): lambda: page.hands.nudge(SMALL_UM),
            (key.Key_Left, shift): lambda: page.hands.nudge(-LARGE_UM),
            (key.Key_Right, shift): lambda: page.hands.nudge(LARGE_UM),
            (key.Key_PageUp, plain): lambda: page.hands.step(-1),
            (key.Key_PageDown, plain): lambda: page.hands.step(1),
        }
        for enter in ENTERS:
            at_the_needle[enter, plain] = page.go_on
            at_the_needle[enter, shift] = controller.lend

        def where(pressed: Pressed) -> Action:
            here = at_the_needle.get(pressed) or anywhere[pressed]
            elsewhere = anywhere.get(pressed, lambda: None)
            return lambda: here() if self.page is page else elsewhere()

        return {pressed: where(pressed) for pressed in anywhere | at_the_needle}

    @property
    def theme(self) -> Theme:
        """The colours in use."""
        return self._theme

    @property
    def page(self) -> QWidget:
        """The page in front."""
        return self._pages.shown

    def open_source(self, opening: Opening) -> None:
        """Open a source and show the needle.

        Raises
        ------
        AddressError
            When what is stated of its envelope cannot be read.
        """
        envelope = opening.envelope
        self._awaited = None
        self.needle_page.forget()
        # First, or what is open would be opened once more when the job is put away.
        self.judge_by(self.chosen_class)
        self.controller.put_away()
        self._opening = opening
        self._session.open(opening.address, opening.roles or None, envelope)
        self.show_needle()

    @property
    def opening(self) -> Opening:
        """What was opened last."""
        return self._opening

    @property
    def at_work(self) -> bool:
        """Whether a job is in hand that is not closed."""
        job = self.controller.job
        return job is not None and not job.closed

    def close_source(self) -> None:
        """Close what is open."""
        self.needle_page.forget()
        self._opening = Opening()
        self._session.close()

    def toggle_tone(self) -> None:
        """Let the needle be heard, or no more."""
        self.ear.toggle(self._session.view().source)

    def open_choice(self, choice: Choice) -> None:
        """Open what was described at the page of sources, and remember it."""
        # What was said of the source before has had its time.
        self.top_bar.remark("")
        address = choice.opening.address
        if self.neighbours.has(address) and not self.source_page.has_told(choice):
            self.show_sources()
            self.source_page.tell_open_elsewhere(choice, lambda: self.neighbours.show(address))
        elif self.use_class(choice.profile, choice.disk, reopen=False):
            self._settings.remember(choice)
            self._tell_settings()
            self.open_source(choice.opening)

    def measure_probe(self, choice: Choice) -> None:
        """Open an input that was described, and go on to where it is measured by test tones."""
        if self.at_work:
            self.source_page.say(self.tr("A job is in hand: a probe is measured before it begins."))
            return
        self.open_choice(choice)
        if self.page is self.needle_page:
            self.show_probe()

    def show_probe(self) -> None:
        """Show where the input that is open is measured."""
        self._pages.put_in_front(self.probe_page)
        self.probe_page.activate()

    def go_to(self, choice: Choice) -> None:
        """Open a source, or show the needle where it is what runs already."""
        profile = self._session.profile
        by_class = choice.profile in ("", profile.name) and choice.disk in ("", profile.disk)
        if by_class and choice.opening == Opening(self._open_now):
            self._settings.remember(choice)
            self.show_needle()
        else:
            self.open_choice(choice)

    def practise(self, choice: Choice) -> None:
        """Open a practice drive; a job in hand, which is of another, stays open in the book."""
        number = self.controller.number if self.at_work else None
        if self.at_work:
            self.controller.leave()
        self.open_choice(choice)
        if number is not None:
            words = self.tr("Job {0} stays open in the book; F12 leads back to it.")
            self.top_bar.remark(words.format(number))

    def describe_source(self, address: str) -> None:
        """Show the sources, and in the form one that is to be described and opened."""
        self.show_sources()
        self.source_page.show_address(address)

    def open_file(self) -> None:
        """Choose a capture in a dialog, and open it."""
        self.show_sources()
        self.source_page.open_file()

    def show_needle(self) -> None:
        """Show the needle; the keys go to it."""
        self._pages.put_in_front(self.needle_page)
        if not self.needle_page.job.take_focus():
            self.needle_page.take_focus()

    def show_help(self) -> None:
        """Show what the tool cannot do, the cautions and the keys."""
        self._pages.put_in_front(self.help_page)
        self.help_page.activate(self._open_now, at_work=self.at_work)

    def find_in_help(self) -> None:
        """Find words on the first page, which has the handbook."""
        if self.page is not self.help_page:
            self.show_help()
        self.help_page.ask_for_words()

    def show_term(self, term: str) -> None:
        """Show where the handbook has a term."""
        self.show_help()
        self.help_page.show_term(term)

    def show_page(self, page: QWidget) -> None:
        """Show a page as it was left; the keys go where they went on it."""
        self._pages.put_in_front(page)
        (page.focusWidget() or page).setFocus()

    def explain(self, part: QWidget | None = None, term: str = "") -> None:
        """Tell on a card what a word on a part means; without one, word by word from the first."""
        if self.tour.is_on:
            return
        self.show_needle()
        pointers = self.needle_page.pointers()
        meant = (n for n, each in enumerate(pointers) if (each.part(), each.term) == (part, term))
        if pointers:
            self.callout.explain(pointers, next(meant, 0))

    def show_sources(self) -> None:
        """Show the sources."""
        self._pages.put_in_front(self.source_page)
        view = self._session.view()
        opening = self._opening if self._opening.address else Opening(view.source)
        self.source_page.activate(
            opening,
            running=view.phase in (Phase.OPENING, Phase.RUNNING, Phase.LOST),
            may_change_class=not self.at_work,
        )

    def show_drives(self) -> None:
        """Show the drives of the job book."""
        self._pages.put_in_front(self.drives_page)
        drive = self.controller.drive
        self.drives_page.activate("" if drive is None else drive.identity)

    def show_practice(self) -> None:
        """Show the faults that a virtual drive can hide."""
        self._pages.put_in_front(self.practice_page)
        self.practice_page.activate()

    def show_debrief(self) -> None:
        """Show what the practice drive hid, once its job is closed."""
        self._pages.put_in_front(self.debrief_page)
        self.debrief_page.activate(self._hidden, self.controller.job)

    @property
    def _hidden(self) -> Truth | None:
        hands = self._session.controls
        return None if hands is None else hands.hidden

    def _debrief_once(self) -> None:
        """Show the debrief when the job of a practice drive has just been closed."""
        job = self.controller.job
        if job is None or not job.closed:
            self._is_debriefed = False
        elif not self._is_debriefed and self._hidden is not None:
            self._is_debriefed = True
            self.show_debrief()

    def show_report(self, identity: str, number: int) -> None:
        """Show a job's report before it is written."""
        self._before_report = self.page
        self._pages.put_in_front(self.report_page)
        self.report_page.unit = self.needle_page.unit
        self.report_page.activate(identity, number)

    def show_own_report(self) -> None:
        """Show the report of the job beside the needle."""
        drive, number = self.controller.drive, self.controller.number
        if drive is None or number is None:
            self.top_bar.remark(self.controller.fault or self.tr("The job is not in the book yet."))
        else:
            self.show_report(drive.identity, number)

    def show_descriptions(self, number: int) -> None:
        """Show who did a job, for whom, and with what, to be typed."""
        self._pages.put_in_front(self.describe_page)
        self.describe_page.activate(number)

    def leave_descriptions(self) -> None:
        """Go back to the report, as it is now."""
        self._pages.put_in_front(self.report_page)
        self.report_page.read_again()

    def leave_report(self) -> None:
        """Go back to where the report was asked for."""
        if isinstance(self._before_report, DrivesPage):
            self.show_drives()
        else:
            self.show_needle()

    def escape(self) -> None:
        """Put a card away, or give up what is under way at the needle, or else go back to it."""
        if self.callout.pointer is not None:
            self.callout.end()
        elif isinstance(self.page, ReportPage):
            self.leave_report()
        elif isinstance(self.page, DescribePage):
            self.leave_descriptions()
        elif self.page is not self.needle_page:
            if not (isinstance(self.page, ProbePage) and self.page.busy):
                self.show_needle()
        elif not self.needle_page.prompt.cancel() and not self.needle_page.leave_large():
            self.controller.escape()
            self.needle_page.take_focus()

    def reopen_indexed(self) -> None:
        """Open the source again with an index, where that is offered."""
        if self.needle_page.prompt.prompt.may_reopen:
            self.open_source(Opening(self._session.view().source, INDEXED_ROLES))

    def begin_job(
        self, identity: str, profile_name: str, plan: str = Plan.FULL, disk: str = ""
    ) -> None:
        """Begin a job on a drive; its class counts from now on, with what the book knows of `disk`.

        `disk` is what the alignment disk is called, empty where it has no name.
        """
        origin = self._session.origin()
        begins = self._session.view().phase in (Phase.OPENING, Phase.RUNNING)
        if origin is None or not begins:
            self.drives_page.say(self._nothing_runs())
        else:
            drive = Drive(identity, profile_name)
            self._looked_at(lambda: self._begin_job(drive, origin, Plan(plan), disk))

    def _nothing_runs(self) -> str:
        """Return why no job can be done with what is open."""
        if self._session.view().phase is Phase.ENDED:
            return self.tr(
                "A capture is over, and a job is of a drive that runs: open its source (F2), or the"
                " virtual drive to try a job."
            )
        return self.tr("No source is running; open the one of the drive first.")

    def _looked_at(self, begin: Callable[[], None]) -> None:
        """Begin a job, first asking whether a check of the input is to be looked at."""
        self.needle_page.show_job()
        if not self.recheck_page.asks:
            begin()
            return
        self._after_recheck = begin
        self._pages.put_in_front(self.recheck_page)
        self.recheck_page.activate()

    def _begin_job(self, drive: Drive, origin: Origin, plan: Plan, disk: str) -> None:
        line = self._line(virtual=origin.virtual)
        if isinstance(line, str):
            self._say_at_drives(line)
        elif drive.profile == self.chosen_class.name or self.use_class(drive.profile):
            try:
                use = self.controller.calibrated(self.chosen_class, origin, disk)
            except RefusedError as fault:
                if line is not None:
                    line.close()
                self._say_at_drives(str(fault))
                return
            self._measure_by(use.profile)
            self.controller.begin(drive, origin, line, plan, disk, use.notes)
            self.show_needle()

    def _measure_by(self, profile: Profile) -> None:
        """Open what is open again, where it is to be measured by other values."""
        if profile != self._session.profile:
            self._session.use(profile)
            self.needle_page.judge_by(profile)

    def _line(self, *, virtual: bool) -> Stepping | str | None:
        """Return what is to step the drive in a job, None where hands do, or why it cannot."""
        steps = self._opening.steps or self._steps
        hands = (lambda: self._session.controls) if virtual else None
        return line_of(steps, hands) if steps else None

    def _say_at_drives(self, words: str) -> None:
        self.show_drives()
        self.drives_page.say(words)

    def go_on_with(self, left: ResumableJob) -> None:
        """Go on with an open job, where its source does not run once that does.

        A real source that runs is kept; the job asks whether it may go on with it. How another
        was described is known where it was used lately, and is asked for else: a book may come
        from others, and of itself opens nothing but the virtual drive.
        """
        view, source = self._session.view(), left.head.source
        are_real = not view.virtual and not left.head.virtual
        if view.phase is Phase.RUNNING and (are_real or view.source == source):
            self.resume(left)
            return
        said, lasting = Opening(source), Opening(source).lasting
        names = () if lasting is None else (source, lasting.address)
        used = [each for each in self._settings.recent if each.opening.address in names]
        if left.head.virtual and said.is_virtual:
            used.append(Choice(said, left.head.profile))
        if used:
            self.open_choice(used[0])
            self._awaited = left
        else:
            words = self.tr("Open the source of job {0}, and go on with it by F12: {1}")
            self.show_sources()
            if lasting is not None:
                self.source_page.show_address(source)
            self.source_page.say(words.format(left.number, source))

    def _take_up_awaited(self, phase: Phase) -> None:
        """Go on with the job whose source was opened for it, once that runs."""
        left = self._awaited
        if left is not None and phase in (Phase.RUNNING, Phase.FAILED):
            self._awaited = None
            if phase is Phase.RUNNING:
                self.resume(left)

    def resume(self, left: ResumableJob) -> None:
        """Go on with an open job of the book."""
        if self.controller.number == left.number:
            self.show_needle()
        elif self._session.view().phase is not Phase.RUNNING:
            self.drives_page.say(self._nothing_runs())
        else:
            self._looked_at(lambda: self._take_up(left))

    def _take_up(self, left: ResumableJob) -> None:
        virtual = self._session.view().virtual
        line = self._line(virtual=virtual)
        if isinstance(line, str):
            self._say_at_drives(line)
            return
        try:
            chosen = self._class_of(left)
            profile = self.controller.as_begun(chosen, left)
            left.check_fits(profile, virtual)
            self.chosen_class = chosen
            self._measure_by(profile)
            self.controller.take_up(left, line)
        except (ProfileError, BookError) as fault:
            if line is not None:
                line.close()
            self._say_at_drives(str(fault))
            return
        if virtual:
            self.controller.say(
                self.tr("Opened anew, the virtual drive is as it was first brought in.")
            )
        self.show_needle()

    def _class_of(self, left: ResumableJob) -> Profile:
        """Return the class of an open job as it is now, with the disk that is chosen for it."""
        profile = self.chosen_class
        return profile if profile.name == left.head.profile else load_profile(left.head.profile)

    def use_class(self, profile_name: str, disk: str = "", *, reopen: bool = True) -> bool:
        """Let a class of drive and a disk count from now on; return whether there are such.

        Without a name it is the class in force.

        What is open is opened again, so that it is measured by them, unless another source is
        opened next.
        """
        try:
            profile = load_profile(profile_name or self._session.profile.name, disk)
        except ProfileError as fault:
            self.top_bar.remark(str(fault))
            self.source_page.say(str(fault))
            return False
        if reopen:
            self._measure_by(self.controller.as_in_hand(profile))
        self.judge_by(profile)
        return True

    def judge_by(self, profile: Profile) -> None:
        """Let a class and a disk count for what is opened next, as the job in hand has them."""
        self.chosen_class = profile
        self._session.profile = self.controller.as_in_hand(profile)
        self.needle_page.judge_by(self._session.profile)

    def _tell_settings(self) -> None:
        """Say why nothing is remembered, where that is so."""
        if self._settings.fault:
            self.top_bar.remark(self._settings.fault)

    def tick(self) -> None:
        """Show the newest view."""
        now_s = self._clock()
        dt_s, self._shown_at_s = max(0.0, now_s - self._shown_at_s), now_s
        view = self._session.view()
        self.needle_page.show_view(view, now_s, dt_s)
        self._tell(now_s)
        self._open_now = "" if view.phase in (Phase.CLOSED, Phase.FAILED) else view.source
        self.neighbours.hold(self._open_now, now_s)
        self.help_page.list.note_open(self._open_now)
        self._take_up_awaited(view.phase)
        if view.phase in (Phase.RUNNING, Phase.ENDED, Phase.FAILED):
            self._settings.take_tried(opens=view.phase is not Phase.FAILED)
        for page in self._made:
            page.refresh()
        self.top_bar.refresh(view, self._session.profile)
        self.callout.follow()
        if self._box is not None:
            self._box.note(view, self._session.profile, now_s)
            self.keeper.tell_last_minute()
        collect_due()

    def _tell(self, now_s: float) -> None:
        """Let needle and ask be heard: by tones, by the system's speech, by a screen reader."""
        face, limit = self.needle_page.face, self._session.profile.set_limit
        self.ear.show(face, limit, now_s)
        self.teller.show(self.page, face, limit, self._session.view(), now_s)

    def say_again(self) -> None:
        """Say how the needle stands and what is asked, or else what a page says."""
        self.teller.say_again(self.page, self.needle_page.face, self._session.view(), self._clock())

    def start(self) -> None:
        """Take a view every frame."""
        self._timer.start()

    def stop(self) -> None:
        """Take no more views."""
        self._timer.stop()

    def remark_fault(self, words: str) -> None:
        """Say that the program itself has failed, and that the window may be out of date."""
        said = self.tr("Fault in Evenlobe, what is shown may be out of date: {0}")
        self.top_bar.remark(said.format(words))

    def _remark(self, words: str, folder: Path | None = None, *, passing: bool = False) -> None:
        """Add a remark to the bar above, which is made after those who remark."""
        self.top_bar.remark(words, folder, passing=passing)

    def toggle_full_screen(self) -> None:
        """Take the whole screen, or give it back."""
        self.showNormal() if self.isFullScreen() else self.showFullScreen()

    def save_picture(self, path: Path) -> None:
        """Write what the window shows to `path` as PNG.

        Raises
        ------
        OSError
            When it cannot be written there.
        """
        write_png(self, path)

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802
        """Give the needle the keys: as it is laid out for the first time nothing has them."""
        super().showEvent(event)
        if self.page is self.needle_page and self.focusWidget() is None:
            self.needle_page.take_focus()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Do what the key stands for, unless a control has taken it."""
        if self.learned.take(event):
            return
        by_place = self._left_handed and self.page is self.needle_page
        pressed = key_meant(event, by_place=by_place)
        action = self._keys.get(pressed)
        if action is None:
            super().keyPressEvent(event)
        elif pressed[0] in _REPEATED or not event.isAutoRepeat():
            action()

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:  # noqa: N802
        """Take what a file manager drags."""
        if event.mimeData().hasUrls():
            take_copy(event)

    def dropEvent(self, event: QDropEvent) -> None:  # noqa: N802
        """Describe the capture that was dropped; Enter opens it."""
        take_copy(event)
        self.show_sources()
        self.source_page.show_dropped(event.mimeData().urls())

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Fit all sizes to the window, for the first time before it is shown."""
        super().resizeEvent(event)
        self._apply_theme()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        """Stop with the window."""
        self.stop()
        self.ear.close()
        self.neighbours.end()
        self.controller.end()
        self._settings.unit = self.needle_page.unit
        if not self.isFullScreen():
            self._settings.size_px = self.width(), self.height()
        self._settings.save()
        super().closeEvent(event)

    def apply_system_theme(self) -> None:
        """Take on the system's light or dark colours, unless others were asked for."""
        theme = self._fixed_theme or theme_for(QGuiApplication.palette(), self._settings.colours)
        if theme is not self._theme:
            self._theme = theme
            self._apply_theme()

    def stand_for(self, *, left_handed: bool) -> None:
        """Put what a hand goes to at its side, so that the arm covers nothing that is read."""
        self._left_handed = left_handed
        for part in (self.top_bar, self.needle_page, *self._made):
            part.stand_for(left_handed=left_handed)
        put_bars(self.callout, at_left=left_handed)
        order = [*self.top_bar.focus_order(), *self.needle_page.focus_order()]
        for before, after in pairwise(order):
            self.setTabOrder(before, after)

    def _go_on(self) -> None:
        """Do what the learned key is for: nothing at other pages, or behind a card."""
        if self.page is self.needle_page and self.callout.pointer is None:
            self.needle_page.go_on()

    def copy_diagnostics(self) -> None:
        """Copy what a report of a fault should say of this computer."""
        QGuiApplication.clipboard().setText(diagnostics([(self._session.view().source, "open")]))
        words = self.tr("Copied: versions, folders and the open source. Paste it into a report.")
        self.top_bar.remark(words)

    def _apply_theme(self) -> None:
        """Put colours and sizes on every part."""
        dots_per_mm = self.screen().physicalDotsPerInch() / 25.4
        sizes = self._sizes = Sizes.of(self.width(), self.height(), dots_per_mm)
        self.top_bar.fit(self.width(), sizes.touch_px)
        self.setPalette(palette_for(self._theme))
        margin = sizes.whole_px(10, least=4)
        self._layout.setContentsMargins(margin, margin, margin, margin)
        self._layout.setSpacing(sizes.whole_px(8, least=4))
        self._pages.style_by(style_sheet(self._theme, sizes), (self.top_bar, self.callout))
        self.needle_page.apply_theme(self._theme, sizes)
        for page in self._made:
            page.apply_theme(self._theme, sizes)
        self.callout.apply_theme(self._theme)
