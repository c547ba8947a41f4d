"""The dial: its scale, and all of it that stands still, painted once into a picture."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QRectF, QSizeF, Qt
from PySide6.QtGui import QBrush, QColor, QFontMetricsF, QPainter, QPainterPath, QPen, QPolygonF

from app.dashboard.style import FIGURE_CAP, Sizes, Theme, font_of_cap
from app.dashboard.text import Face, translate
from app.dashboard.widgets import paint_panel, paint_virtual
from app.handbook import Term

_NEAR = 0.1
_HALF_ANGLE = math.radians(50.0)
REST = -1.14
"""Deflection at which the needle parks: beyond the end of the scale."""
_REST_CAP = 13
_BEST_CAP = 17
_LEAST_INSET_PX = 6.0
_FAR = 1.16
_MINOR = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
_LEAST_STEP = 0.155
_CLOSE_STEP = 0.1
_LEAST_CAP_PX = 9.0
"""Of a numeral; below it small print is smaller than running text."""
_SMALLER = 0.94
_APART = 1.12
"""What a numeral takes in width, its gap included."""
WORDS_PX = 152.0
"""What the words below the dial take, in pixels of a full-HD window."""


def deflection(balance: float) -> float:
    """Return where on the scale a balance stands; see :func:`deflections`."""
    return float(deflections(np.float64(balance)))


def deflections(balances: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return where on the scale balances stand, −1 to 1 for balances of −1 to 1; NaN stays.

    The scale is an inverse hyperbolic sine: even about the middle, where the work is, and drawn
    together towards the ends, so that a head far off still shows on the same dial.
    """
    held = np.clip(np.asarray(balances, np.float64), -1.0, 1.0)
    return np.arcsinh(held / _NEAR) / math.asinh(1 / _NEAR)


def balance_of(difference: float) -> float:
    """Return the balance that goes with a difference d of the lobes: d/(2 − d)."""
    return difference / (2.0 - difference)


@dataclass(frozen=True, slots=True)
class DialGeometry:
    """Where the parts of a dial lie in a widget, in pixels."""

    size: QSizeF
    sizes: Sizes
    pivot: QPointF
    radius: float
    cover_top: float
    """Below this line stand the words; the needle comes out from under it."""

    @classmethod
    def of(
        cls, width: float, height: float, sizes: Sizes, below_px: float = WORDS_PX
    ) -> DialGeometry:
        """Fit a dial into `width` by `height` pixels, `below_px` of a full-HD window left below."""
        cover_top = height - sizes.px(below_px)
        top = sizes.px(FIGURE_CAP + 52)
        widest = min(
            (width / 2 - sizes.px(24)) / math.sin(_FAR * _HALF_ANGLE),
            # Where width is short, the numerals at the ends need it.
            (width / 2 - sizes.px(84)) / math.sin(_HALF_ANGLE) - sizes.px(67),
        )
        drop = 1 - math.cos(_FAR * _HALF_ANGLE)
        radius = min(widest, (cover_top - top - sizes.px(24)) / drop)
        # The needle always comes out from under the cover.
        top = max(top, cover_top + sizes.px(12) - radius)
        return cls(
            QSizeF(width, height), sizes, QPointF(width / 2, top + radius), radius, cover_top
        )

    @property
    def band(self) -> float:
        """Width of the band under the scale."""
        return self.sizes.px(38)

    def point(self, at: float, radius: float) -> QPointF:
        """Return the point at a deflection and a distance from the pivot."""
        angle = at * _HALF_ANGLE
        return self.pivot + QPointF(radius * math.sin(angle), -radius * math.cos(angle))

    def sector(self, low: float, high: float, inner: float, outer: float) -> QPainterPath:
        """Return the part of a ring between two deflections and two radii."""

        def box(radius: float) -> QRectF:
            corner = self.pivot - QPointF(radius, radius)
            return QRectF(corner, QSizeF(2 * radius, 2 * radius))

        start = 90 - math.degrees(low * _HALF_ANGLE)
        sweep = -math.degrees((high - low) * _HALF_ANGLE)
        path = QPainterPath(self.point(low, inner))
        path.arcTo(box(outer), start, sweep)
        path.arcTo(box(inner), start + sweep, -sweep)
        path.closeSubpath()
        return path


@dataclass(frozen=True, slots=True)
class Limits:
    """The two limits of the lobes' difference."""

    set_limit: float
    check_limit: float


def paint_dial(
    painter: QPainter,
    geometry: DialGeometry,
    theme: Theme,
    limits: Limits,
    face: Face,
    best: float | None = None,
) -> None:
    """Paint everything of the dial that does not move, with a mark at the `best` balance, if any.

    Of `face` it shows whether the drive is virtual, and what its zero is.
    """
    mark = None
    if best is not None:
        mark = place_of_best(geometry, limits, best, zeroed=face.zeroed)
    paint_panel(painter, QRectF(QPointF(0, 0), geometry.size), theme, geometry.sizes)
    if face.virtual:
        paint_virtual(painter, _virtual_box(geometry), theme, geometry.sizes)
    _paint_bands(painter, geometry, theme, limits)
    _paint_ticks(painter, geometry, theme, limits)
    named = mark is None or mark.keeps_legend
    _paint_words_below(painter, geometry, theme, limits, face.zeroed, legend=named)
    if mark is not None:
        _paint_best(painter, geometry, theme, mark)
    _paint_ends(painter, geometry, theme)


def _virtual_box(geometry: DialGeometry) -> QRectF:
    top = geometry.pivot.y() - geometry.radius + geometry.band + geometry.sizes.px(84)
    return QRectF(0, top, geometry.size.width(), max(1.0, geometry.cover_top - top))


def _paint_bands(painter: QPainter, geometry: DialGeometry, theme: Theme, limits: Limits) -> None:
    outer, inner = geometry.radius, geometry.radius - geometry.band
    at_set = deflection(balance_of(limits.set_limit))
    at_check = deflection(balance_of(limits.check_limit))
    edge = QPen(QColor(theme.ink), max(1.0, geometry.sizes.px(1.5)))

    def fill(low: float, high: float, brush: QBrush | QColor) -> None:
        painter.setBrush(brush)
        painter.drawPath(geometry.sector(low, high, inner, outer))

    painter.setPen(Qt.PenStyle.NoPen)
    fill(-at_set, at_set, QColor(theme.good_band))
    for low, high in ((-at_check, -at_set), (at_set, at_check)):
        fill(low, high, QColor(theme.caution_band))
        # Told by the hatch as well as by the colour.
        fill(low, high, QBrush(QColor(theme.ink), Qt.BrushStyle.BDiagPattern))
    painter.setPen(edge)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawPath(geometry.sector(-1.0, 1.0, inner, outer))


_Word = tuple[tuple[str, float, bool], QRectF]


def words_below(geometry: DialGeometry, limits: Limits, *, zeroed: bool) -> list[_Word]:
    """Return what stands below the scale, each with its box.

    Returns
    -------
    list of ((str, float, bool), QRectF)
        The words, the height of their capitals in pixels and whether they are bold; their box. A
        limit whose names would lie over each other has none, and none has one that is farther out.
    """
    sizes, inner = geometry.sizes, geometry.radius - geometry.band
    px, of_legend, of_limit = sizes.px, sizes.print_px(13), sizes.print_px(15)
    legend = translate("dashboard", "difference of the lobes in %")
    if zeroed:
        legend = translate("dashboard", "away from the MIDDLE, in %")
    names: list[_Word] = []
    for limit, words in (
        (limits.set_limit, translate("dashboard", "set")),
        (limits.check_limit, translate("dashboard", "check")),
    ):
        at = deflection(balance_of(limit))
        word = words, of_limit, True
        pair = [_box_of(word, geometry.point(side * at, inner - px(24))) for side in (-1, 1)]
        _lower(pair, [_grown(other, 0.2 * of_limit) for _, other in names], geometry, of_limit / 4)
        if pair[0].intersects(pair[1]):
            break
        names += [(word, box) for box in pair]
    # Clear of the limits' names, which are above it and beside it.
    down = px(62) + 5.0 * (of_legend - px(13))
    word = legend, of_legend, False
    box = _box_of(word, geometry.point(0.0, inner - down))
    _lower(
        [box], [_grown(other, 0.15 * of_legend) for _, other in names], geometry, 0.25 * of_legend
    )
    return [(word, box), *names]


def _lower(
    boxes: Sequence[QRectF], others: Sequence[QRectF], geometry: DialGeometry, by: float
) -> None:
    """Move boxes down together until they are clear of the scale and of others, or off the dial."""
    # A corner that touches the scale's own edge is still read.
    inner = geometry.radius - 0.9 * geometry.band

    def is_clear(box: QRectF) -> bool:
        corners = (box.topLeft(), box.topRight())
        below = (math.hypot(*(each - geometry.pivot).toTuple()) <= inner for each in corners)
        return all(below) and not any(box.intersects(other) for other in others)

    while not all(map(is_clear, boxes)) and boxes[0].bottom() <= geometry.cover_top:
        for box in boxes:
            box.translate(0.0, by)


@dataclass(frozen=True, slots=True)
class BestMark:
    """Where the mark of the best so far points, and where its word stands."""

    deflection: float
    foot: QPointF
    """The end of its stem, above the middle of its word."""
    word: QRectF | None
    """None where there is no room for it."""
    keeps_legend: bool
    """Whether what the scale is of has its room as well."""


def place_of_best(
    geometry: DialGeometry, limits: Limits, balance: float, *, zeroed: bool
) -> BestMark:
    """Return where a balance is marked, its word clear of others; for it the legend may go."""
    px, at = geometry.sizes.px, deflection(balance)
    inner, cap_px = geometry.radius - geometry.band, geometry.sizes.print_px(_BEST_CAP)
    metrics = QFontMetricsF(font_of_cap(cap_px, bold=True))
    legend, *names = (
        _grown(box, 0.15 * cap_px) for _, box in words_below(geometry, limits, zeroed=zeroed)
    )
    # Below all words of the scale, or else as near to it as those of the limits let it.
    for down, others, keeps in ((84, [legend, *names], True), (38, names, False)):
        foot = geometry.point(at, inner - px(down))
        word = metrics.tightBoundingRect(translate("dashboard", "best so far"))
        word.moveTop(word.top() + foot.y() + px(2) + metrics.ascent())
        word.moveLeft(foot.x() - word.width() / 2)
        top = word.top()
        _lower([word], others, geometry, 0.25 * cap_px)
        foot.setY(foot.y() + word.top() - top)
        if word.bottom() <= geometry.cover_top:
            return BestMark(at, foot, word, keeps)
    return BestMark(at, geometry.point(at, inner - px(38)), None, True)


def _paint_best(painter: QPainter, geometry: DialGeometry, theme: Theme, mark: BestMark) -> None:
    """Paint a pointer from outside onto the scale, with its word."""
    px, colour = geometry.sizes.px, QColor(theme.second)
    painter.setPen(QPen(colour, max(1.0, px(2))))
    painter.setBrush(colour)
    half = px(10) / max(1.0, geometry.radius)
    inner = geometry.radius - geometry.band
    base, tip = inner - px(28), inner - px(2)
    at = mark.deflection
    places = ((at, tip), (at - half, base), (at + half, base))
    painter.drawPolygon(QPolygonF([geometry.point(*each) for each in places]))
    painter.drawLine(geometry.point(at, base), mark.foot)
    if mark.word is not None:
        painter.setFont(font_of_cap(geometry.sizes.print_px(_BEST_CAP), bold=True))
        box = QRectF(mark.foot.x() - 200, mark.foot.y() + px(2), 400, px(34))
        top = Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignTop
        painter.drawText(box, int(top), translate("dashboard", "best so far"))


def terms_of_dial(
    geometry: DialGeometry, limits: Limits, *, zeroed: bool
) -> list[tuple[Term, QRectF]]:
    """Return what stands on a dial, each with its place; those behind lie over those before."""
    px, size = geometry.sizes.px, geometry.size
    legend, *names = (box for _, box in words_below(geometry, limits, zeroed=zeroed))
    half, away = size.width() / 2, px(FIGURE_CAP)
    ends = [QRectF(left, 0, half - away, px(48)) for left in (0, half + away)]
    rest = QRectF(0, 0, px(80), px(40))
    rest.moveCenter(_place_of_rest(geometry))
    return [
        (Term.NEEDLE, QRectF(0, 0, size.width(), geometry.cover_top)),
        *((Term.SIDE, box) for box in ends),
        *((Term.LIMITS, _grown(box, px(12))) for box in names),
        (Term.DIFFERENCE, _grown(legend, px(12))),
        (Term.REST, rest),
    ]


def _grown(box: QRectF, by: float) -> QRectF:
    return box.adjusted(-by, -by, by, by)


def _place_of_rest(geometry: DialGeometry) -> QPointF:
    """Return the middle of the word at which the needle rests, all of it within the dial."""
    place = geometry.point(REST, geometry.radius + geometry.sizes.px(22))
    font = font_of_cap(geometry.sizes.print_px(_REST_CAP))
    wide = QFontMetricsF(font).horizontalAdvance(translate("dashboard", "rest"))
    place.setX(max(place.x(), wide / 2 + max(_LEAST_INSET_PX, geometry.sizes.px(12))))
    return place


def _box_of(word: tuple[str, float, bool], where: QPointF) -> QRectF:
    words, cap_px, bold = word
    metrics = QFontMetricsF(font_of_cap(cap_px, bold=bold))
    box = metrics.tightBoundingRect(words)
    box.moveCenter(where)
    return box


def _paint_words_below(
    painter: QPainter,
    geometry: DialGeometry,
    theme: Theme,
    limits: Limits,
    zeroed: bool,
    *,
    legend: bool,
) -> None:
    placed = words_below(geometry, limits, zeroed=zeroed)
    # On a small dial what has no room is left out, the legend first: the limits count for more.
    clear = _clear([*placed[1:], *placed[:1]] if legend else placed[1:])
    for word, box in placed:
        if (word, box) not in clear or box.bottom() > geometry.cover_top:
            continue
        words, cap_px, bold = word
        painter.setFont(font_of_cap(cap_px, bold=bold))
        painter.setPen(QColor(theme.ink if bold else theme.faint))
        _centred(painter, box.center(), words)


def _centred(painter: QPainter, where: QPointF, words: str) -> None:
    box = QRectF(where.x() - 400, where.y() - 100, 800, 200)
    painter.drawText(box, Qt.AlignmentFlag.AlignCenter, words)


def _paint_ticks(painter: QPainter, geometry: DialGeometry, theme: Theme, limits: Limits) -> None:
    px = geometry.sizes.px
    ink = QColor(theme.ink)

    def tick(at: float, length: float, width: float) -> None:
        painter.setPen(QPen(ink, width, Qt.PenStyle.SolidLine, Qt.PenCapStyle.FlatCap))
        start = geometry.radius - geometry.band
        painter.drawLine(geometry.point(at, start), geometry.point(at, start + length))

    _both_sides(_MINOR, lambda at: tick(at, geometry.band, max(1.0, px(2))))
    named = _named(limits)
    _both_sides(named, lambda at: tick(at, geometry.band + px(10), max(2.0, px(4))))
    tick(0.0, geometry.band + px(14), max(2.0, px(6)))
    cap_px, numerals = numerals_of(geometry, limits)
    painter.setFont(font_of_cap(cap_px, bold=True))
    for words, box in numerals:
        _centred(painter, box.center(), words)


def numerals_of(geometry: DialGeometry, limits: Limits) -> tuple[float, list[tuple[str, QRectF]]]:
    """Return the numerals above the scale, as large as they stand clear of each other.

    Returns
    -------
    float
        Height of their capitals, in pixels.
    list of (str, QRectF)
        Each with its box. Where they are too close even at their smallest some are left out.
    """
    cap_px = geometry.sizes.px(FIGURE_CAP)
    named = (0.0, *_named(limits))
    # A check limit may be next to the set limit, where no letters are small enough for both.
    roomy = [each for each in named if each == 0.0 or each not in _close(named)]
    while cap_px > _LEAST_CAP_PX:
        placed = _numerals(geometry, roomy, cap_px)
        if len(_clear(placed)) == len(placed):
            break
        cap_px = max(_LEAST_CAP_PX, _SMALLER * cap_px)
    close = [each for each in named if each not in roomy]
    return cap_px, _clear(_numerals(geometry, [*roomy, *close], cap_px))


def _close(differences: Sequence[float]) -> set[float]:
    """Return those that are too near to the one before for a numeral of any size."""
    places = [deflection(balance_of(each)) for each in differences]
    pairs = zip(differences[1:], pairwise(places), strict=True)
    return {each for each, (before, at) in pairs if at - before < _CLOSE_STEP}


_Placed = TypeVar("_Placed")


def _clear(placed: Sequence[tuple[_Placed, QRectF]]) -> list[tuple[_Placed, QRectF]]:
    """Return what lies over nothing that goes before it."""
    kept: list[tuple[_Placed, QRectF]] = []
    for what, box in placed:
        if not any(box.intersects(other) for _, other in kept):
            kept.append((what, box))
    return kept


def _numerals(
    geometry: DialGeometry, differences: Sequence[float], cap_px: float
) -> list[tuple[str, QRectF]]:
    px = geometry.sizes.px
    font = QFontMetricsF(font_of_cap(cap_px, bold=True))
    placed = []
    for difference in differences:
        at = deflection(balance_of(difference))
        words = f"{difference * 100:g}"
        box = QRectF(0.0, 0.0, _APART * font.horizontalAdvance(words), cap_px)
        for side in (-1, 1) if at else (1,):
            # Upright numerals: those at the sides need more room than those at the top.
            away = px(18 + FIGURE_CAP / 2) + px(34) * math.sin(at * _HALF_ANGLE)
            box.moveCenter(geometry.point(side * at, geometry.radius + away))
            placed.append((words, QRectF(box)))
    return placed


def _both_sides(differences: tuple[float, ...], draw: Callable[[float], None]) -> None:
    for difference in differences:
        at = deflection(balance_of(difference))
        draw(at)
        draw(-at)


def _named(limits: Limits) -> tuple[float, ...]:
    """Return the differences that are written out: the limits, and others where there is room."""
    named = [limits.set_limit]
    for difference in (limits.check_limit, 0.5, 1.0):
        step = deflection(balance_of(difference)) - deflection(balance_of(named[-1]))
        if step >= _LEAST_STEP or (difference == limits.check_limit and step > 0):
            named.append(difference)
    return tuple(named)


def _paint_ends(painter: QPainter, geometry: DialGeometry, theme: Theme) -> None:
    px = geometry.sizes.px
    inset = px(24)
    box = QRectF(inset, px(16), geometry.size.width() - 2 * inset, px(80))
    align = Qt.AlignmentFlag
    painter.setPen(QColor(theme.ink))
    painter.setFont(font_of_cap(geometry.sizes.print_px(22), bold=True))
    inward = "◀ " + translate("dashboard", "head inward")
    outward = translate("dashboard", "head outward") + " ▶"
    painter.drawText(box, align.AlignLeft | align.AlignTop, inward)
    painter.drawText(box, align.AlignRight | align.AlignTop, outward)
    painter.setFont(font_of_cap(geometry.sizes.print_px(_REST_CAP)))
    painter.setPen(QColor(theme.faint))
    _centred(painter, _place_of_rest(geometry), translate("dashboard", "rest"))
