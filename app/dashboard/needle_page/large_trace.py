"""The trace over the whole window: persistence, mean, lobe over lobe, zoom, cursors, files."""

from __future__ import annotations

import csv
from collections import deque
from enum import StrEnum
from pathlib import Path

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QColor, QPainter
from PySide6.QtSvg import QSvgGenerator
from PySide6.QtWidgets import QLabel, QVBoxLayout, QWidget

from app.analysis.results import Trace
from app.dashboard.needle_page.turns_picture import (
    MOST_TURNS,
    Curve,
    Line,
    TurnsPicture,
    curve_of,
)
from app.dashboard.style import LIGHT, Sizes, Theme
from app.dashboard.text import translate
from app.dashboard.widgets import FlowRow, Picker, StillPlot, TouchButton, laid, named
from app.files import atomic_write

_DECAYS = (0, 4, 16, 60)
_ZOOM = 1.25
_HEADROOM = 1.3


class Fold(StrEnum):
    """What is drawn over what."""

    TURN = "one turn"
    LOBE = "lobe over lobe"


def cursor_words(
    places: tuple[float, float], heights_v: tuple[float, float], turn_ms: float | None
) -> str:
    """Return what two cursors tell: volts at each, and differences in volts, ms and degrees."""
    first, second = heights_v
    parts = [
        translate("dashboard", "1: {0:.4g} V").format(first),
        translate("dashboard", "2: {0:.4g} V").format(second),
        translate("dashboard", "2 − 1: {0:+.4g} V").format(second - first),
    ]
    apart = places[1] - places[0]
    if turn_ms is not None:
        parts.append(f"{apart * turn_ms:+.3f} ms")
    parts.append(f"{apart * 360.0:+.2f}°")
    return "   ".join(parts).replace("+-", "−").replace("-", "−")


def mean_of(turns: deque[Trace] | list[Trace]) -> Trace:
    """Return the mean of turns, bin by bin, of those of the newest one's length."""
    newest = turns[-1]
    alike = [each for each in turns if each.turns.size == newest.turns.size]
    with np.errstate(invalid="ignore"):
        stacked = np.stack([each.envelope_v for each in alike])
    known = np.isfinite(stacked)
    total = np.where(known, stacked, 0.0).sum(axis=0)
    count = known.sum(axis=0)
    envelope_v = np.where(count, total / np.maximum(count, 1), np.nan).astype(np.float32)
    return Trace(newest.turns, envelope_v, newest.tops_turns, newest.tops_v, newest.number)


class LargeTrace(QWidget):
    """The trace as large as the window, with what a hand at it wants to do."""

    keep = Signal()
    """Write what is seen to files."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setFocusPolicy(Qt.FocusPolicy.ClickFocus)
        self._turns: deque[Trace] = deque(maxlen=MOST_TURNS)
        self._held: Trace | None = None
        self._frozen = self._single = False
        self._turn_ms: float | None = None
        self._fold = Fold.TURN
        self._plot = StillPlot({}, self)
        self._box = self._plot.plot_item.getViewBox()
        self._plot.plot_item.setMouseEnabled(x=True, y=True)
        self._theme = LIGHT
        self.picture = TurnsPicture(self._box)
        self._cursors = [
            pg.InfiniteLine(at, movable=True, label=f"{number}", labelOpts={"position": 0.97})
            for number, at in ((1, 0.25), (2, 0.75))
        ]
        for each in (self.picture, *self._cursors):
            self._plot.plot_item.addItem(each, ignoreBounds=True)
        for cursor in self._cursors:
            cursor.setVisible(False)
            cursor.sigPositionChanged.connect(self._tell)
        self._title = named(QLabel(self), self.tr("What the large trace shows"))
        self._tools()
        laid(QVBoxLayout(self), self._title, (self._plot, 1), self._row, flush=True)
        self.setAccessibleName(self.tr("Large trace"))
        self.fit()
        self._tell()

    def _tools(self) -> None:
        decay = self.tr("How many turns are seen behind the newest one, each fainter")
        self.decay = Picker(self.tr("Persistence"), decay, self)
        for turns in _DECAYS:
            words = self.tr("{0} turns behind").format(turns) if turns else self.tr("newest alone")
            self.decay.addItem(words, turns)
        self.decay.setMinimumContentsLength(16)
        self.decay.currentIndexChanged.connect(self._take_decay)
        fold = self.tr("Draw the turn as it is, or its second half over the first")
        self.fold = Picker(self.tr("Fold"), fold, self)
        for each in Fold:
            self.fold.addItem(translate("dashboard", each.value), each)
        self.fold.setMinimumContentsLength(14)
        self.fold.currentIndexChanged.connect(self._take_fold)
        single = self.tr("Stand still with the next turn")
        mean = self.tr("Draw the mean of the turns that are kept, instead of the newest")
        cursors = self.tr("Two cursors, and their differences in volts, milliseconds and degrees")
        fit = self.tr("Show the whole turn again")
        self._single_button = TouchButton(self.tr("Single"), "", single, self.take_single, self)
        self.mean = TouchButton(self.tr("Mean"), "", mean, self._draw, self)
        self.mean.setCheckable(True)
        self.cursors = TouchButton(self.tr("Cursors"), "", cursors, self._take_cursors, self)
        self.cursors.setCheckable(True)
        self._fit_button = TouchButton(self.tr("Whole turn"), "", fit, self.fit, self)
        keep = self.tr("Write what is seen as a table (CSV) and as pictures (PNG, SVG)")
        self._row = FlowRow(
            self.decay,
            self.fold,
            self.mean,
            self._single_button,
            self.cursors,
            self._fit_button,
            TouchButton(self.tr("Keep"), "Ctrl+S", keep, self.keep.emit, self),
        )

    @property
    def title(self) -> str:
        """What is said above the trace."""
        return self._title.text()

    @property
    def shown(self) -> Trace | None:
        """What is drawn in front: the newest turn, or the mean of those that are kept."""
        if not self._turns:
            return None
        return mean_of(self._turns) if self.mean.isChecked() else self._turns[-1]

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme = theme
        self._plot.apply_theme(theme, sizes)
        for cursor in self._cursors:
            cursor.setPen(self._plot.pen(theme.ink, 2))
            cursor.label.setColor(theme.ink)
        self._take_decay()
        self._draw()

    def set_virtual(self, virtual: bool) -> None:
        """Set whether the samples come from the virtual drive."""
        self._plot.set_virtual(virtual)

    def clear(self) -> None:
        """Forget the turns of a source that is closed; a held one stays."""
        self._turns.clear()
        self.picture.forget_past()
        self._draw()

    def hold(self, held: Trace | None) -> None:
        """Show a held turn, or none."""
        self._held = held
        self._draw()

    def set_frozen(self, frozen: bool) -> None:
        """Let the picture stand still, or follow again."""
        self._frozen, self._single = frozen, False
        self._tell()

    def take_single(self) -> None:
        """Follow, and stand still with the next turn."""
        self._frozen, self._single = False, True
        self._tell()

    def show_trace(self, trace: Trace | None, speed_rpm: float | None) -> None:
        """Put a turn in front, unless it is there already or the picture stands still."""
        known = self._turns[-1].number if self._turns else None
        if self._frozen or trace is None or trace.number == known:
            return
        self._turn_ms = 60e3 / speed_rpm if speed_rpm else None
        if self._turns:
            self.picture.add_past(self._folded(self._turns[-1]))
        else:
            self._rescale(trace)
        self._turns.append(trace)
        if self._single:
            self._frozen, self._single = True, False
            self._tell()
        self._draw()

    def fit(self) -> None:
        """Show the whole turn, from 0 V up."""
        right = 1.0 if self._fold is Fold.TURN else 0.5
        self._plot.plot_item.setXRange(0.0, right, padding=0.02)
        if self._turns:
            self._rescale(self._turns[-1])

    def zoom(self, steps: int) -> None:
        """Zoom in (positive) or out, about the middle."""
        factor = _ZOOM**-steps
        self._box.scaleBy((factor, 1.0))

    def pan(self, steps: int) -> None:
        """Look further right (positive) or left, by a tenth of what is seen."""
        self._box.translateBy(x=0.1 * steps * self._box.viewRect().width())

    def write_csv(self, path: Path) -> None:
        """Write what is in front, and the held turn, as a table.

        Raises
        ------
        OSError
            When it cannot be written.
        """
        shown, held = self.shown, self._held
        if shown is None:
            raise OSError(self.tr("no turn has been seen yet; open a source first"))
        columns = ["turn", "degrees", "ms", "envelope_v", *(["held_v"] if held else [])]
        with atomic_write(path) as whole, whole.open("w", newline="", encoding="utf-8") as file:
            table = csv.writer(file)
            table.writerow(columns)
            for place, height_v in zip(shown.turns, shown.envelope_v, strict=True):
                ms = "" if self._turn_ms is None else f"{place * self._turn_ms:.4f}"
                row = [f"{place:.6f}", f"{place * 360:.3f}", ms, f"{height_v:.6g}"]
                if held is not None:
                    row.append(f"{np.interp(place, held.turns, held.envelope_v):.6g}")
                table.writerow(row)

    def write_picture(self, path: Path) -> None:
        """Write the plot as PNG or SVG, by the ending.

        Raises
        ------
        OSError
            When it cannot be written.
        """
        if path.suffix.lower() == ".svg":
            drawing = QSvgGenerator()
            drawing.setSize(self._plot.size())
            drawing.setViewBox(self._plot.rect())
            with atomic_write(path) as whole:
                drawing.setFileName(str(whole))
                with QPainter(drawing) as painter:
                    self._plot.render(painter)
        elif not self._plot.grab().save(str(path)):
            raise OSError(self.tr("“{0}” cannot be written; choose another folder").format(path))

    # -- inside --------------------------------------------------------------------------------

    def _rescale(self, trace: Trace) -> None:
        peak_v = float(np.nanmax(np.where(np.isfinite(trace.envelope_v), trace.envelope_v, 0.0)))
        self._plot.plot_item.setYRange(0.0, max(peak_v, 1e-9) * _HEADROOM, padding=0.0)

    def _folded(self, trace: Trace) -> list[Curve]:
        """Return the curves that a turn is drawn as."""
        whole = curve_of(trace)
        if self._fold is Fold.TURN:
            return [whole]
        first, turns, heights_v = whole.turns < 0.5, whole.turns, whole.heights_v
        return [
            Curve(turns[first], heights_v[first]),
            Curve(turns[~first] - 0.5, heights_v[~first]),
        ]

    def _draw(self) -> None:
        first, second = QColor(self._theme.needle), QColor(self._theme.second)
        width_px = self._plot.line_px(2)
        lines = []
        if self._held is not None:
            held = self._folded(self._held)[0]
            lines.append(Line(held, second, width_px, dashed=True))
        if (shown := self.shown) is not None:
            lines += [
                Line(curve, ink, width_px)
                for curve, ink in reversed(
                    list(zip(self._folded(shown), (first, second), strict=False))
                )
            ]
        self.picture.show_lines(lines)
        self._tell()

    def _take_decay(self) -> None:
        self.picture.set_past(QColor(self._theme.needle), self.decay.currentData())
        self._tell()

    def _take_fold(self) -> None:
        self._fold = self.fold.currentData()
        self.picture.forget_past()
        for past in list(self._turns)[:-1]:
            self.picture.add_past(self._folded(past))
        self.fit()
        self._draw()

    def _take_cursors(self) -> None:
        for cursor in self._cursors:
            cursor.setVisible(self.cursors.isChecked())
        self._tell()

    def _tell(self) -> None:
        words = [self.tr("Envelope in V over parts of a turn")]
        if self.mean.isChecked():
            words.append(self.tr("mean of {0} turns").format(len(self._turns)))
        if self._frozen:
            words.append(self.tr("FROZEN (space: follow again)"))
        elif self._single:
            words.append(self.tr("waiting for the next turn"))
        if self._held is not None:
            words.append(self.tr("dashed: held turn"))
        shown = self.shown
        if self.cursors.isChecked() and shown is not None:
            first, second = (float(cursor.getXPos()) for cursor in self._cursors)
            heights_v = tuple(
                float(np.interp(at, shown.turns, shown.envelope_v)) for at in (first, second)
            )
            words.append(cursor_words((first, second), (heights_v[0], heights_v[1]), self._turn_ms))
        title = "   ·   ".join(words)
        if title != self._title.text():
            self._title.setText(title)
            self.setAccessibleDescription(title)
