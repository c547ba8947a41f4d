"""The two plots below the needle: one turn of the envelope, and the balance of the last minute."""

from __future__ import annotations

import math
from collections import deque
from typing import Any

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import Qt
from PySide6.QtGui import QBrush, QColor
from PySide6.QtWidgets import QGraphicsRectItem, QWidget

from app.analysis.results import Trace
from app.dashboard.needle_page.dial import Limits, balance_of, deflection, deflections
from app.dashboard.style import LIGHT, Sizes, Theme
from app.dashboard.widgets import TitledPlot

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
        """Write each tick as a part of the turn and as a time."""
        return [self._written(value) for value in values]

    def _written(self, value: float) -> str:
        if self.turn_ms is None or value in (0.0, 1.0):  # no room for more at the ends
            return f"{value:g}"
        return f"{value:g} · {value * self.turn_ms:.0f} ms"


class TraceView(TitledPlot):
    """The newest turn of the envelope with both lobes marked, the last ones fading behind it."""

    def __init__(self, parent: QWidget | None = None) -> None:
        self._axis = _TurnAxis("bottom")
        super().__init__({"bottom": self._axis}, parent)
        self._theme: Theme = LIGHT
        self._turns: deque[Trace] = deque(maxlen=_PAST + 1)
        self._held: Trace | None = None
        self._frozen = False
        self._current = self._named = True
        self._top_v = 0.0
        self._plot.plot_item.setXRange(0.0, 1.0, padding=0.02)
        self._axis.setTickSpacing(0.25, 0.25)
        self._past = [self._curve(z) for z in range(_PAST)]
        self._reference = self._curve(_PAST)
        self._newest = self._curve(_PAST + 1, smooth=True)
        self._tops = pg.ScatterPlotItem(pxMode=True)
        self._plot.addItem(self._tops)
        self._names = [pg.TextItem(anchor=(0.5, 1.1)) for _ in range(2)]
        for name in self._names:
            self._plot.addItem(name)
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
        return self._turns[-1] if self._turns else None

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme = theme
        self._plot.apply_theme(theme, sizes)
        for rank, curve in enumerate(self._past):
            curve.setPen(self._plot.pen(theme.ink, 1, 0.10 + 0.08 * rank))
        self._ink_newest()
        dashed = self._plot.pen(theme.second, 2)
        dashed.setStyle(Qt.PenStyle.DashLine)
        self._reference.setPen(dashed)
        for name in self._names:
            name.setColor(theme.ink)
            font = name.textItem.font()
            font.setPixelSize(sizes.text_px)
            font.setBold(True)
            name.setFont(font)
        self._mark()

    def clear(self) -> None:
        """Forget the turns: another source has been opened. A held one stays, to compare with."""
        self._turns.clear()
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
        _draw_turn(self._reference, self._held)
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
        if (current, named) != (self._current, self._named):
            self._current, self._named = current, named
            self._ink_newest()
            self._mark()
            self._show_title()
        if trace is None:
            return
        if self._turns and self._turns[-1].number == trace.number:
            return
        self._turns.append(trace)
        self._axis.set_turn(round(60e3 / speed_rpm) if speed_rpm else None)
        self._draw()

    def _curve(self, depth: int, *, smooth: bool = False) -> pg.PlotCurveItem:
        curve = pg.PlotCurveItem(antialias=smooth)
        curve.setSegmentedLineMode("on")
        curve.setZValue(depth)
        self._plot.addItem(curve)
        return curve

    def _ink_newest(self) -> None:
        """Dim the turn in front, like the needle, while no reading goes with it."""
        ink = self._theme.needle if self._current else self._theme.parked
        self._newest.setPen(self._plot.pen(ink, 2))

    def _draw(self) -> None:
        *past, newest = self._turns or [None]
        empty = [None] * (_PAST - len(past))
        for curve, turn in zip([*self._past, self._newest], [*empty, *past, newest], strict=True):
            _draw_turn(curve, turn)
        if newest is not None:
            known = np.isfinite(newest.envelope_v)
            self._fit(float(newest.envelope_v.max(initial=0.0, where=known)))
        self._mark()

    def _fit(self, peak_v: float) -> None:
        """Keep a round full scale, and change it only when the lobes no longer fit it well."""
        if peak_v > 0.0 and not self._top_v * 0.35 <= peak_v * _HEADROOM <= self._top_v:
            self._top_v = _round_up(peak_v * _HEADROOM)
            self._plot.plot_item.setYRange(0.0, self._top_v, padding=0.0)

    def _mark(self) -> None:
        trace = self.shown
        tops = [] if trace is None else list(zip(trace.tops_turns, trace.tops_v, strict=True))
        known = [top if np.isfinite(top).all() else None for top in tops]
        size = max(8.0, self._plot.sizes.px(13))
        self._tops.setData(
            [
                {
                    "pos": top,
                    "symbol": "t" if rank % 2 == 0 else "s",
                    "size": size,
                    "brush": self._theme.needle if rank % 2 == 0 else self._theme.second,
                    "pen": self._theme.face,
                }
                for rank, top in enumerate(known)
                if top is not None
            ]
        )
        lobe = self.tr("lobe {0:.3g} V")
        words = (lobe, lobe)
        if self._named:
            words = (self.tr("first {0:.3g} V"), self.tr("second {0:.3g} V"))
        for name, text, top in zip(self._names, words, [*known, None, None][:2], strict=True):
            name.setVisible(top is not None and self._current)
            if top is not None:
                name.setText(text.format(top[1]))
                name.setPos(*top)

    def _show_title(self) -> None:
        words = [self.tr("One turn: envelope in V")]
        if not self._current:
            words.append(self.tr("no reading goes with it"))
        if self._frozen:
            words.append(self.tr("FROZEN (space: follow again)"))
        if self._held is not None:
            words.append(self.tr("dashed: held turn"))
        self._set_title("   ·   ".join(words))


def _draw_turn(curve: pg.PlotCurveItem, turn: Trace | None) -> None:
    if turn is None:
        curve.setData([], [])
    else:
        known_v, joined = _joined(turn.envelope_v)
        curve.setData(turn.turns, known_v, connect=joined)


def _round_up(value: float) -> float:
    """Return the next of 1, 2, 5 times a power of ten from a value above 0."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= value)
