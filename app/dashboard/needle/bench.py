"""The page of the needle: all instruments of the window, fed from one view."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from app.dashboard.buttons import TouchButton
from app.dashboard.job.desk import Desk
from app.dashboard.job.pane import JobPane
from app.dashboard.job.words import away_words
from app.dashboard.needle.controls import Hands
from app.dashboard.needle.dial import Limits
from app.dashboard.needle.figures import Figures
from app.dashboard.needle.meter import Meter
from app.dashboard.needle.state import StateView
from app.dashboard.needle.statelines import lines_of
from app.dashboard.needle.strip import StripView
from app.dashboard.needle.teach import PromptLine
from app.dashboard.needle.trace import TraceView
from app.dashboard.theme import LIGHT, Sizes, Theme
from app.dashboard.words import Unit, face_of, notes_of, settings_of
from app.live.view import View
from app.profiles import Profile

if TYPE_CHECKING:
    from app.live.session import Session

_AT_WORK = (0.72, 0.84)
"""Of their full size needle and figures keep beside a job."""
_SLOW_S = 0.1
_STRIP_S = 0.25


class Bench(QWidget):
    """Needle, figures, trace, strip and state.

    Parameters
    ----------
    session : Session
        Where the hands and the profile come from.
    desk : Desk
        The job beside the needle.
    """

    def __init__(self, session: Session, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._session = session
        self._desk = desk
        self._dressed: tuple[Theme, Sizes] = (LIGHT, Sizes(1.0))
        self._zeroed = False
        self._zero_um: float | None = None
        self._slow_at_s = self._strip_at_s = float("-inf")
        profile = session.profile
        limits = Limits(profile.set_limit, profile.check_limit)
        self.unit = Unit.UM
        self.meter = Meter(limits, self)
        self.figures = Figures(self)
        self.trace = TraceView(self)
        self.strip = StripView(limits, self)
        self.state = StateView(self)
        self.prompt = PromptLine(session, self)
        self.hands = Hands(lambda: session.controls, self)
        self.job = JobPane(desk, self)
        self.job.released.connect(self.meter.setFocus)
        self._freeze = TouchButton(
            self.tr("Freeze"),
            self.tr("Space"),
            self.tr("Let the trace stand still, or follow again"),
            self.toggle_frozen,
        )
        self._hold = TouchButton(
            self.tr("Hold turn"),
            "F6",
            self.tr("Keep the turn in front as a reference, or let it go"),
            self.toggle_held,
        )
        self._zero = TouchButton(
            self.tr("Zero"),
            "F10",
            self.tr("Let the needle's zero be the middle of the hysteresis, or the even lobes"),
            self.toggle_zero,
        )
        self._zero.setCheckable(True)
        self._zero.hide()
        self._lay_out()

    def _lay_out(self) -> None:
        above = QHBoxLayout()
        above.addWidget(self.meter, 68)
        above.addWidget(self.figures, 32)
        self._bar = QWidget(self)
        bar = QHBoxLayout(self._bar)
        bar.setContentsMargins(0, 0, 0, 0)
        for button in (self._freeze, self._hold, self._zero):
            bar.addWidget(button)
        bar.addWidget(self.hands, 1)
        bar.addStretch(0)
        below = QHBoxLayout()
        below.addWidget(self.trace, 42)
        below.addWidget(self.strip, 28)
        below.addWidget(self.state, 30)
        self._left = QVBoxLayout()
        self._left.addLayout(above, 66)
        self._left.addWidget(self._bar)
        self._left.addLayout(below, 34)
        middle = QHBoxLayout()
        middle.addLayout(self._left, 70)
        middle.addWidget(self.job, 30)
        self._whole = QVBoxLayout(self)
        self._whole.setContentsMargins(0, 0, 0, 0)
        self._whole.addWidget(self.prompt)
        self._whole.addLayout(middle, 1)
        self._rows = (above, bar, below, self._left, middle, self._whole)

    def make_room(self) -> None:
        """Give the job its column, or take it back: the bar then goes below both."""
        at_work = self._desk.job is not None
        if at_work is self._zero.isVisibleTo(self):
            return
        self._dress_needle()
        self._zero.setVisible(at_work)
        self.strip.setVisible(not at_work)
        if at_work and self._left.indexOf(self._bar) >= 0:
            self._left.removeWidget(self._bar)
            self._whole.addWidget(self._bar)
        elif not at_work and self._left.indexOf(self._bar) < 0:
            self._whole.removeWidget(self._bar)
            self._left.insertWidget(1, self._bar)

    def focus_order(self) -> list[QWidget]:
        """Return what the keyboard reaches, in the order of the eye."""
        hands = self.hands.findChildren(TouchButton)
        return [
            *self.prompt.findChildren(TouchButton),
            self.meter,
            *self.job.focus_order(),
            self._freeze,
            self._hold,
            self._zero,
            *hands,
        ]

    def dress(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        for row in self._rows:
            row.setSpacing(max(4, round(sizes.px(8))))
        self.prompt.dress(sizes)
        for part in (self.trace, self.strip, self.state, self.job):
            part.dress(theme, sizes)
        self._dressed = (theme, sizes)
        self._dress_needle()

    def _dress_needle(self) -> None:
        """Fit needle and figures to the room that the job leaves them."""
        theme, sizes = self._dressed
        at_work = self._desk.job is not None
        for part, size in zip((self.meter, self.figures), _AT_WORK, strict=True):
            part.dress(theme, replace(sizes, unit=size * sizes.unit) if at_work else sizes)

    def show_view(self, view: View, now_s: float, dt_s: float) -> None:
        """Show the newest view; the needle has moved for `dt_s` seconds since the last one."""
        job = self._desk.job
        away = "" if job is None else away_words(job)
        face = face_of(view, now_s, self._session.profile, self.unit, self._zero_um, away)
        self.meter.show_face(face, dt_s)
        self.figures.show_face(face)
        speed = None if view.reading is None else view.reading.speed_rpm
        speed_rpm = None if speed is None else speed.value
        current = face.balance is not None
        self.trace.show_trace(view.trace, speed_rpm, current=current, named=not face.mirrored)
        # Words change at the pace of the eye, not of the needle.
        if now_s - self._slow_at_s >= _SLOW_S:
            self._slow_at_s = now_s
            self._show_slow(view, now_s)
        if now_s - self._strip_at_s >= _STRIP_S:
            self._strip_at_s = now_s
            self.strip.show_strip(view.strip_s, view.strip_balance, now_s, face.mirrored)

    def _show_slow(self, view: View, now_s: float) -> None:
        lines = lines_of(view, now_s, self._session.profile.speed_rpm)
        self.state.show_lines(lines, notes_of(view, now_s), settings_of(view))
        self.prompt.follow(view)
        self.hands.follow()
        self.job.follow(view, now_s)
        self._follow_job()
        self.trace.set_virtual(view.virtual)
        self.strip.set_virtual(view.virtual)

    def _follow_job(self) -> None:
        """Let zero and best mark go with the job, whose head may have arrived from elsewhere."""
        desk, scale_um = self._desk, self._session.profile.scale_um
        self.prompt.set_modest(desk.job is not None)
        if self._zeroed and not self._middle_is_known:
            self._set_zeroed(False)
        self._zero_um = desk.zero_um if self._zeroed else None
        best_um = desk.best_um
        shown_from_um = desk.zero_um if self._zero_um is None else 0.0
        self.meter.hold_best(None if best_um is None else (best_um + shown_from_um) / scale_um)

    def judge_by(self, profile: Profile) -> None:
        """Take on the limits of another class of drive."""
        limits = Limits(profile.set_limit, profile.check_limit)
        self.meter.judge_by(limits)
        self.strip.judge_by(limits)

    def toggle_zero(self) -> None:
        """Let the needle's zero be the middle of the hysteresis, or even lobes again."""
        known = self._desk.job is not None and self._desk.job.known.hysteresis_um is not None
        if not known:
            self._desk.say(self.tr("The hysteresis is not known yet: measure it first."))
        elif not self._middle_is_known:
            self._desk.say(
                self.tr("The side that the head came from is not known: do hysteresis once more.")
            )
        self._set_zeroed(self._middle_is_known and not self._zeroed)
        self._follow_job()

    @property
    def _middle_is_known(self) -> bool:
        """Whether it is known how far the head, where it rests, is from the middle."""
        job = self._desk.job
        return (
            job is not None
            and job.known.hysteresis_um is not None
            and job.bench.arrived is not None
        )

    def _set_zeroed(self, zeroed: bool) -> None:
        self._zeroed = zeroed
        self._zero.setChecked(zeroed)

    def repaint_instruments(self) -> None:
        """Ask for all that moves to be painted anew, changed or not."""
        for part in (self.meter, self.figures, self.state):
            part.update()
        self.trace.repaint_soon()
        self.strip.repaint_soon()

    def go_on(self) -> None:
        """Do the next thing: of a teaching under way, else of the job, else of the line above."""
        if self._desk.job is not None and not self.prompt.prompt.may_teach:
            self.job.go_on()
        else:
            self.prompt.confirm()

    def toggle_unit(self) -> None:
        """Change between µm and mil."""
        self.unit = Unit.MIL if self.unit is Unit.UM else Unit.UM

    def toggle_frozen(self) -> None:
        """Freeze the trace, or let it follow."""
        self.trace.set_frozen(not self.trace.frozen)
        self._freeze.say(self.tr("Follow") if self.trace.frozen else self.tr("Freeze"))

    def toggle_held(self) -> None:
        """Hold the turn in front as a reference, or let the held one go."""
        self.trace.hold(self.trace.held is None)
        self._hold.say(self.tr("Hold turn") if self.trace.held is None else self.tr("Let turn go"))

    def forget(self) -> None:
        """Start afresh: another source is being opened."""
        self.trace.clear()
        self._freeze.say(self.tr("Freeze"))
        self._hold.say(self.tr("Hold turn"))
