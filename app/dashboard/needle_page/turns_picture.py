"""Turns of the envelope as one picture: those that have been, each fainter, and curves in front.

A turn is a height for each place, so that what it inks is a span of rows in each column of pixels.
These are found for a whole turn at once, which is many times faster than to stroke its line, and
every turn that has been is kept as the pixels that it inked: a turn more costs its own alone. How
faint each is stands in the colour table of their layer, so that no pixel is inked again for it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QImage, QPaintEngine, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QStyleOptionGraphicsItem, QWidget

from app.analysis.results import Trace

MOST_TURNS = 60
"""Turns that are kept behind those in front."""
LEAST_ALPHA = 0.03
"""Of the oldest turn that is seen, as a part of the newest's behind the front."""
_PAST_ALPHA = 0.6
_DASH_PX = 6

Pixels = NDArray[np.int64]
"""Places in a picture, counted row after row."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Heights in volts at places in the turn, float64 of one length; NaN leaves a gap."""

    turns: NDArray[np.float64]
    heights_v: NDArray[np.float64]


def curve_of(trace: Trace) -> Curve:
    """Return a whole turn as a curve."""
    return Curve(trace.turns.astype(np.float64), trace.envelope_v.astype(np.float64))


@dataclass(frozen=True, slots=True)
class LineInFront:
    """A curve in front, with how it is drawn.

    A `solid` one has hard edges: of a carrier, which inks most of the picture, nobody sees them,
    and it is painted in a part of the time.
    """

    curve: Curve
    ink: QColor
    width_px: float
    dashed: bool = False
    solid: bool = False


def spans(
    x: NDArray[np.float64], y: NDArray[np.float64], width: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the highest and the lowest point of a line in each column of pixels.

    Parameters
    ----------
    x, y : numpy.ndarray
        float64, shape (n,): points of the line in pixels, `x` ascending; a `y` of NaN leaves a gap.
    width : int
        Columns.

    Returns
    -------
    numpy.ndarray, numpy.ndarray
        float64, shape (width,): least and greatest `y`; NaN where there is no line.
    """
    if x.size == 0:
        nothing = np.full(width, np.nan)
        return nothing, nothing.copy()
    edges = np.interp(np.arange(width + 1), x, y, left=np.nan, right=np.nan)
    least, most = np.fmin(edges[:-1], edges[1:]), np.fmax(edges[:-1], edges[1:])
    # An edge that is known beside one that is not belongs to the other column.
    torn = np.isnan(edges[:-1]) | np.isnan(edges[1:])
    least[torn] = most[torn] = np.nan
    within = np.isfinite(y) & (x >= 0.0) & (x < width)
    columns, points = x[within].astype(np.int64), y[within]
    np.fmin.at(least, columns, points)
    np.fmax.at(most, columns, points)
    return least, most


def covered(
    least: NDArray[np.float64], most: NDArray[np.float64], height: int
) -> tuple[Pixels, NDArray[np.float64]]:
    """Return the pixels between two heights of each column, and how much of each is covered.

    Parameters
    ----------
    least, most : numpy.ndarray
        float64, shape (width,): from where to where, in rows from the top; NaN for nothing.
    height : int
        Rows of the picture.

    Returns
    -------
    numpy.ndarray, numpy.ndarray
        int64 and float64, shape (n,): places of the pixels, and 0 to 1.
    """
    columns = np.flatnonzero(np.isfinite(least))
    top = np.clip(least[columns], 0.0, height)
    bottom = np.clip(most[columns], 0.0, height)
    first = np.floor(top).astype(np.int64)
    counts = np.ceil(bottom).astype(np.int64) - first
    starts = np.cumsum(counts) - counts
    rows = np.arange(counts.sum()) - np.repeat(starts - first, counts)
    part = np.minimum(rows + 1, np.repeat(bottom, counts)) - np.maximum(
        rows, np.repeat(top, counts)
    )
    return rows * least.size + np.repeat(columns, counts), part


def _broadened(
    least: NDArray[np.float64], most: NDArray[np.float64], width_px: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give a line of no width one: to the right, and up and down by as much as it is flat."""
    up = width_px / 2 / np.hypot(1.0, most - least)
    for _ in range(round(width_px) - 1):
        least[1:] = np.minimum(least[1:], np.fmin(least[1:], least[:-1]))
        most[1:] = np.maximum(most[1:], np.fmax(most[1:], most[:-1]))
    return least - up, most + up


class _Layer:
    """The pixels of the turns that have been: of each the number of the last turn that inked it."""

    def __init__(self, width: int, height: int) -> None:
        self._numbers = np.zeros(width * height, np.uint8)
        kind = QImage.Format.Format_Indexed8
        self.image = QImage(self._numbers.data, width, height, width, kind)
        self._turns: deque[tuple[int, Pixels]] = deque()
        self._next = 1

    def clear(self) -> None:
        """Forget all turns."""
        self._numbers.fill(0)
        self._turns.clear()
        self._next = 1

    def add(self, pixels: Pixels) -> None:
        """Take one more turn, and let the oldest go where there are too many."""
        if len(self._turns) == MOST_TURNS:
            number, old = self._turns.popleft()
            self._numbers[old[self._numbers[old] == number]] = 0
        self._numbers[pixels] = self._next
        self._turns.append((self._next, pixels))
        self._next = self._next % (MOST_TURNS + 1) + 1

    def ink(self, ink: QColor, decay: int) -> None:
        """Let the newest `decay` of them be seen, each fainter than the next."""
        colours = [0] * (MOST_TURNS + 2)
        opaque = ink.rgb()
        for rank, (number, _) in enumerate(islice(reversed(self._turns), decay)):
            colours[number] = opaque & 0xFFFFFF | round(255 * past_alpha(rank, decay)) << 24
        self.image.setColorTable(colours)


def past_alpha(rank: int, decay: int) -> float:
    """Return how strongly a turn is inked that was so many before the newest behind the front."""
    return _PAST_ALPHA * LEAST_ALPHA ** (rank / decay)


_EVERY_OTHER_BYTE = np.uint32(0x00FF00FF)


def _ink_over(
    picture: NDArray[np.uint32], pixels: Pixels, part: NDArray[np.float64], ink: QColor
) -> None:
    """Paint pixels over what is there, each by the part that is covered."""
    over = np.round(256.0 * part).astype(np.uint32)
    before, full = picture[pixels], np.uint32(ink.rgb())
    mixed = np.zeros_like(before)
    # Two bytes of a colour at once, each with room for a product: what is mixed is 256 in all.
    for shift in (np.uint32(0), np.uint32(8)):
        of_ink = (full >> shift & _EVERY_OTHER_BYTE) * over
        of_rest = (before >> shift & _EVERY_OTHER_BYTE) * (256 - over)
        mixed |= (of_ink + of_rest >> np.uint32(8) & _EVERY_OTHER_BYTE) << shift
    picture[pixels] = mixed


def fill(
    picture: NDArray[np.uint32],
    least: NDArray[np.float64],
    most: NDArray[np.float64],
    ink: QColor,
) -> None:
    """Paint all that lies between two heights of each column, in whole pixels.

    Parameters
    ----------
    picture : numpy.ndarray
        uint32, shape (height, width): premultiplied, the top row first.
    least, most : numpy.ndarray
        float64, shape (width,): from where to where, in rows from the top; NaN for nothing.
    ink : QColor
        With what.
    """
    height = len(picture)
    top = np.clip(np.floor(np.nan_to_num(least, nan=height)), 0, height).astype(np.int32)
    bottom = np.clip(np.ceil(np.nan_to_num(most, nan=0.0)), 0, height).astype(np.int32)
    first, end = int(top.min()), int(bottom.max())
    rows = np.arange(first, max(first, end), dtype=np.int32)[:, None]
    inside = (rows >= top) & (rows < bottom)
    np.copyto(picture[first : first + len(rows)], np.uint32(ink.rgba()), where=inside)


class TurnsPicture(pg.GraphicsObject):
    """Turns that have been, and lines in front of them, over the whole of a view box.

    Attributes
    ----------
    decay : int
        How many turns that have been are seen; 0 for none.
    """

    def __init__(self, box: pg.ViewBox, decay: int = 0) -> None:
        super().__init__()
        self._box = box
        self.decay = decay
        self._ink = QColor("black")
        self._past: deque[tuple[Curve, ...]] = deque(maxlen=MOST_TURNS)
        # Of turns that are shown anew: curves and pixels, by what the turn is known by.
        self._known: dict[Hashable, tuple[Curve, ...]] = {}
        self._found: dict[Hashable, Pixels] = {}
        self._lines: tuple[LineInFront, ...] = ()
        self._layer: _Layer | None = None
        self._is_old = True
        self._pixels = np.zeros(0, np.uint32)
        self._inked: list[Pixels | slice] = []
        self._picture = QImage()
        self._ratio = 1.0
        self.setZValue(-5)
        box.sigRangeChanged.connect(self._lay_anew)
        box.sigResized.connect(self._lay_anew)

    @property
    def past(self) -> tuple[tuple[Curve, ...], ...]:
        """The turns that have been, oldest first, each as the curves that it is drawn as."""
        return tuple(self._past)

    @property
    def lines(self) -> tuple[LineInFront, ...]:
        """What is in front, the last one foremost."""
        return self._lines

    def add_past(self, curves: Iterable[Curve]) -> None:
        """Take one more turn that has been, drawn as so many curves."""
        curves = tuple(curves)
        self._past.append(curves)
        if self._layer is not None:
            self._layer.add(self._pixels_of(curves))
        self._renew()

    def forget_past(self) -> None:
        """Forget the turns that have been."""
        self._past.clear()
        self._known.clear()
        self._lay_anew()

    def show_past(
        self, keys: Sequence[Hashable], curves_of: Callable[[int], Iterable[Curve]]
    ) -> None:
        """Put turns in place of those that have been.

        Parameters
        ----------
        keys : sequence
            What each turn is known by, the oldest first.
        curves_of : callable
            Returns how the turn at a place of `keys` is drawn. It is asked for those alone that
            were not shown before.
        """
        first = max(0, len(keys) - MOST_TURNS)
        keys, known, found = keys[first:], self._known, self._found
        self._known = {
            key: known[key] if key in known else tuple(curves_of(first + place))
            for place, key in enumerate(keys)
        }
        self._past = deque((self._known[key] for key in keys), maxlen=MOST_TURNS)
        if self._layer is None or not self.decay:
            self._layer = None  # it is made when it is seen
        else:
            self._found = {
                key: found[key] if key in found else self._pixels_of(curves)
                for key, curves in self._known.items()
            }
            self._layer.clear()
            for key in keys:
                self._layer.add(self._found[key])
        self._renew()

    def show_lines(self, lines: Sequence[LineInFront]) -> None:
        """Put lines in front, in place of those that are there."""
        self._lines = tuple(lines)
        self._renew()

    def set_past(self, ink: QColor, decay: int) -> None:
        """Set the ink of the turns that have been, and how many of them are seen."""
        self._ink, self.decay = ink, decay
        self._renew()

    def boundingRect(self) -> QRectF:  # noqa: N802
        """Return what is in view."""
        return self._box.viewRect()

    def paint(
        self,
        painter: QPainter,
        option: QStyleOptionGraphicsItem,
        widget: QWidget | None = None,
    ) -> None:
        """Paint the picture, which is made anew only where something has changed."""
        del option, widget
        painter.save()
        painter.setTransform(self.sceneTransform().inverted()[0], combine=True)
        place = self._box.mapRectToScene(self._box.rect())
        if painter.paintEngine().type() is QPaintEngine.Type.SVG:
            self._draw_lines(painter, place)
        else:
            ratio = painter.device().devicePixelRatio()
            size = QSize(round(place.width() * ratio), round(place.height() * ratio))
            if size != self._picture.size() or ratio != self._ratio:
                self._ratio = ratio
                self._begin(size.expandedTo(QSize(1, 1)))
            if self._is_old:
                self._make()
            behind = [self._layer.image] if self._layer is not None and self.decay else []
            for image in (*behind, self._picture):
                image.setDevicePixelRatio(ratio)
                painter.drawImage(place.topLeft(), image)
        painter.restore()

    # -- inside --------------------------------------------------------------------------------

    def _renew(self) -> None:
        self._is_old = True
        self.update()

    def _lay_anew(self, *_: object) -> None:
        """Find all pixels anew: what is in view has changed, or where it lies."""
        self._layer = None
        self._found.clear()
        self.prepareGeometryChange()
        self._renew()

    def _begin(self, size: QSize) -> None:
        """Begin a picture of another size; it lies in `_pixels`."""
        width, height = size.toTuple()
        self._pixels = np.zeros(width * height, np.uint32)
        kind = QImage.Format.Format_ARGB32_Premultiplied
        self._picture = QImage(self._pixels.data, width, height, 4 * width, kind)
        self._inked, self._layer, self._is_old = [], None, True
        self._found.clear()

    def _make(self) -> None:
        """Bring the picture up to date."""
        width, height = self._picture.size().toTuple()
        for pixels in self._inked:
            self._pixels[pixels] = 0
        self._inked = []
        if self.decay:
            if self._layer is None:
                self._layer = _Layer(width, height)
                for curves in self._past:
                    self._layer.add(self._pixels_of(curves))
            self._layer.ink(self._ink, self.decay)
        for line in self._lines:
            x, y = self._placed(line.curve)
            # As broad on a screen of finer pixels, which the picture's are.
            wide_px = line.width_px * self._ratio
            least, most = spans(x - (round(wide_px) - 1) / 2, y, width)
            if line.dashed:
                dash_px = round(_DASH_PX * self._ratio)
                least[np.arange(width) // dash_px % 2 == 1] = np.nan
            least, most = _broadened(least, most, wide_px)
            if line.solid:
                fill(self._pixels.reshape(height, width), least, most, line.ink)
                self._inked = [slice(None)]
                continue
            pixels, part = covered(least, most, height)
            _ink_over(self._pixels, pixels, part, line.ink)
            self._inked.append(pixels)
        self._is_old = False

    def _pixels_of(self, curves: tuple[Curve, ...]) -> Pixels:
        width, height = self._picture.size().toTuple()
        found = []
        for curve in curves:
            least, most = spans(*self._placed(curve), width)
            found.append(covered(np.floor(least), np.floor(most) + 1.0, height)[0])
        return np.concatenate(found)

    def _placed(self, curve: Curve) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return a curve in pixels of the picture."""
        view, size = self._box.viewRect(), self._picture.size()
        x = (curve.turns - view.left()) / view.width() * size.width()
        y = (1.0 - (curve.heights_v - view.top()) / view.height()) * size.height()
        return x, y

    def _draw_lines(self, painter: QPainter, place: QRectF) -> None:
        """Draw all as lines, for a file that scales."""
        painter.setClipRect(place)
        view = self._box.viewRect()
        past = list(self._past)[-self.decay :] if self.decay else []
        faded = QColor(self._ink)
        for rank, curves in enumerate(reversed(past)):
            faded.setAlphaF(past_alpha(rank, self.decay))
            painter.setPen(QPen(faded, 1.0))
            for curve in curves:
                self._draw_line(painter, curve, place, view)
        for line in self._lines:
            style = Qt.PenStyle.DashLine if line.dashed else Qt.PenStyle.SolidLine
            painter.setPen(QPen(line.ink, line.width_px, style))
            self._draw_line(painter, line.curve, place, view)

    def _draw_line(self, painter: QPainter, curve: Curve, place: QRectF, view: QRectF) -> None:
        x = place.left() + (curve.turns - view.left()) / view.width() * place.width()
        y = place.bottom() - (curve.heights_v - view.top()) / view.height() * place.height()
        for part in _runs(np.isfinite(y)):
            points = zip(x[part].tolist(), y[part].tolist(), strict=True)
            painter.drawPolyline(QPolygonF([QPointF(*point) for point in points]))


def _runs(known: NDArray[np.bool_]) -> list[slice]:
    """Return the stretches in which all is known."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], known.astype(np.int8), [0]))))
    return [slice(int(low), int(high)) for low, high in edges.reshape(-1, 2)]
