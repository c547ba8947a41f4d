"""The page of the needle: its instruments, the line above them and the bar below them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import chain
from typing import TYPE_CHECKING

from PySide6.QtCore import QPoint, QRectF, Qt, QTimer
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QBoxLayout, QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from app.analysis.results import Measurand, Measurement, Trace
from app.dashboard.callout import Pointer
from app.dashboard.job_panel.brief import brief_ask, brief_of
from app.dashboard.job_panel.controller import JobController
from app.dashboard.job_panel.panel import JobPanel
from app.dashboard.needle_page.asked_bar import AskedBar
from app.dashboard.needle_page.dial import Limits
from app.dashboard.needle_page.far_view import FarView, far_words
from app.dashboard.needle_page.figures import FiguresView
from app.dashboard.needle_page.large_trace import LargeTrace
from app.dashboard.needle_page.meter import Meter
from app.dashboard.needle_page.plots import StripView, TraceView
from app.dashboard.needle_page.prompt_line import PromptLine
from app.dashboard.needle_page.status import StatusView, status_lines
from app.dashboard.style import LIGHT, Sizes, Theme
from app.dashboard.text import Face, Unit, face_of, notes_of, settings_of, translate
from app.dashboard.widgets import (
    BETWEEN_BUTTONS_PX,
    FILLS,
    FlowRow,
    Instrument,
    KeyedArea,
    TouchButton,
    across,
    laid,
    named,
    put_bars,
    scrolled,
)
from app.handbook import MEANINGS, Term
from app.live.view import Controls, Phase, View
from app.profiles import Profile

if TYPE_CHECKING:
    from app.live.session import Session

SMALL_UM = 5.0
LARGE_UM = 25.0


class Hands(QWidget):
    """The hands at the virtual drive; seen only while `controls` returns any."""

    def __init__(
        self, controls: Callable[[], Controls | None], parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._controls = controls
        named(self, self.tr("Hands at the virtual drive"))
        buttons = [TouchButton(*each, self) for each in self._movements()]
        laid(QHBoxLayout(self), FlowRow(*buttons, filled=True), flush=True)

    def nudge(self, offset_um: float) -> None:
        """Turn the stepper's body so that the head moves outward by `offset_um`."""
        if (controls := self._controls()) is not None:
            controls.nudge(offset_um)

    def step(self, tracks: int) -> None:
        """Step the head inward (positive) or outward (negative)."""
        if (controls := self._controls()) is not None:
            controls.step(tracks)

    def reseat(self) -> None:
        """Open the clamp and close it again."""
        if (controls := self._controls()) is not None:
            controls.reseat()

    def refresh(self) -> None:
        """Be seen only while there are controls."""
        self.setVisible(self._controls() is not None)

    def _movements(self) -> list[tuple[str, str, str, Callable[[], None]]]:
        large, small = f"{LARGE_UM:g} µm", f"{SMALL_UM:g} µm"
        inward = self.tr("Virtual drive: nudge the head inward by {0}")
        outward = self.tr("Virtual drive: nudge the head outward by {0}")
        step_in = self.tr("Virtual drive: step the head one track inward")
        step_out = self.tr("Virtual drive: step the head one track outward")
        clamp = self.tr("Virtual drive: open the clamp and close it again")
        return [
            (f"◀◀ {large}", "⇧←", inward.format(large), lambda: self.nudge(-LARGE_UM)),
            (f"◀ {small}", "←", inward.format(small), lambda: self.nudge(-SMALL_UM)),
            (f"{small} ▶", "→", outward.format(small), lambda: self.nudge(SMALL_UM)),
            (f"{large} ▶▶", "⇧→", outward.format(large), lambda: self.nudge(LARGE_UM)),
            (self.tr("Step in"), "PgDn", step_in, lambda: self.step(1)),
            (self.tr("Step out"), "PgUp", step_out, lambda: self.step(-1)),
            (self.tr("Reseat"), "F5", clamp, self.reseat),
        ]


_AT_WORK = (0.72, 0.84)
"""What needle and figures keep of their full size beside a job."""
_SLOW_S = 0.1
"""Between two changes of words, which go at the pace of the eye and not of the needle."""
_STRIP_S = 0.25
_ROOMY_SIZE = (960, 510)
"""Below this width or height the parts stand below each other."""
_HINTING_PX = 720
"""A lower page has no room for a mere hint."""
_MOST_STATE = 0.45
"""Of the page's height, for the state of the source."""
_STATE, _WIDE_STATE = 34, 150
"""Its part of the width beside the plots' 40 and 26, and where its words need more room."""
_TALLEST_PART = 0.7
_BESIDE_PX = 2
"""Above what is asked and below what answers it, where the page is scrolled there."""
_OF_BURSTS = (Measurand.AZIMUTH, Measurand.INDEX, Measurand.OUTPUT)
_OF_HANDS = (Qt.Key.Key_Left, Qt.Key.Key_Right, Qt.Key.Key_PageUp, Qt.Key.Key_PageDown)
_OF_CHECKS = (Qt.Key.Key_Up, Qt.Key.Key_Down)
_ANY_PX = 16_777_215
_LEAST_PX = {"figures": 220, "job": 380, "trace": 240, "strip": 220, "status": 300}
"""Heights of the parts where they stand below each other."""
_ROOMY_PX = {"figures": 190, "job": 300, "trace": 0, "strip": 0, "status": 165}


class NeedlePage(QWidget):
    """Needle, figures, trace, strip and status, and beside them the job of `controller`."""

    def __init__(
        self, session: Session, controller: JobController, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._session = session
        self._controller = controller
        self._theme, self._sizes = LIGHT, Sizes(1.0)
        self._zero_um: float | None = None
        self._zero_chosen = False
        self.face = Face()
        """What the needle and the figures show now."""
        self._slow_at_s = self._strip_at_s = float("-inf")
        limits = _limits_of(session.profile)
        self.meter = Meter(limits, self)
        self.figures = FiguresView(self)
        self.trace = TraceView(self)
        self.strip = StripView(limits, self)
        self.status = StatusView(self)
        self.prompt = PromptLine(session, self)
        self.hands = Hands(lambda: session.controls, self)
        self.job = JobPanel(controller, self)
        self.far = FarView(limits, self)
        self.large = LargeTrace(self)
        self.large.beyond.connect(self._play_on)
        self._is_far = self._is_large = False
        self._left_handed = self._is_led = False
        self._phase = Phase.CLOSED
        self.job.released.connect(self.take_focus)
        # Once it is laid out: with what is asked the card has changed its height.
        self.job.asking.connect(lambda: QTimer.singleShot(0, self, self._show_answer))
        self.job.pressed_far.connect(self._answer)
        freeze = self.tr("Let the trace stand still, or follow again")
        hold = self.tr("Keep the turn in front as a reference, or let it go")
        zero = self.tr("Let the needle's zero be the middle of the hysteresis, or the even lobes")
        self._freeze = TouchButton(self.tr("Freeze"), "Space", freeze, self.toggle_frozen)
        self._hold = TouchButton(self.tr("Hold turn"), "F6", hold, self.toggle_held)
        self._zero = TouchButton(self.tr("Zero"), "F10", zero, self.toggle_zero)
        self._zero.setCheckable(True)
        self._zero.hide()
        self._lay_out()

    def _lay_out(self) -> None:
        """Make the three ways in which the parts can stand, and take the roomy one."""
        self._tools = FlowRow(self._freeze, self._hold, self._zero, filled=True)
        self._bar = QWidget(self)
        self._bar_row = laid(QHBoxLayout(self._bar), self._tools, (self.hands, FILLS), flush=True)
        self._above, self._below, self._middle = QHBoxLayout(), QHBoxLayout(), QHBoxLayout()
        self._left = QVBoxLayout()
        self._roomy = QWidget(self)
        self._whole = QVBoxLayout(self._roomy)
        self._column = QVBoxLayout()
        self._scrolled = QWidget(self)
        self._scrolled.setObjectName("page")
        self._scrolled.setLayout(self._column)
        # The window's own keys go to it, before the page scrolls by them.
        self._scroll = scrolled(self._scrolled, KeyedArea(self._is_meant))
        self._alone = QWidget(self)
        self._alone_box = laid(QVBoxLayout(self._alone), self.far, flush=True)
        self._ways = QStackedWidget(self)
        for way in (self._roomy, self._scroll, self._alone, self.large):
            self._ways.addWidget(way)
        for layout in (self._whole, self._column):
            layout.setContentsMargins(0, 0, 0, 0)
        laid(self._left, (self._above, 66), self._bar, (self._below, 34))
        laid(self._middle, (self._left, 70), (self.job, 30))
        laid(self._whole, self.prompt, (self._middle, FILLS))
        self._asked = AskedBar(self.job, self._scroll, self)
        self._page = laid(QVBoxLayout(self), self._ways, self._asked, flush=True)
        self._rows = (
            self._above,
            self._bar_row,
            self._below,
            self._left,
            self._middle,
            self._whole,
            self._column,
            self._page,
            self._asked.row,
        )
        self._stand_roomy()

    def _stand_roomy(self) -> None:
        """Let all parts stand beside each other."""
        self.job.take_button_back()
        laid(self._above, (self.meter, 68), (self.figures, 32))
        laid(self._below, (self.trace, 40), (self.strip, 26), (self.status, _STATE))
        self._middle.addWidget(self.job, 30)
        self._whole.insertWidget(0, self.prompt)
        self._bar_row.setDirection(across(left_handed=self._left_handed))
        for part in _LEAST_PX:
            getattr(self, part).setMinimumHeight(_ROOMY_PX[part])
        self._place_bar()

    def _stand_narrow(self) -> None:
        """Let the parts stand below each other, the far view first, which needs no scrolling."""
        laid(self._column, self.far, self.prompt, self.job, self.figures, self._bar)
        laid(self._column, self.trace, self.strip, self.status, FILLS)
        self._asked.take_button()
        self._bar_row.setDirection(QBoxLayout.Direction.TopToBottom)
        for part, least_px in _LEAST_PX.items():
            getattr(self, part).setMinimumHeight(least_px)

    def stand_for(self, *, left_handed: bool) -> None:
        """Put the job, and what hands do beside it, at the side of the hand.

        Needle and plots change places with them and stay as they are: left is inward.
        """
        self._left_handed = left_handed
        for row in (self._above, self._below, self._middle):
            row.setDirection(across(left_handed=left_handed))
        if self._ways.currentWidget() is not self._scroll:
            self._bar_row.setDirection(across(left_handed=left_handed))
        put_bars(self, at_left=left_handed)

    def reduce_motion(self, reduced: bool) -> None:
        """Let the needle jump from reading to reading, or swing there."""
        self.meter.jumps = self.far.meter.jumps = reduced

    def _place_bar(self) -> None:
        """Put the bar between needle and plots, or below all where a job stands beside them."""
        if self._controller.job is not None:
            self._whole.addWidget(self._bar)
        else:
            self._left.insertWidget(1, self._bar)

    def _fit_bar(self) -> None:
        """Leave the keys out of the bar's buttons where it would take a second line for them."""
        buttons = self._tools.findChildren(TouchButton) + self.hands.findChildren(TouchButton)
        shown = [each for each in buttons if each.isVisibleTo(self)]
        for button in shown:
            button.tell_key(True)
        wide = sum(each.sizeHint().width() + BETWEEN_BUTTONS_PX for each in shown)
        roomy = self._ways.currentWidget() is not self._roomy or wide <= self.width()
        for button in shown:
            button.tell_key(roomy)

    def toggle_far(self) -> None:
        """Show needle and words as large as they can be, or all parts again."""
        self._is_far, self._is_large = not self._is_far, False
        self.arrange()
        self._take_keys()

    def toggle_large(self) -> None:
        """Show the trace over the whole page, or all parts again."""
        self._is_far, self._is_large = False, not self._is_large
        self.arrange()
        self._take_keys()

    def _take_keys(self) -> None:
        """Give the keys to what is seen now: what is hidden with them leaves them to anybody."""
        if self._is_large:
            # Not to the first of its choices, which would take the key that leads back.
            self.large.setFocus()
        elif self._is_far or not self.job.take_focus():
            self.take_focus()

    def scroll_by(self, turns: int) -> None:
        """Look so many turns further on in the large trace, back where negative."""
        if self._is_large:
            self.large.scroll_by(turns)

    def scroll_long(self, steps: int) -> None:
        """Look so many times ten seconds further on in the large trace, back where negative."""
        if self._is_large:
            self.large.scroll_long(steps)

    def show_now(self) -> None:
        """Let the trace follow again, after having looked back."""
        self.large.show_now()
        if self.trace.frozen:
            self.toggle_frozen()

    def show_job(self) -> None:
        """Show what the job asks: the large trace would stand before it."""
        if self._is_large:
            self.toggle_large()

    def leave_large(self) -> bool:
        """Show all parts again; return whether one alone was shown."""
        alone = self._is_far or self._is_large
        self._is_far = self._is_large = False
        self.arrange()
        if alone:
            self._take_keys()
        return alone

    @property
    def alone(self) -> tuple[bool, bool]:
        """Whether the far view, or the large trace, has the whole page."""
        return self._is_far, self._is_large

    @alone.setter
    def alone(self, alone: tuple[bool, bool]) -> None:
        self._is_far, self._is_large = alone
        self.arrange()

    @property
    def needle(self) -> Meter:
        """The needle that is shown, of the two that there are."""
        return self.meter if self._ways.currentWidget() is self._roomy else self.far.meter

    def bring(self, part: QWidget) -> None:
        """Scroll to where a part of the page begins, in a window in which it scrolls."""
        if self._scrolled.isAncestorOf(part):
            top = part.mapTo(self._scrolled, part.rect().topLeft()).y()
            self._scroll.verticalScrollBar().setValue(top)

    def pointers(self) -> list[Pointer]:
        """Return each word of needle, figures and state, as it is explained where it stands."""
        return [
            Pointer(translate("help", term), translate("help", MEANINGS[Term(term)]), of, box, term)
            for part in self.explained
            if part.isVisibleTo(self)
            for term, of, box in _places_of(part)
        ]

    @property
    def explained(self) -> tuple[Instrument, ...]:
        """The parts whose words are explained."""
        return (self.meter, self.far.meter, self.figures, self.status)

    def arrange(self) -> None:
        """Let the parts stand as it fits the window, and the eye's distance."""
        if not self._is_large:
            # What looks back unseen would be taken for now when it is seen again.
            self.large.show_now()
        narrow = self.width() < _ROOMY_SIZE[0] or self.height() < _ROOMY_SIZE[1]
        way = self._scroll if narrow else self._roomy
        if self._is_far:
            way = self._alone
        elif self._is_large:
            way = self.large
        if way is not self._ways.currentWidget():
            had_keys = self.window().focusWidget() in (self.meter, self.far.meter)
            self._stand(way)
            if had_keys:
                self.needle.setFocus()
        self.prompt.set_narrow(way is self._scroll)
        self._fit_bar()
        self.far.apply_theme(self._theme, self._sizes, far=self._is_far)
        asked = way is self._scroll and self._controller.job is not None
        self._asked.setVisible(asked)
        if way is self._scroll:
            # The whole first screen, but no taller than it is of use.
            below = self._asked.sizeHint().height() + self._page.spacing() if asked else 0
            room = min(self.height() - below, round(_TALLEST_PART * self.width()))
            self.far.setFixedHeight(max(0, room))
        else:
            self.far.setMinimumHeight(0)
            self.far.setMaximumHeight(_ANY_PX)

    def _stand(self, way: QWidget) -> None:
        if way is self._scroll:
            self._stand_narrow()
        elif way is self._roomy:
            self._stand_roomy()
        elif way is self._alone:
            self._alone_box.addWidget(self.far)
        self._ways.setCurrentWidget(way)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Let the parts stand as it fits the new size."""
        super().resizeEvent(event)
        self.arrange()

    def _is_meant(self, key: int) -> bool:
        """Return whether a key that scrolls is for the virtual drive, or for a job's checks."""
        if key in _OF_HANDS:
            return self._session.controls is not None
        return key in _OF_CHECKS and self._controller.job is not None

    def choose_next(self, by: int) -> None:
        """Look at the check before or after, and at the card that tells of it."""
        self._controller.choose_next(by)
        if self._controller.job is not None:
            QTimer.singleShot(0, self, self._show_answer)

    def make_room(self) -> None:
        """Give the job its column, or take it back: the bar then goes below both."""
        at_work = self._controller.job is not None
        self.strip.setVisible(not at_work or self._controller.adjusting)
        if at_work is self._zero.isVisibleTo(self):
            return
        self._apply_needle_theme()
        self._zero.setVisible(at_work)
        if self._ways.currentWidget() is self._roomy:
            self._place_bar()
        self.arrange()

    def take_focus(self) -> None:
        """Take the keys, with nothing in hand that is typed or chosen."""
        self.needle.setFocus()
        # Its first screen: what is to be seen of it may be taller than it is before it is laid out.
        self._scroll.verticalScrollBar().setValue(0)

    def focus_order(self) -> list[QWidget]:
        """Return what the keyboard reaches, in the order of the eye."""
        middle = [[self.meter], self.job.focus_order()]
        below = [[self._freeze, self._hold, self._zero], self.hands.findChildren(TouchButton)]
        if self._left_handed:
            middle, below = middle[::-1], below[::-1]
        return [
            *self.prompt.findChildren(TouchButton),
            *chain.from_iterable((*middle, *below)),
        ]

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme, self._sizes = theme, sizes
        for row in self._rows:
            row.setSpacing(sizes.whole_px(8, least=4))
        self.prompt.apply_theme(sizes)
        for part in (self.trace, self.strip, self.status, self.job, self.large):
            part.apply_theme(theme, sizes)
        self._apply_needle_theme()
        self.arrange()

    def _apply_needle_theme(self) -> None:
        """Fit needle and figures to the room that the job leaves them."""
        at_work = self._controller.job is not None
        for part, size in zip((self.meter, self.figures), _AT_WORK, strict=True):
            unit = self._sizes.unit * (size if at_work else 1.0)
            part.apply_theme(self._theme, replace(self._sizes, unit=unit))

    def show_view(self, view: View, now_s: float, dt_s: float) -> None:
        """Show the newest view, `dt_s` seconds after the last one."""
        away = self._controller.away
        profile = self._session.profile
        self.face = face = face_of(view, now_s, profile, self.unit, self._zero_um, away)
        self.meter.show_face(face, dt_s)
        if self.far.isVisibleTo(self):
            self._show_far(face, dt_s)
        self.figures.show_face(face)
        speed = None if view.reading is None else view.reading.speed_rpm
        speed_rpm = None if speed is None else speed.value
        current = face.balance is not None
        if self._is_large:
            self.large.show_past(self._session.past, view.roles, now_s)
        self.large.show_trace(view.trace, speed_rpm)
        self.trace.show_trace(view.trace, speed_rpm, current=current, named=not face.mirrored)
        if now_s - self._slow_at_s >= _SLOW_S:
            self._slow_at_s = now_s
            self._show_slow(view, now_s)
        if now_s - self._strip_at_s >= _STRIP_S:
            self._strip_at_s = now_s
            self.strip.show_strip(
                view.strip_s, view.strip_balance, now_s, face.mirrored, self._zero_of(face)
            )

    def _show_slow(self, view: View, now_s: float) -> None:
        lines = status_lines(view, now_s, self._session.profile.speed_rpm)
        self.status.show_lines(lines, notes_of(view, now_s), settings_of(view))
        self._give_state_room()
        self.prompt.refresh(view)
        self._say_freeze()
        self._phase = view.phase
        had_hands = not self.hands.isHidden()
        self.hands.refresh()
        if self.hands.isHidden() is had_hands:
            self._fit_bar()
        self.job.refresh(view, now_s)
        self._refresh_job()
        self._lead_back()
        self.trace.set_virtual(view.virtual)
        self.large.set_virtual(view.virtual)
        self.large.show_measured(*_bursts_of(self._controller.measured))
        self.strip.set_virtual(view.virtual)

    def _give_state_room(self) -> None:
        """Let the state be as high as its words need, and wider where that is not enough.

        It keeps that, or the page would twitch.
        """
        needed, least = self.status.needed_px, self.status.minimumHeight()
        if self._ways.currentWidget() is not self._roomy:
            self.status.setMinimumHeight(max(needed, least))
            return
        most = self._most_state_px
        self.status.setMinimumHeight(min(most, max(needed, least, _ROOMY_PX["status"])))
        if needed > most:
            self._below.setStretchFactor(self.status, _WIDE_STATE)

    @property
    def _most_state_px(self) -> int:
        """What the state can have of the page's height, beside what others need of it."""
        gap = self._left.spacing()
        others = self._above.minimumSize().height() + self._bar.sizeHint().height() + 2 * gap
        if self.prompt.isVisibleTo(self):
            others += self.prompt.height() + gap
        return max(0, min(self.height() - others, round(_MOST_STATE * self.height())))

    def _show_far(self, face: Face, dt_s: float) -> None:
        job = self._controller.job
        ask = brief_ask(job, measuring=self._controller.part is not None)
        if self._controller.asks_source:
            ask = translate("dashboard", "Not the same source as before: the same drive still?")
        elif self._controller.doubt is not None:
            ask = brief_of(self._controller.doubt)
        if job is None:
            ask = "" if face.balance is None else self.prompt.prompt.briefly
        # Across the room letters count for more than the reason, which the card's ask stands for.
        words = far_words(face, self.job.card.figure, ask, tells_why=not self._is_far)
        self.far.show_face(face, words, dt_s)

    def _zero_of(self, face: Face) -> float | None:
        """Return the balance at which the needle's zero is, None where it is at even lobes."""
        if not face.zeroed or self._zero_um is None:
            return None
        return self._zero_um / self._session.profile.scale_um

    def _refresh_job(self) -> None:
        """Fit zero and best mark to the job: the head may have come to rest from another side."""
        controller = self._controller
        # Where a source runs, needle and figures need a low window's height more than a hint does.
        is_low = self.height() < _HINTING_PX and self._phase in (Phase.OPENING, Phase.RUNNING)
        self.prompt.set_modest(controller.job is not None or is_low)
        # While the head is being set, needle, strip and card have one zero.
        wanted = self._zero_chosen or controller.adjusting
        zeroed = wanted and self._middle_is_known
        self._zero.setChecked(zeroed)
        self._zero_um = controller.zero_um if zeroed else None
        best_um = controller.best_um
        if best_um is not None and not zeroed:
            best_um += controller.zero_um
        scale_um = self._session.profile.scale_um
        for meter in (self.meter, self.far.meter):
            meter.hold_best(None if best_um is None else best_um / scale_um)

    def judge_by(self, profile: Profile) -> None:
        """Take on the limits of another class of drive."""
        for meter in (self.meter, self.far.meter):
            meter.judge_by(_limits_of(profile))
        self.strip.judge_by(_limits_of(profile))

    def toggle_zero(self) -> None:
        """Let the needle's zero be the middle of the hysteresis, or even lobes again."""
        job = self._controller.job
        if job is None or job.known.hysteresis_um is None:
            self._controller.say(self.tr("The hysteresis is not known yet: measure it first."))
        elif not self._middle_is_known:
            self._controller.say(
                self.tr("The side that the head came from is not known: do hysteresis once more.")
            )
        elif self._controller.adjusting:
            self._controller.say(self.tr("While the head is being set, zero is the middle."))
        self._zero_chosen = self._middle_is_known and not self._zero_chosen
        self._refresh_job()

    @property
    def _middle_is_known(self) -> bool:
        """Whether it is known how far the head, where it rests, is from the middle."""
        job = self._controller.job
        return (
            job is not None
            and job.known.hysteresis_um is not None
            and job.drive.arrived is not None
        )

    def go_on(self) -> None:
        """Do the next thing: of a teaching under way, else of the job, else of the line above."""
        if self._controller.job is not None and not self.prompt.prompt.may_teach:
            self._answer()
        else:
            self.prompt.confirm()

    def _answer(self) -> None:
        """Do the job's next thing, or show first what is asked where it has to be seen."""
        if not self._lead_to_answer():
            self.job.go_on()

    def _show_answer(self) -> None:
        """Scroll to where something is typed or chosen, with what is asked above it.

        As much of the card as there is room for: with its title, or else from its words on.
        """
        if self._ways.currentWidget() is not self._scroll:
            return
        asked, answer = self.job.asked_between
        end = answer.mapTo(self._scrolled, answer.rect().bottomLeft()).y() + _BESIDE_PX
        room = self._scroll.viewport().height()
        tops = [each.mapTo(self._scrolled, QPoint()).y() - _BESIDE_PX for each in asked]
        top = next((each for each in tops if end - each <= room), end - room)
        self._scroll.verticalScrollBar().setValue(top)

    def _lead_to_answer(self) -> bool:
        """Show where something is typed or chosen, if that is out of sight; return whether it was.

        What nobody has seen is not answered.
        """
        card = self.job.card
        roomy = self._ways.currentWidget() is self._roomy
        questioned = self._is_questioned
        if roomy or not (questioned or card.choices or card.entry is not None):
            return False
        if self._is_far:
            self.toggle_far()
        elif self.job.sees_answer:
            return False
        self._scroll.ensureWidgetVisible(self.job, 0, 0)
        self.job.take_focus()
        self._is_led = questioned
        return True

    @property
    def _is_questioned(self) -> bool:
        """Whether the job asks about what was said, beside what it asks to be done."""
        return self._controller.asks_source or self._controller.doubt is not None

    def _lead_back(self) -> None:
        """Show the needle again once that for which the card was shown has been answered."""
        if self._is_led and not self._is_questioned:
            self._is_led = False
            self._scroll.verticalScrollBar().setValue(0)

    @property
    def unit(self) -> Unit:
        """Unit of lengths, which the job beside the needle shares."""
        return self.job.controller.unit

    @unit.setter
    def unit(self, unit: Unit) -> None:
        self.job.controller.unit = unit
        self.job.show_job()

    def toggle_unit(self) -> None:
        """Change between µm and mil."""
        self.unit = Unit.MIL if self.unit is Unit.UM else Unit.UM

    def toggle_frozen(self) -> None:
        """Freeze the trace, or let it follow; of a capture let all stand still, or play on."""
        play = self._session.play
        if play is not None and not self.trace.frozen:
            play.pause(not play.paused)
            self._say_freeze()
            return
        self.trace.set_frozen(not self.trace.frozen)
        self.large.set_frozen(self.trace.frozen)
        self._say_freeze()

    def _say_freeze(self) -> None:
        """Let the button say what it does next."""
        play = self._session.play
        if self.trace.frozen:
            words = self.tr("Follow")
        elif play is None:
            words = self.tr("Freeze")
        else:
            words = self.tr("Play on") if play.paused else self.tr("Pause")
        if words != self._freeze.accessibleName():
            self._freeze.say(words)
        self.large.set_paused(play is not None and play.paused)

    def _play_on(self, seconds: float) -> None:
        """Show at once what a capture has after what is newest."""
        play = self._session.play
        if play is not None and not self.trace.frozen:
            play.run_ahead(seconds)

    def toggle_held(self) -> None:
        """Hold the turn in front as a reference, or let the held one go."""
        self.trace.hold(self.trace.held is None)
        self.large.hold(self.trace.held)
        self._hold.say(self.tr("Hold turn") if self.trace.held is None else self.tr("Let turn go"))

    def forget(self) -> None:
        """Start afresh: another source is being opened."""
        self.trace.clear()
        self.large.clear()
        self.status.setMinimumHeight(0)
        self._below.setStretchFactor(self.status, _STATE)
        self.large.set_frozen(False)
        self._freeze.say(self.tr("Freeze"))


_Place = tuple[str, Callable[[], QWidget], Callable[[], QRectF | None]]


def _places_of(part: Instrument) -> list[_Place]:
    """Return each word of a part once, with what tells where it stands now."""

    def place(term: str) -> _Place:
        return (
            term,
            lambda: part,
            lambda: next((box for each, box in part.terms() if each == term), None),
        )

    return [place(term) for term in dict.fromkeys(term for term, _ in part.terms())]


def _bursts_of(measured: tuple[str, Measurement] | None) -> tuple[Trace | None, str]:
    """Return the turn that a check has measured, where it is none of lobes, and its title."""
    if measured is None or measured[1].measurand not in _OF_BURSTS:
        return None, ""
    return measured[1].trace, measured[0]


def _limits_of(profile: Profile) -> Limits:
    return Limits(profile.set_limit, profile.check_limit)
