"""The centre-zero needle meter, and how its needle moves.

A reading comes about ten times a second. The needle follows it like a damped moving-coil movement,
so that the eye sees where it goes; where motion is to be reduced it jumps from one to the next.
"""

from __future__ import annotations

import math

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import (
    QColor,
    QFocusEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QPolygonF,
    QResizeEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.dashboard.lettering import RIGHT, write
from app.dashboard.needle_page.dial import (
    REST,
    WORDS_PX,
    DialGeometry,
    Limits,
    deflection,
    paint_dial,
    terms_of_dial,
)
from app.dashboard.style import FIGURE_CAP, Sizes, Theme, font_of_cap
from app.dashboard.text import Face, without_numbers
from app.dashboard.widgets import Instrument, named
from app.handbook import Term


def damping_for(overshoot: float) -> float:
    """Return the damping ratio whose step response overshoots by `overshoot` (0 to 1).

    The inverse of overshoot = exp(−πζ/√(1 − ζ²)).
    """
    log = math.log(overshoot)
    return -log / math.hypot(math.pi, log)


class Ballistics:
    """A needle with inertia, spring and damping: a second-order system, stepped exactly.

    Between two calls the target stands still, so the closed form of the free oscillation is exact
    for any `dt_s`: a late frame makes the needle no slower.

    Parameters
    ----------
    overshoot : float
        Overshoot of a step, as a fraction of it; the movement is underdamped.
    rise_s : float
        Time from a step of the target to 90 % of it.
    position : float
        Where the needle stands at first.
    """

    def __init__(
        self, overshoot: float = 0.05, rise_s: float = 0.028, position: float = 0.0
    ) -> None:
        self._damping = damping_for(overshoot)
        self._omega = _time_to(0.9, self._damping) / rise_s
        self.position = position
        self._velocity = 0.0

    def step(self, target: float, dt_s: float) -> float:
        """Move for `dt_s` seconds towards `target`; return the position."""
        damping, omega = self._damping, self._omega
        decay = damping * omega
        damped = omega * math.sqrt(1.0 - damping * damping)
        away = self.position - target
        fade = math.exp(-decay * dt_s)
        cos, sin = math.cos(damped * dt_s), math.sin(damped * dt_s)
        push = (self._velocity + decay * away) / damped
        self.position = target + fade * (away * cos + push * sin)
        turn = (decay * self._velocity + omega * omega * away) / damped
        self._velocity = fade * (self._velocity * cos - turn * sin)
        return self.position

    def put(self, position: float) -> None:
        """Let it stand at a position, at once and still."""
        self.position, self._velocity = position, 0.0


def _time_to(fraction: float, damping: float) -> float:
    """Return the first time, in units of 1/ω, at which a unit step reaches `fraction`."""
    damped = math.sqrt(1.0 - damping * damping)

    def response(time: float) -> float:
        phase = damped * time
        swing = math.cos(phase) + damping / damped * math.sin(phase)
        return 1.0 - math.exp(-damping * time) * swing

    low, high = 0.0, math.pi / damped  # the response rises up to its first peak
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if response(middle) < fraction else (low, middle)
    return high


_STILL_PX = 0.2
_HEADLINE_PX, _PARKED_PX = 76.0, 52.0
"""Height of the headline, in pixels of a full-HD window: of a direction, and that there is none."""


def _told_by(face: Face) -> str:
    """Return what of a face is worth an interruption: not its numbers, nor that it moves."""
    return without_numbers(face.spoken) if face.balance is None else face.headline


class Meter(Instrument):
    """The needle over its dial, with the direction and the verdict in words below it.

    With less than `WORDS_PX` below the dial there are none.
    """

    def __init__(
        self, limits: Limits, parent: QWidget | None = None, below_px: float = WORDS_PX
    ) -> None:
        super().__init__((360, 190) if below_px >= WORDS_PX else (120, 60), parent)
        self._limits = limits
        self._below_px = below_px
        self._geometry = DialGeometry.of(1.0, 1.0, self._sizes, below_px)
        self._still: QPixmap | None = None
        self._best: float | None = None
        self._face = Face()
        self._needle = Ballistics(position=REST)
        self.jumps = False
        """Whether the needle goes from reading to reading without a way between."""
        self._painted = REST
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        named(self, self.tr("Needle meter"))

    @property
    def face(self) -> Face:
        """What is shown."""
        return self._face

    @property
    def painted_deflection(self) -> float:
        """Where the needle was last painted, −1 to 1 on the scale; beyond it when parked."""
        return self._painted

    @property
    def dial(self) -> DialGeometry:
        """Where the parts of the dial lie."""
        return self._geometry

    def terms(self) -> list[tuple[Term, QRectF]]:
        """Return what stands on the dial and below it, each with its place."""
        found = terms_of_dial(self._geometry, self._limits, zeroed=self._face.zeroed)
        if self._below_px >= WORDS_PX:
            below = QRectF(self.rect())
            below.setTop(self._geometry.cover_top)
            parked = self._face.balance is None
            if not parked:
                upper = QRectF(below)
                upper.setHeight(below.height() / 2)
                found.append((Term.SIDE, upper))
                below.setTop(upper.bottom())
            found.append((Term.REST if parked else Term.VERDICT, below))
        return found

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        super().apply_theme(theme, sizes)
        self._lay_out()

    def judge_by(self, limits: Limits) -> None:
        """Take on the limits of another class of drive."""
        if limits != self._limits:
            self._limits = limits
            self._lay_out()

    def hold_best(self, balance: float | None) -> None:
        """Mark the best so far on the scale, None for no mark."""
        if balance != self._best:
            self._best = balance
            self._lay_out()

    def show_face(self, face: Face, dt_s: float) -> None:
        """Move the needle on by `dt_s` seconds towards what `face` says, and paint if it moved."""
        changed = face != self._face
        if (face.virtual, face.zeroed) != (self._face.virtual, self._face.zeroed):
            self._still = None
        before, self._face = self._face, face
        if changed and not (self.hasFocus() and _told_by(before) == _told_by(face)):
            self.setAccessibleDescription(face.spoken)
        target = REST if face.balance is None else deflection(face.balance)
        if self.jumps:
            self._needle.put(target)
        else:
            self._needle.step(target, dt_s)
        moved = abs(self._needle.position - self._painted) * self._geometry.radius
        if changed:
            self.update()
        elif moved > _STILL_PX:
            # The words below stay as they are.
            self.update(0, 0, self.width(), math.ceil(self._geometry.cover_top))

    def focusInEvent(self, event: QFocusEvent) -> None:  # noqa: N802
        """Tell a screen reader how the needle stands now."""
        self.setAccessibleDescription(self._face.spoken)
        super().focusInEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Fit the dial into the new size."""
        super().resizeEvent(event)
        self._lay_out()

    def _lay_out(self) -> None:
        self._geometry = DialGeometry.of(self.width(), self.height(), self._sizes, self._below_px)
        self._still = None
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint the still dial, then the needle and the words."""
        self._painted = self._needle.position
        with QPainter(self) as painter:
            painter.drawPixmap(0, 0, self._dial_picture())
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            self._paint_needles(painter)
            if self._below_px >= WORDS_PX:
                self._paint_pace(painter)
                if event.rect().bottom() > self._geometry.cover_top:
                    self._paint_words(painter)
            if self.hasFocus():
                painter.setPen(QPen(QColor(self._theme.second), 3))
                painter.setBrush(Qt.BrushStyle.NoBrush)
                corner = self._sizes.px(10)
                painter.drawRoundedRect(self.rect().adjusted(2, 2, -2, -2), corner, corner)

    def _dial_picture(self) -> QPixmap:
        if self._still is None:
            self._still = self._blank()
            with QPainter(self._still) as painter:
                parts = self._geometry, self._theme, self._limits, self._face
                paint_dial(painter, *parts, self._best)
        return self._still

    def _paint_needles(self, painter: QPainter) -> None:
        painter.save()
        width, cover = self._geometry.size.width(), self._geometry.cover_top
        painter.setClipRect(QRectF(2, 2, width - 4, cover - 2))
        at, balance, mirrored = self._painted, self._face.balance, self._face.mirrored
        if balance is None:
            self._paint_needle(painter, at, QColor(self._theme.parked), hollow=True)
        else:
            for side in (-1, 1) if mirrored else (1,):
                self._paint_sector(painter, side * at, side * balance)
                colour = QColor(self._theme.needle)
                self._paint_needle(painter, side * at, colour, hollow=mirrored)
        painter.restore()

    def _paint_sector(self, painter: QPainter, at: float, balance: float) -> None:
        """Paint what the balance may be as well, fainter towards ±2u."""
        spread = self._face.expanded_u
        colour = QColor(self._theme.needle)
        colour.setAlphaF(0.2)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(colour)
        centre = deflection(balance)
        outer = self._geometry.radius - 1
        inner = outer - self._geometry.band - self._sizes.px(150)
        for part in (1.0, 0.6):
            low = at + deflection(balance - part * spread) - centre
            high = at + deflection(balance + part * spread) - centre
            painter.drawPath(self._geometry.sector(low, high, inner, outer))

    def _paint_needle(self, painter: QPainter, at: float, colour: QColor, hollow: bool) -> None:
        dial, px = self._geometry, self._sizes.px
        tip, pivot = dial.point(at, dial.radius - px(4)), dial.pivot
        # Painted only from just below the cover up; it tapers as if it began at the pivot.
        hidden = (pivot.y() - dial.cover_top - px(8)) / max(1.0, pivot.y() - tip.y())
        foot = pivot + (tip - pivot) * min(0.98, max(0.0, hidden))
        along = tip - pivot
        across = QPointF(-along.y(), along.x()) / max(1.0, math.hypot(along.x(), along.y()))
        half_tip = max(0.8, px(3.2))
        half_foot = half_tip + (px(10) - half_tip) * (1 - hidden)
        corners = (
            foot + across * half_foot,
            tip + across * half_tip,
            tip - across * half_tip,
            foot - across * half_foot,
        )
        painter.setPen(QPen(colour, max(1.0, px(2))) if hollow else Qt.PenStyle.NoPen)
        painter.setBrush(QColor(self._theme.face) if hollow else colour)
        painter.drawPolygon(QPolygonF(corners))

    def _paint_pace(self, painter: QPainter) -> None:
        px, width = self._sizes.px, self._geometry.size.width()
        painter.setPen(QColor(self._theme.faint))
        pace = QRectF(width / 2, self._geometry.cover_top - px(44), width / 2 - px(20), px(34))
        write(
            painter, pace, self._face.pace, font_of_cap(self._sizes.print_px(15)).pixelSize(), RIGHT
        )

    def _paint_words(self, painter: QPainter) -> None:
        px, width = self._sizes.px, self._geometry.size.width()
        top = self._geometry.cover_top
        painter.setPen(QPen(QColor(self._theme.line), max(1.0, px(2))))
        painter.drawLine(QPointF(px(16), top), QPointF(width - px(16), top))
        parked = self._face.balance is None
        # Why there is none may take many words, which are then what counts.
        share = px(_PARKED_PX if parked else _HEADLINE_PX)
        painter.setPen(QColor(self._theme.faint if parked else self._theme.ink))
        headline = QRectF(px(16), top + px(8), width - px(32), share)
        tall = font_of_cap(px(FIGURE_CAP), bold=True).pixelSize()
        write(painter, headline, self._face.headline, tall, bold=True)
        painter.setPen(QColor(self._theme.ink))
        detail = QRectF(px(16), headline.bottom(), width - px(32), px(WORDS_PX - 16) - share)
        tall = font_of_cap(self._sizes.print_px(26 if parked else 20)).pixelSize()
        write(painter, detail, self._face.detail, tall)
