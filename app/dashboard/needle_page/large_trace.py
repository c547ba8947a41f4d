"""The trace over the whole window: what came and what was made of it, now and before now.

Persistence, mean, lobe over lobe, zoom and cursors; the envelope alone, the carrier or every
channel as they came; ten minutes back, of the last turns with their samples; files.
"""

from __future__ import annotations

import csv
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QEvent, QObject, Qt, Signal
from PySide6.QtGui import QColor, QPainter, QResizeEvent, QWheelEvent
from PySide6.QtSvg import QSvgGenerator
from PySide6.QtWidgets import QLabel, QVBoxLayout, QWidget

from app.analysis.results import Trace
from app.dashboard.needle_page.fingers import Fingers
from app.dashboard.needle_page.past_bar import PastBar
from app.dashboard.needle_page.plots import Top, Tops, fitted_top
from app.dashboard.needle_page.raw_curves import CARRIER, channel_of, drawn
from app.dashboard.needle_page.turns_picture import (
    MOST_TURNS,
    Curve,
    LineInFront,
    TurnsPicture,
    curve_of,
)
from app.dashboard.still_plot import StillPlot
from app.dashboard.style import LIGHT, Sizes, Theme
from app.dashboard.text import translate
from app.dashboard.widgets import FILLS, FlowRow, Picker, TouchButton, laid, named, write_png
from app.files import atomic_write
from app.live.past import KEPT_S, SAMPLED_TURNS, Look, Past

if TYPE_CHECKING:
    from app.live.past import Block

_DECAYS = (0, 4, 16, MOST_TURNS)
_ZOOM = 1.25
_HEADROOM = 1.3
_LOOK_S = 0.1
"""Between two looks at what is kept: at the pace of the eye."""
_BAR_S = 0.5
LONG_STEP_S = 10.0
_ROOM_FOR_BAR_PX = 400
_FEWEST_LETTERS = 6
_LANE = 0.45
"""Half of a channel's lane, less a gap."""


class Seen(StrEnum):
    """What is drawn of the signal."""

    ENVELOPE = "envelope"
    CARRIER = "carrier and envelope"
    CHANNELS = "every channel"


class Fold(StrEnum):
    """What is drawn over what."""

    TURN = "one turn"
    LOBE = "lobe over lobe"


def cursor_words(
    places: tuple[float, float], heights_v: tuple[float, float], turn_ms: float | None
) -> str:
    """Return what two cursors tell: volts at each, and differences in volts, ms and degrees."""
    first, second = heights_v
    named = (
        (translate("dashboard", "1: {0:.4g} V"), first),
        (translate("dashboard", "2: {0:.4g} V"), second),
        (translate("dashboard", "2 − 1: {0:+.4g} V"), second - first),
    )
    # Where samples were lost there is no height.
    parts = [words.format(height_v) for words, height_v in named if np.isfinite(height_v)]
    apart = places[1] - places[0]
    if turn_ms is not None:
        parts.append(f"{apart * turn_ms:+.3f} ms")
    parts.append(f"{apart * 360.0:+.2f}°")
    return "   ".join(parts).replace("+-", "−").replace("-", "−")


def mean_of(turns: Sequence[Trace]) -> Trace:
    """Return the mean of turns at the newest one's places; no two need have as many."""
    newest = turns[-1]
    # Next to a gap nothing is known either.
    with np.errstate(invalid="ignore"):
        stacked = np.stack([np.interp(newest.turns, each.turns, each.envelope_v) for each in turns])
    known = np.isfinite(stacked)
    total = np.where(known, stacked, 0.0).sum(axis=0)
    count = known.sum(axis=0)
    envelope_v = np.where(count, total / np.maximum(count, 1), np.nan).astype(np.float32)
    return Trace(newest.turns, envelope_v, newest.tops_turns, newest.tops_v, newest.number)


def _peak(heights_v: NDArray[np.float64]) -> float:
    return float(np.abs(heights_v).max(initial=0.0, where=np.isfinite(heights_v)))


def _moved(curve: Curve, by_turns: float, by: float, scale: float) -> Curve:
    return Curve(curve.turns + by_turns, by + scale * curve.heights_v)


class LargeTrace(QWidget):
    """The trace as large as the window, with what a hand at it wants to do."""

    keep = Signal()
    """Write what is seen to files."""
    beyond = Signal(float)
    """Show what comes so many seconds after what is newest, where a capture has that already."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setFocusPolicy(Qt.FocusPolicy.ClickFocus)
        self._turns: deque[Trace] = deque(maxlen=MOST_TURNS)
        self._held: Trace | None = None
        self._measured: Trace | None = None
        self._measured_by = ""
        self._frozen = self._single = self._paused = False
        self._turn_ms: float | None = None
        self._past: Past | None = None
        self._roles: tuple[str, ...] = ()
        self._at_s: float | None = None
        self._look: Look | None = None
        self._looked_at_s = self._bar_at_s = float("-inf")
        self._tops_v: dict[str, float] = {}
        self._seen, self._fold = Seen.ENVELOPE, Fold.TURN
        self._plot = StillPlot({}, self)
        self._box = self._plot.plot_item.getViewBox()
        self._plot.plot_item.setMouseEnabled(x=True, y=True)
        self._theme = LIGHT
        self.picture = TurnsPicture(self._box)
        self._cursors = [
            pg.InfiniteLine(at, movable=True, label=f"{number}", labelOpts={"position": 0.97})
            for number, at in ((1, 0.25), (2, 0.75))
        ]
        self._marks = Tops(self._box)
        for each in (self.picture, self._marks, *self._cursors):
            self._plot.plot_item.addItem(each, ignoreBounds=True)
        for cursor in self._cursors:
            cursor.setVisible(False)
            cursor.sigPositionChanged.connect(self._tell)
        self._title = named(QLabel(self), self.tr("What the large trace shows"))
        self._title.setWordWrap(True)
        self.bar = PastBar(KEPT_S, self)
        self.bar.asked.connect(self.show_back)
        self.bar.stepped.connect(self.scroll_by)
        self._box.sigRangeChanged.connect(self._draw_raw)
        self._plot.viewport().installEventFilter(self)
        self._fingers = Fingers(self._plot)
        self._tools()
        laid(QVBoxLayout(self), self._title, (self._plot, FILLS), self.bar, self._row, flush=True)
        self.setAccessibleName(self.tr("Large trace"))
        self.fit()
        self._tell()

    def _tools(self) -> None:
        seen = self.tr("Draw the envelope alone, the carrier too, or each channel as it came")
        self.seen = Picker(self.tr("Signal"), seen, self)
        for each in Seen:
            self.seen.addItem(translate("dashboard", each.value), each)
        self.seen.currentIndexChanged.connect(self._take_seen)
        decay = self.tr("How many turns are seen behind the newest one, each fainter")
        self.decay = Picker(self.tr("Persistence"), decay, self)
        for turns in _DECAYS:
            words = self.tr("{0} turns behind").format(turns) if turns else self.tr("newest alone")
            self.decay.addItem(words, turns)
        self.decay.currentIndexChanged.connect(self._take_decay)
        fold = self.tr("Draw the turn as it is, or its second half over the first")
        self.fold = Picker(self.tr("Fold"), fold, self)
        for each in Fold:
            self.fold.addItem(translate("dashboard", each.value), each)
        self.fold.currentIndexChanged.connect(self._take_fold)
        # How many letters of its choice each shows where there is room.
        self._letters = {self.seen: 16, self.decay: 16, self.fold: 14}
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
        now = self.tr("Show what comes again, after having looked back")
        self._now = TouchButton(self.tr("Now"), "Ctrl+End", now, self.show_now, self, is_next=True)
        self._now.hide()
        keep = self.tr(
            "Write what is seen as a table (CSV) and as pictures (PNG, SVG); samples as a capture "
            "(WAV) too"
        )
        self._keep = TouchButton(self.tr("Keep"), "Ctrl+S", keep, self.keep.emit, self)
        self._row = FlowRow(
            self._now,
            self.seen,
            self.decay,
            self.fold,
            self.mean,
            self._single_button,
            self.cursors,
            self._fit_button,
            self._keep,
        )

    @property
    def title(self) -> str:
        """What is said above the trace."""
        return self._title.text()

    @property
    def shown(self) -> Trace | None:
        """What is drawn in front: the newest turn, or the mean of those that are kept."""
        turns = self._front
        if not turns:
            return None
        return mean_of(turns) if self.mean.isChecked() else turns[-1]

    @property
    def samples(self) -> tuple[Block, ...]:
        """The samples that are drawn; empty where there are none, or the envelope alone is."""
        return () if self._seen is Seen.ENVELOPE or self._look is None else self._look.blocks

    @property
    def _front(self) -> Sequence[Trace]:
        """The turn in front, last, and those behind it."""
        if self._at_s is None and self._seen is Seen.ENVELOPE:
            return self._turns
        # With samples it is the envelope of just these, or none.
        return [] if self._look is None else [each.trace for each in self._look.turns]

    @property
    def back_s(self) -> float:
        """How long before now that was which is shown."""
        return 0.0 if self._at_s is None or self._look is None else self._look.back_s

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme = theme
        self._plot.apply_theme(theme, sizes)
        self.bar.apply_theme(theme, sizes)
        self._marks.apply_theme(theme, sizes)
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
        self._past = self._look = None
        self._tops_v.clear()
        self._look_at(None)
        self.picture.forget_past()
        self.bar.show_past(np.zeros(0), 0.0)
        self._draw()

    def hold(self, held: Trace | None) -> None:
        """Show a held turn, or none."""
        self._held = held
        self._draw()

    def show_measured(self, trace: Trace | None, check: str) -> None:
        """Show what a check of such a title has measured of the turn; or nothing."""
        if trace is not self._measured:
            self._measured, self._measured_by = trace, check
            self._draw()

    def set_frozen(self, frozen: bool) -> None:
        """Let the picture stand still, or follow again."""
        self._frozen, self._single = frozen, False
        self._tell()

    def set_paused(self, paused: bool) -> None:
        """Say that a capture stands still, or plays."""
        if paused is not self._paused:
            self._paused = paused
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
        if self._at_s is not None:
            self._turns.append(trace)
            return
        if self._turns:
            self.picture.add_past(self._folded(self._turns[-1]))
        elif self._seen is Seen.ENVELOPE:
            self._rescale(trace)
        self._turns.append(trace)
        if self._single:
            self._frozen, self._single = True, False
            self._tell()
        # Also of an envelope: it may be frozen, and its samples asked for then.
        self._look = None if self._past is None else self._past.look(before=MOST_TURNS)
        self._draw()

    def show_past(self, past: Past | None, roles: tuple[str, ...], now_s: float) -> None:
        """Take what is kept of the open source, whose channels carry these roles."""
        if past is not self._past:
            self._past, self._look, self._roles = past, None, ()
            self._look_at(None)
            self._tell()
        if roles != self._roles:
            self._roles = roles
            self.fit()
            self._tell()
        looks = self._at_s is not None or (self._seen is not Seen.ENVELOPE and not self._frozen)
        if looks and now_s - self._looked_at_s >= _LOOK_S:
            self._looked_at_s = now_s
            self._take_look()
        if now_s - self._bar_at_s >= _BAR_S:
            self._bar_at_s = now_s
            self._show_bar()

    def scroll_by(self, turns: float) -> None:
        """Look so many turns further on, back where negative."""
        if self._past is not None and self._at_s is None and turns > 0:
            self.beyond.emit(turns * self._past.turn_s)
        elif self._past is not None:
            self._look_at(self._past.step(self._at_s, turns))

    def scroll_long(self, steps: int) -> None:
        """Look so many times ten seconds further on, back where negative."""
        if self._past is not None and self._at_s is None and steps > 0:
            self.beyond.emit(steps * LONG_STEP_S)
        elif self._past is not None:
            self._look_at(self._past.moment(max(0.0, self.back_s - steps * LONG_STEP_S)))

    def show_back(self, back_s: float) -> None:
        """Look at what was so long ago."""
        if self._past is not None:
            self._look_at(self._past.moment(back_s))

    def show_now(self) -> None:
        """Look at what comes."""
        self._look_at(None)

    def fit(self) -> None:
        """Show the whole turn, from 0 V up."""
        right = 1.0 if self._fold is Fold.TURN else 0.5
        self._plot.plot_item.setXRange(0.0, right, padding=0.02)
        if self._seen is Seen.CHANNELS:
            self._plot.plot_item.setYRange(0.0, len(self._lanes), padding=0.0)
        elif self._seen is Seen.CARRIER:
            top_v = self._tops_v.get(CARRIER, 1.0)
            self._plot.plot_item.setYRange(-top_v, top_v, padding=0.0)
        elif self._front:
            self._rescale(self._front[-1])

    def zoom(self, steps: int) -> None:
        """Zoom in (positive) or out, about the middle."""
        factor = _ZOOM**-steps
        self._box.scaleBy((factor, 1.0))

    def pan(self, steps: int) -> None:
        """Look further right (positive) or left, by a tenth of what is seen."""
        self._box.translateBy(x=0.1 * steps * self._box.viewRect().width())

    def write_csv(self, path: Path) -> None:
        """Write what is in front as a table: its samples, or its envelope with the held turn.

        Raises
        ------
        OSError
            When it cannot be written.
        """
        shown, held = self.shown, self._held
        if self.samples:
            self._write_samples(path)
            return
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

    def _write_samples(self, path: Path) -> None:
        look = self._look
        assert look is not None
        first, length = look.frames[0], look.frames[1] - look.frames[0]
        with atomic_write(path) as whole, whole.open("w", newline="", encoding="utf-8") as file:
            table = csv.writer(file)
            table.writerow(["turn", "ms", *(f"{role}_v" for role in self._roles)])
            for block in look.blocks:
                places = block.first_index + np.arange(len(block.samples_v)) - first
                ms = 1e3 / block.sample_rate_hz
                for place, volts in zip(places.tolist(), block.samples_v.tolist(), strict=True):
                    begun = f"{place / length:.7f}", f"{place * ms:.5f}"
                    table.writerow([*begun, *(f"{each:.6g}" for each in volts)])

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
        else:
            write_png(self._plot, path)

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
        if self._seen is Seen.ENVELOPE:
            lines = self._envelope_lines(QColor(self._theme.needle))
        elif self._seen is Seen.CARRIER:
            lines = self._carrier_lines()
        else:
            lines = self._channel_lines()
        self.picture.show_lines(lines)
        self._mark()
        self._tell()

    def _mark(self) -> None:
        """Write at each burst of what was measured how high it is."""
        marks: tuple[Top, ...] = ()
        if self._measured is not None and self._shows_measured:
            trace = self._measured
            marks = tuple(
                Top(at, rank % 2, f"{at[1]:.3g} V")
                for rank, at in enumerate(zip(trace.tops_turns, trace.tops_v, strict=True))
                if np.isfinite(at).all()
            )
        self._marks.show_tops(marks)

    @property
    def _shows_measured(self) -> bool:
        """Whether what a check has measured has its place: beside the envelope of now, unfolded."""
        unfolded = self._seen is Seen.ENVELOPE and self._fold is Fold.TURN
        return self._measured is not None and unfolded and self._at_s is None

    def _draw_raw(self) -> None:
        """Find the samples' lines anew: another part of the turn is in view."""
        if self._seen is not Seen.ENVELOPE:
            self._draw()

    def _envelope_lines(self, ink: QColor) -> list[LineInFront]:
        second = QColor(self._theme.second)
        width_px = self._plot.line_px(2)
        lines = []
        if self._held is not None:
            held = self._folded(self._held)[0]
            lines.append(LineInFront(held, second, width_px, dashed=True))
        if self._measured is not None and self._shows_measured:
            measured = curve_of(self._measured)
            lines.append(LineInFront(measured, QColor(self._theme.ink), width_px, dashed=True))
        if (shown := self.shown) is not None:
            halves = zip(self._folded(shown), (ink, second), strict=False)
            lines += [
                LineInFront(curve, colour, width_px) for curve, colour in reversed(list(halves))
            ]
        return lines

    def _carrier_lines(self) -> list[LineInFront]:
        top_v = self._tops_v.get(CARRIER, 0.0)
        lines = self._raw_lines(CARRIER, QColor(self._theme.needle), 0.0, 1.0)
        if self._tops_v.get(CARRIER, 0.0) != top_v:
            self.fit()
        return lines + self._envelope_lines(QColor(self._theme.ink))

    @property
    def _lanes(self) -> tuple[str, ...]:
        """What has a lane of its own, the lowest first."""
        return (*reversed(self._roles), "")

    def _channel_lines(self) -> list[LineInFront]:
        """Return each channel in its lane, and in the top one the envelope, whose name is empty."""
        inks = self._theme.needle, self._theme.second, self._theme.ink
        lines: list[LineInFront] = []
        for lane, name in enumerate(self._lanes):
            middle = lane + 0.5
            if name:
                ink = QColor(inks[self._roles.index(name) % len(inks)])
                lines += self._raw_lines(name, ink, middle, _LANE)
                continue
            envelope = self._envelope_lines(QColor(self._theme.needle))
            peaks_v = (line.curve.heights_v for line in envelope)
            scale = 2 * _LANE / self._top_of("", max(map(_peak, peaks_v), default=0.0))
            lines += [
                replace(line, curve=_moved(line.curve, 0.0, middle - _LANE, scale))
                for line in envelope
            ]
        self._name_lanes()
        return lines

    def _raw_lines(self, name: str, ink: QColor, middle: float, half: float) -> list[LineInFront]:
        """Return a channel's samples about `middle`, its full scale `half` high, or in volts."""
        look = self._look
        if look is None or not look.blocks or not self._roles:
            return []
        view, columns = self._box.viewRect(), max(1, round(self._box.width()))
        end = 1.0 if self._fold is Fold.TURN else 0.5
        seen = max(view.left(), 0.0), min(view.right(), end)
        channel = channel_of(name, self._roles)
        halves = [
            drawn(look.blocks, channel, look.frames, (seen[0] + start, seen[1] + start), columns)
            for start in ([0.0] if self._fold is Fold.TURN else [0.0, 0.5])
        ]
        top_v = self._top_of(name, max(_peak(each.curve.heights_v) for each in halves))
        scale = 1.0 if name == CARRIER else half / top_v
        width_px = self._plot.line_px(1)
        lines = [
            LineInFront(_moved(halves[0].curve, 0.0, middle, scale), ink, width_px, solid=True)
        ]
        for over in halves[1:]:
            # Filled it would hide the first; at its edges one sees where either is the higher.
            second = QColor(self._theme.second if ink != self._theme.second else self._theme.ink)
            for curve in over.edges or (over.curve,):
                lines.append(LineInFront(_moved(curve, -0.5, middle, scale), second, width_px))
        return lines

    def _top_of(self, name: str, peak_v: float) -> float:
        """Return a channel's full scale, which changes only where its peak no longer fits it."""
        self._tops_v[name] = fitted_top(self._tops_v.get(name, 0.0), peak_v) or 1.0
        return self._tops_v[name]

    def _name_lanes(self) -> None:
        """Write at each lane what it is, and how much the whole of it is."""
        ticks = []
        for lane, name in enumerate(self._lanes):
            top_v = self._tops_v.get(name, 1.0)
            words = name or self.tr("envelope")
            ticks.append((lane + 0.5, words))
            ticks.append((lane + 0.5 + _LANE, f"{top_v:.3g} V"))
        self._plot.plot_item.getAxis("left").setTicks([ticks])

    def _take_decay(self) -> None:
        # Behind samples nothing would be seen.
        decay = self.decay.currentData() if self._seen is Seen.ENVELOPE else 0
        self.picture.set_past(QColor(self._theme.needle), decay)
        self._tell()

    def _take_seen(self) -> None:
        self._seen = Seen(self.seen.currentData())
        self.decay.setEnabled(self._seen is Seen.ENVELOPE)
        self._take_decay()
        if self._seen is not Seen.CHANNELS:
            self._plot.plot_item.getAxis("left").setTicks(None)
        self.fit()
        self._draw()

    def _take_fold(self) -> None:
        self._fold = Fold(self.fold.currentData())
        self.picture.forget_past()
        self._lay_behind()
        self.fit()
        self._draw()

    def _lay_behind(self) -> None:
        """Put the turns behind that in front into the picture."""
        behind = list(self._front)[:-1]
        self.picture.show_past(
            [each.frames or each.number for each in behind],
            lambda place: self._folded(behind[place]),
        )

    def _look_at(self, at_s: float | None) -> None:
        """Look at a moment; None for what comes."""
        if at_s == self._at_s:
            return
        self._at_s = at_s
        self._now.setVisible(at_s is not None)
        self._single_button.setVisible(at_s is None)
        if self._past is not None:
            self._look = self._past.look(at_s, MOST_TURNS)
        self._lay_behind()
        self._draw()
        self.bar.show_back(self.back_s)

    def _take_look(self) -> None:
        """Look again at what is kept, and draw it where it is something else."""
        if self._past is None:
            return
        before, look = self._look, self._past.look(self._at_s, MOST_TURNS)
        if self._at_s is None and before is not None and look is not None and look.turns:
            return  # what comes is looked at turn by turn
        self._look = look
        if look is None or before is None or look.frames != before.frames:
            self._draw()
        else:
            self._tell()

    def _show_bar(self) -> None:
        if self._past is None:
            return
        turn_s = self._past.turn_s
        heights_v = self._past.heights(self.bar.width())
        self.bar.show_past(heights_v, SAMPLED_TURNS * turn_s)
        self.bar.show_back(self.back_s)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Leave the bar out where the trace itself needs the room; the keys go back as well."""
        super().resizeEvent(event)
        roomy = self.height() >= _ROOM_FOR_BAR_PX
        self.bar.setVisible(roomy)
        self._leave_out(letters=not roomy, keys=not roomy)
        for letters in (False, True):
            if roomy and self._row.sizeHint().width() > self.width():
                # One line of the trace's height, for keys that the first page tells too.
                self._leave_out(letters=letters, keys=True)

    def _leave_out(self, *, letters: bool, keys: bool) -> None:
        """Let choices be as narrow as can be, and buttons be without their keys."""
        for picker, most in self._letters.items():
            picker.setMinimumContentsLength(_FEWEST_LETTERS if letters else most)
        for button in (self._now, self._keep):
            button.tell_key(not keys)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Go back and on with a wheel that is turned sidewise or with Shift; else it zooms."""
        if isinstance(event, QWheelEvent):
            sidewise = event.angleDelta().x() and not event.angleDelta().y()
            if sidewise or event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
                self.bar.wheelEvent(event)
                return True
        return super().eventFilter(watched, event)

    def _take_cursors(self) -> None:
        for cursor in self._cursors:
            cursor.setVisible(self.cursors.isChecked())
        self._tell()

    def _back_words(self) -> list[str]:
        """Return how far back that is which is shown, and what there is not of it."""
        words, look = [], self._look
        if self._at_s is not None:
            number = f"{self.back_s:.1f}" if self.back_s < 10.0 else f"{self.back_s:.0f}"
            words.append(self.tr("{0} s BACK").format(number))
        looks = self._at_s is not None or self._seen is not Seen.ENVELOPE
        if looks and look is not None and not look.turns:
            words.append(self.tr("no turn was followed here"))
        if self._seen is not Seen.ENVELOPE and look is not None and not look.blocks:
            words.append(
                self.tr("samples are kept of the last {0} turns alone").format(SAMPLED_TURNS)
            )
        return words

    def _missing_words(self) -> list[str]:
        """Return what is not there of what was chosen to be drawn, and what to do about it."""
        look, raw = self._look, self._seen is not Seen.ENVELOPE
        if self._past is None:
            return [self.tr("no source is open: F2 opens one")] if raw or not self._turns else []
        if not raw:
            nothing = self._at_s is None and not self._turns
            return [self.tr("no turn followed yet: at the needle stands why")] if nothing else []
        words = [self.tr("no samples have come yet")] if look is None else []
        if "envelope" in self._roles and self._seen is Seen.CARRIER:
            words.append(
                self.tr(
                    "no carrier: this source brings the envelope alone; open one that samples the "
                    "test points themselves"
                )
            )
        elif look is not None and look.blocks and look.blocks[0].min_max:
            words.append(
                self.tr(
                    "lowest and highest samples alone, as the scope keeps them: its carrier is in "
                    "a record of the full rate (evenlobe record)"
                )
            )
        return words

    def _standing_words(self) -> list[str]:
        """Return that what is newest stands still, or is about to."""
        if self._at_s is not None:
            return []
        if self._frozen:
            return [self.tr("FROZEN (space: follow again)")]
        if self._paused:
            return [self.tr("PAUSED (space: play on; Ctrl+PgDn: a turn)")]
        return [self.tr("waiting for the next turn")] if self._single else []

    def _tell(self) -> None:
        words = [
            {
                Seen.ENVELOPE: self.tr("Envelope in V over parts of a turn"),
                Seen.CARRIER: self.tr("Carrier and envelope in V over parts of a turn"),
                Seen.CHANNELS: self.tr("Every channel over parts of a turn"),
            }[self._seen]
        ]
        if self._turn_ms is not None:
            words.append(self.tr("a turn is {0:.0f}\u00a0ms").format(self._turn_ms))
        words[:0] = [*self._missing_words(), *self._back_words()]
        if self.mean.isChecked():
            words.append(self.tr("mean of {0} turns").format(len(self._front)))
        words += self._standing_words()
        if self._held is not None:
            words.append(self.tr("dashed: held turn"))
        if self._measured is not None and self._shows_measured:
            words.append(self.tr("dashed, with its bursts: {0}").format(self._measured_by))
        shown = self.shown
        if self.cursors.isChecked() and shown is not None:
            first, second = (float(cursor.getXPos()) for cursor in self._cursors)
            heights_v = tuple(
                float(np.interp(at, shown.turns, shown.envelope_v)) for at in (first, second)
            )
            words.append(cursor_words((first, second), (heights_v[0], heights_v[1]), self._turn_ms))
        title = "   ·   ".join(words)
        self.bar.setAccessibleDescription(self.tr("now") if self._at_s is None else words[0])
        if title != self._title.text():
            self._title.setText(title)
            self.setAccessibleDescription(title)
