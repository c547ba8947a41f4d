"""The page of the needle: all instruments of the window, fed from one view."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from app.dashboard.buttons import TouchButton
from app.dashboard.controls import Hands
from app.dashboard.dial import Limits
from app.dashboard.figures import Figures
from app.dashboard.meter import Meter
from app.dashboard.state import StateView, lines_of
from app.dashboard.strip import StripView
from app.dashboard.teach import PromptLine
from app.dashboard.theme import Sizes, Theme
from app.dashboard.trace import TraceView
from app.dashboard.words import Unit, face_of, notes_of, settings_of
from app.view import View

if TYPE_CHECKING:
    from app.session import Session

_SLOW_S = 0.1
_STRIP_S = 0.25


class Bench(QWidget):
    """Needle, figures, trace, strip and state.

    Parameters
    ----------
    session : Session
        Where the hands and the profile come from.
    """

    def __init__(self, session: Session, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._session = session
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
        self._lay_out()

    def _lay_out(self) -> None:
        above = QHBoxLayout()
        above.addWidget(self.meter, 68)
        above.addWidget(self.figures, 32)
        bar = QHBoxLayout()
        bar.addWidget(self._freeze)
        bar.addWidget(self._hold)
        bar.addWidget(self.hands, 1)
        bar.addStretch(0)
        below = QHBoxLayout()
        below.addWidget(self.trace, 42)
        below.addWidget(self.strip, 28)
        below.addWidget(self.state, 30)
        self._whole = QVBoxLayout(self)
        self._whole.setContentsMargins(0, 0, 0, 0)
        self._whole.addWidget(self.prompt)
        self._whole.addLayout(above, 66)
        self._whole.addLayout(bar)
        self._whole.addLayout(below, 34)
        self._rows = (above, bar, below, self._whole)

    def focus_order(self) -> list[QWidget]:
        """Return what the keyboard reaches, in the order of the eye."""
        hands = self.hands.findChildren(TouchButton)
        return [
            *self.prompt.findChildren(TouchButton),
            self.meter,
            self._freeze,
            self._hold,
            *hands,
        ]

    def dress(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        for row in self._rows:
            row.setSpacing(max(4, round(sizes.px(8))))
        self.prompt.dress(sizes)
        for part in (self.meter, self.figures, self.trace, self.strip, self.state):
            part.dress(theme, sizes)

    def show_view(self, view: View, now_s: float, dt_s: float) -> None:
        """Show the newest view; the needle has moved for `dt_s` seconds since the last one."""
        face = face_of(view, now_s, self._session.profile, self.unit)
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
        self.trace.set_virtual(view.virtual)
        self.strip.set_virtual(view.virtual)

    def repaint_instruments(self) -> None:
        """Ask for all that moves to be painted anew, changed or not."""
        for part in (self.meter, self.figures, self.state):
            part.update()
        self.trace.repaint_soon()
        self.strip.repaint_soon()

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
