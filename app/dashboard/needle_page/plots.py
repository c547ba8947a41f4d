"""The two plots below the needle: one turn of the envelope, and the balance of the last minute."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QFont, QFontMetricsF, QPainter, QPolygonF, QTransform
from PySide6.QtWidgets import QGraphicsRectItem, QStyleOptionGraphicsItem, QWidget

from app.analysis.results import Trace
from app.dashboard.needle_page.dial import Limits, balance_of, deflection, deflections
from app.dashboard.needle_page.turns_picture import LineInFront, TurnsPicture, curve_of
from app.dashboard.still_plot import TitledPlot
from app.dashboard.style import LIGHT, Sizes, Theme

_SPAN_S = 60.0


def _joined(heights: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Return what pyqtgraph is to draw so that values which are not finite leave a gap.

    Returns
    -------
    numpy.ndarray, numpy.ndarray
        The heights with 0 for those that are not finite, of which it would warn, and which of
        them are joined to the next.
    """
    known = np.isfinite(heights)
    return np.where(known, heights, 0.0), known & np.append(known[1:], False)


class StripView(TitledPlot):
    """A minute of balance on the dial's scale, outward up, between the bands of the two limits."""

    def __init__(self, limits: Limits, parent: QWidget | None = None) -> None:
        super().__init__({}, parent)
        self._words_side = self.tr("Last minute (s): difference in %, outward up")
        self._words_magnitude = self.tr("Last minute (s): difference in %, side not known")
        self._words_middle = self.tr("Last minute (s): from the middle, as the needle; outward up")
        item = self._plot.plot_item
        item.setXRange(-_SPAN_S, 0.0, padding=0.01)
        item.setYRange(-1.05, 1.05, padding=0.0)
        moments = [(s, f"−{-s}") for s in (-60, -45, -30, -15)]
        item.getAxis("bottom").setTicks([[*moments, (0, self.tr("now"))]])
        self._bands = [self._band() for _ in range(3)]
        self.judge_by(limits)
        self._zero = pg.InfiniteLine(0.0, angle=0)
        self._curve = pg.PlotCurveItem(antialias=False)
        for each in (self._zero, self._curve):
            self._plot.addItem(each)
        self.setAccessibleName(self.tr("Balance of the last minute"))
        self._set_title(self._words_side)

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._plot.apply_theme(theme, sizes)
        self._zero.setPen(self._plot.pen(theme.ink, 1))
        self._curve.setPen(self._plot.pen(theme.needle, 2))
        hatched = QBrush(QColor(theme.caution_band), Qt.BrushStyle.BDiagPattern)
        for band, brush in zip(
            self._bands, (hatched, QBrush(QColor(theme.good_band)), hatched), strict=True
        ):
            band.setBrush(brush)

    def judge_by(self, limits: Limits) -> None:
        """Take on the limits of another class of drive."""
        named = (limits.set_limit, limits.check_limit, 1.0)
        at_set, at_check, _ = places = [deflection(balance_of(each)) for each in named]
        ticks = [(0.0, "0")]
        for difference, at in zip(named, places, strict=True):
            ticks += [(at, f"{difference * 100:g}"), (-at, f"{difference * 100:g}")]
        self._plot.plot_item.getAxis("left").setTicks([ticks])
        edges = ((-at_check, -at_set), (-at_set, at_set), (at_set, at_check))
        for band, (low, high) in zip(self._bands, edges, strict=True):
            band.setRect(-_SPAN_S, low, _SPAN_S, high - low)

    def show_strip(
        self,
        times_s: NDArray[np.float64] | None,
        balances: NDArray[np.float64] | None,
        now_s: float,
        mirrored: bool,
        zero: float | None = None,
    ) -> None:
        """Draw the balances; NaN leaves a gap.

        Parameters
        ----------
        times_s, balances : numpy.ndarray or None
            float64, shape (n,): monotonic times and the balances at them.
        now_s : float
            Monotonic time of the right edge.
        mirrored : bool
            The side is not known: the balances are magnitudes.
        zero : float or None
            The balance at which the needle's zero is, where that is not at even lobes.
        """
        words = self._words_side if zero is None else self._words_middle
        self._set_title(self._words_magnitude if mirrored else words)
        if times_s is None or balances is None or not len(times_s):
            self._curve.setData([], [])
            return
        known, joined = _joined(balances if zero is None else balances - zero)
        self._curve.setData(times_s - now_s, deflections(known), connect=joined)

    def _band(self) -> QGraphicsRectItem:
        band = QGraphicsRectItem()
        band.setZValue(-10)
        band.setPen(Qt.PenStyle.NoPen)
        self._plot.addItem(band)
        return band


_PAST = 4
_HEADROOM = 1.3


class _TurnAxis(pg.AxisItem):
    """Place in the turn, with the time it takes once the speed is known."""

    turn_ms: int | None = None

    def set_turn(self, turn_ms: int | None) -> None:
        """Set how long a turn takes; the axis is painted anew only when that has changed."""
        if turn_ms != self.turn_ms:
            self.turn_ms = turn_ms
            self.picture = None
            self.update()

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:  # noqa: N802
        """Write each tick as a part of the turn, and as a time where there is room for that."""
        style: Any = self.style  # of pyqtgraph, over the method of Qt's that its type tells of
        metrics = QFontMetricsF(style["tickFont"] or QFont())
        parts, words = [f"{value:g}" for value in values], list(map(self._written, values))
        part, word = (
            max(map(metrics.horizontalAdvance, each), default=0.0) for each in (parts, words)
        )
        room = spacing * self.width()
        if word < room:
            return words
        # The middle alone has a time where that keeps clear of what is beside it.
        timed = 0.5 if (word + part) / 2.0 < room else None
        return [words[n] if value == timed else parts[n] for n, value in enumerate(values)]

    def _written(self, value: float) -> str:
        if self.turn_ms is None or value in (0.0, 1.0):  # no room for more at the ends
            return f"{value:g}"
        return f"{value:g} · {value * self.turn_ms:.0f} ms"


_SYMBOLS = (
    QPolygonF([QPointF(0.0, 0.5), QPointF(-0.5, -0.5), QPointF(0.5, -0.5)]),
    QPolygonF(QRectF(-0.5, -0.5, 1.0, 1.0)),
)
"""Of the first and of the second lobe, one pixel large, y downward."""


@dataclass(frozen=True, slots=True)
class Top:
    """The top of a lobe: its place in the turn and its height, its rank, and words for it."""

    at: tuple[float, float]
    rank: int
    words: str


class Tops(pg.GraphicsObject):
    """Marks the tops of the lobes, each by a shape and a colour of its own."""

    def __init__(self, box: pg.ViewBox) -> None:
        super().__init__()
        self._box = box
        self._theme, self._sizes = LIGHT, Sizes(1.0)
        self.tops: tuple[Top, ...] = ()
        for changed in (box.sigRangeChanged, box.sigResized):
            changed.connect(lambda *_: self.prepareGeometryChange())

    @property
    def size_px(self) -> float:
        """Edge of a mark."""
        return max(8.0, self._sizes.px(13))

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme, self._sizes = theme, sizes
        self.update()

    def show_tops(self, tops: tuple[Top, ...]) -> None:
        """Mark these, in place of those before."""
        if tops != self.tops:
            self.tops = tops
            self.update()

    def boundingRect(self) -> QRectF:  # noqa: N802
        """Return what is in view."""
        return self._box.viewRect()

    def paint(
        self,
        painter: QPainter,
        option: QStyleOptionGraphicsItem,
        widget: QWidget | None = None,
    ) -> None:
        """Paint each mark, and its words above it."""
        del option, widget
        to_pixels = painter.transform()
        painter.resetTransform()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = painter.font()
        font.setPixelSize(self._sizes.text_px)
        font.setBold(True)
        painter.setFont(font)
        size = self.size_px
        larger = QTransform.fromScale(size, size)
        for top in self.tops:
            where = to_pixels.map(QPointF(*top.at))
            painter.setPen(QColor(self._theme.face))
            painter.setBrush(QColor(self._theme.needle if top.rank == 0 else self._theme.second))
            painter.drawPolygon(larger.map(_SYMBOLS[top.rank]).translated(where))
            painter.setPen(QColor(self._theme.ink))
            box = QRectF(where.x() - 200, where.y() - size - 100, 400, 100)
            painter.drawText(box, _ABOVE, top.words)
        painter.setTransform(to_pixels)


_ABOVE = int(Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignBottom)


class TraceView(TitledPlot):
    """The newest turn of the envelope with both lobes marked, the last ones fading behind it."""

    def __init__(self, parent: QWidget | None = None) -> None:
        self._axis = _TurnAxis("bottom")
        super().__init__({"bottom": self._axis}, parent)
        self._theme: Theme = LIGHT
        self._newest: Trace | None = None
        self._held: Trace | None = None
        self._frozen = False
        self._current = self._named = True
        self._top_v = 0.0
        self._plot.plot_item.setXRange(0.0, 1.0, padding=0.02)
        self._axis.setTickSpacing(0.25, 0.25)
        box = self._plot.plot_item.getViewBox()
        self.picture, self._tops = TurnsPicture(box, _PAST), Tops(box)
        for each in (self.picture, self._tops):
            self._plot.plot_item.addItem(each, ignoreBounds=True)
        self.setAccessibleName(self.tr("Envelope of one turn"))
        self._show_title()

    @property
    def frozen(self) -> bool:
        """Whether the picture stands still."""
        return self._frozen

    @property
    def held(self) -> Trace | None:
        """The turn that is held as a reference."""
        return self._held

    @property
    def shown(self) -> Trace | None:
        """The turn in front."""
        return self._newest

    @property
    def tops(self) -> tuple[Top, ...]:
        """The lobes' tops that are marked."""
        return self._tops.tops

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme = theme
        self._plot.apply_theme(theme, sizes)
        self._tops.apply_theme(theme, sizes)
        self.picture.set_past(QColor(theme.ink), _PAST)
        self._draw()

    def clear(self) -> None:
        """Forget the turns: another source has been opened. A held one stays, to compare with."""
        self._newest = None
        self.picture.forget_past()
        self._frozen = False
        self._draw()
        self._show_title()

    def set_frozen(self, frozen: bool) -> None:
        """Let the picture stand still, or follow again."""
        self._frozen = frozen
        self._show_title()

    def hold(self, held: bool) -> None:
        """Keep the turn in front as a reference, or let it go."""
        self._held = self.shown if held else None
        self._draw()
        self._show_title()

    def show_trace(
        self, trace: Trace | None, speed_rpm: float | None, *, current: bool, named: bool
    ) -> None:
        """Put a turn in front, unless it is there already or the picture is frozen.

        Parameters
        ----------
        trace : Trace or None
            The newest whole turn.
        speed_rpm : float or None
            Spindle speed, for the time axis.
        current : bool
            Whether a valid reading goes with it; without one no heights are written.
        named : bool
            Whether it is known which lobe is the first.
        """
        if self._frozen:
            return
        is_new = trace is not None and (self._newest is None or trace.number != self._newest.number)
        known_as = current, named
        if not is_new and known_as == (self._current, self._named):
            return
        self._current, self._named = known_as
        if is_new:
            if self._newest is not None:
                self.picture.add_past([curve_of(self._newest)])
            self._newest = trace
            self._axis.set_turn(round(60e3 / speed_rpm) if speed_rpm else None)
        self._draw()
        self._show_title()

    def _draw(self) -> None:
        # The turn in front is dim, like the needle, while no reading goes with it.
        ink = QColor(self._theme.needle if self._current else self._theme.parked)
        width_px = self._plot.line_px(2)
        lines = []
        if self._held is not None:
            held = curve_of(self._held)
            lines.append(LineInFront(held, QColor(self._theme.second), width_px, dashed=True))
        if self._newest is not None:
            newest = curve_of(self._newest)
            lines.append(LineInFront(newest, ink, width_px))
            known = np.isfinite(newest.heights_v)
            self._fit(float(newest.heights_v.max(initial=0.0, where=known)))
        self.picture.show_lines(lines)
        self._mark()

    def _fit(self, peak_v: float) -> None:
        """Keep a round full scale, and change it only when the lobes no longer fit it well."""
        top_v = fitted_top(self._top_v, peak_v)
        if top_v != self._top_v:
            self._top_v = top_v
            self._plot.plot_item.setYRange(0.0, top_v, padding=0.0)

    def _mark(self) -> None:
        lobe = self.tr("lobe {0:.3g} V")
        words = (lobe, lobe)
        if self._named:
            words = (self.tr("first {0:.3g} V"), self.tr("second {0:.3g} V"))
        newest = self._newest
        tops = () if newest is None else zip(newest.tops_turns, newest.tops_v, strict=True)
        self._tops.show_tops(
            tuple(
                Top(at, rank % 2, words[rank].format(at[1]) if self._current and rank < 2 else "")
                for rank, at in enumerate(tops)
                if np.isfinite(at).all()
            )
        )

    def _show_title(self) -> None:
        words = [self.tr("One turn: envelope in V")]
        if not self._current:
            words.append(self.tr("no reading goes with it"))
        if self._frozen:
            words.append(self.tr("FROZEN (space: follow again)"))
        if self._held is not None:
            words.append(self.tr("dashed: held turn"))
        self._set_title("   ·   ".join(words))


def fitted_top(top_v: float, peak_v: float) -> float:
    """Return a round full scale for a peak: the one that is, unless the peak no longer fits it."""
    if peak_v <= 0.0 or top_v * 0.35 <= peak_v * _HEADROOM <= top_v:
        return top_v
    return _round_up(peak_v * _HEADROOM)


def _round_up(value: float) -> float:
    """Return the next of 1, 2, 5 times a power of ten from a value above 0."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= value)
