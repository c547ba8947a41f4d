"""The lobes of a turn: their places, how much of them is fitted, and the recording they are of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries, mean_by
from app.analysis.lobes.heights import TURN_BINS, LobeFits, MeanTurn, Window, fit_lobes
from app.analysis.lobes.turns import GROUP_FILLS, Turn
from app.analysis.results import Geometry

MAX_PAIRS = 18
"""4 to 36 groups a turn, US patent 4 084 201."""

_WINDOWS = (
    Window(1.0),
    Window(0.85),
    Window(1.0, 2),
    Window(0.7),
    Window(0.85, 2),
    Window(0.58),
    Window(0.7, 2),
    Window(0.48),
    Window(0.4),
    Window(0.33),
    Window(0.27),
    Window(0.22),
)
"""How a lobe's height may be fitted, as parts of its width, the quietest first: the variance goes
as 9/4 over the span with one cosine, nearly as that of a parabola's top, and as 225/64 over the
span with two."""
_FLAT_WINDOWS = (Window(0.9, 0), Window(0.8, 0))
"""Tried first where there are several pairs a turn: groups have flat tops."""
_NARROW = Window(0.33)
_MIN_WIDTH = 0.3
_EDGE = 0.15
"""A lobe ends, for a fit, where it has fallen to this part of its height."""
_CENTRING = Window(0.5)
_AT_INDEX = 0.008
_MIN_LINE = 0.12
_MIN_LONE = 0.3
_MIN_NOTCH = 0.02
"""Least lines as parts of the mean: of lobes with room between, of a lone one, and of groups
whose only trace at even heights are the notches between them."""
_HIGHEST_LINE = 180
_REPEATS_HOLD = 0.85
_LEVEL = 0.95
_NOTCH = 0.7
_FOLDS = 48
_FREE_COSINES = 3
_AGREE_SIGMAS = 3.0
_AGREE_PART = 4e-4
"""A window is taken when its heights agree with freer ones' to within so many standard deviations
of the difference, and this part."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Places of the lobes in a turn.

    Attributes
    ----------
    centres : numpy.ndarray
        float64, shape (2 · pairs,), ascending: the lobes' middles, in turns from the turn's start.
    lone : float or None
        Middle of the one broad lobe, in turns, where there is no null: the head is far off the
        line.
    """

    pairs: int
    centres: NDArray[np.float64]
    window: Window
    lone: float | None = None

    @property
    def is_at_index(self) -> bool:
        """True when a lobe's middle is so near the turn's start that its order is arbitrary."""
        away = np.abs((self.centres + 0.5) % 1.0 - 0.5)
        return bool(np.any(away < _AT_INDEX))

    def frames_of(self, turns: Sequence[Turn]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return every lobe's middle and the spacing there, float64, shape (turns, 2 · pairs)."""
        start = np.array([turn.start_frame for turn in turns])
        frames = np.array([turn.frames for turn in turns])
        centres = start[:, None] + frames[:, None] * self.centres
        spacing = np.repeat(frames[:, None] / len(self.centres), len(self.centres), axis=1)
        return centres, spacing

    def fit(self, series: EnvelopeSeries, turns: Sequence[Turn]) -> LobeFits:
        """Fit every lobe of the turns; rows of the results run over turns, then lobes."""
        centres, spacing = self.frames_of(turns)
        return fit_lobes(series, centres.ravel(), spacing.ravel(), self.window)


def find_layout(turn: MeanTurn, pairs: int | None) -> Layout | None:
    """Return where the lobes are, or None where the turn holds no rhythm of lobes."""
    amplitude = turn.amplitude_v
    mean = float(amplitude.mean())
    if mean <= 0.0:
        return None
    lines: list[complex] = (np.fft.rfft(amplitude) / TURN_BINS).tolist()
    if pairs is None:
        pairs = _count_pairs(lines, turn) or 1
    lobes = 2 * pairs
    if 2.0 * abs(lines[lobes]) >= (_MIN_LINE if pairs == 1 else _MIN_NOTCH) * mean:
        return _layout_by(lines[lobes], lobes, lobes)
    # One level beside the other with nothing between, or a single lobe with no null left.
    if 2.0 * abs(lines[pairs]) >= (_MIN_LONE if pairs == 1 else _MIN_NOTCH) * mean:
        layout = _layout_by(lines[pairs], pairs, lobes)
        return replace(layout, lone=_place_of(lines[1], 1)) if pairs == 1 else layout
    return None


def _layout_by(line: complex, order: int, lobes: int) -> Layout:
    """Return evenly spaced lobes, one of them where the line of that order has its top."""
    first = _place_of(line, order)
    return Layout(lobes // 2, np.sort((first + np.arange(lobes) / lobes) % 1.0), _CENTRING)


def _place_of(line: complex, order: int) -> float:
    """Return the place of a line's top, in turns."""
    return float(-np.angle(line) / (2.0 * np.pi * order) + 0.5 / TURN_BINS) % 1.0


def _count_pairs(lines: list[complex], turn: MeanTurn) -> int | None:
    """Return how many pairs of groups the turn repeats, None where it does not, or but twice.

    The pattern repeats as often as the greatest number whose multiples hold nearly all lines. At
    even heights those are the groups, else the pairs; groups that fill less than half of their
    room leave it to others that are gone.
    """
    power = np.abs(np.array(lines[: _HIGHEST_LINE + 1])) ** 2
    power[0] = 0.0
    total = float(power.sum())
    repeats = [
        number
        for number in range(3, 2 * MAX_PAIRS + 1)
        if float(power[::number].sum()) > _REPEATS_HOLD * total
    ]
    if not repeats:
        return None
    number = repeats[-1]
    groups = _groups_in(turn, number)
    if groups == 1 and number % 2 == 0:
        return number // 2
    return number if number <= MAX_PAIRS else None


def _groups_in(turn: MeanTurn, number: int) -> int:
    """Return 1 when the part of the turn that is repeated holds one level, 2 when it holds two."""
    phase = np.arange(TURN_BINS) / TURN_BINS * number % 1.0
    place = (phase * _FOLDS).astype(int)
    folded = np.sort(np.sqrt(np.maximum(mean_by(place, turn.power_v2, _FOLDS), 0.0)))
    top = float(folded[-_FOLDS // 8])
    # Of one level that fills its room most places are as high as the top; of two, or of one that
    # leaves room, half of them are not.
    fills = float(np.mean(folded > _LEVEL * top)) > GROUP_FILLS
    return 1 if fills and folded[0] < _NOTCH * top else 2


def refine_layout(
    layout: Layout, turn: MeanTurn, series: EnvelopeSeries, turns: Sequence[Turn]
) -> Layout:
    """Move the middles to the lobes' tops, and choose the window.

    The quietest window is taken whose mean heights agree with those that more cosines give over
    the same span, and with those of a narrow one: wider is quieter, until the lobe's shape stops
    obeying the fit.
    """
    layout = _centred(layout, series, turns)
    width = _lobe_width(turn, layout)

    def heights_by(part: float, cosines: int) -> _MeanHeights | None:
        window = Window(part * width, cosines)
        return _mean_heights(replace(layout, window=window).fit(series, turns))

    narrow = heights_by(_NARROW.span, _NARROW.cosines)
    flat = _FLAT_WINDOWS if layout.pairs > 1 else ()
    for window in (*flat, *_WINDOWS[:-1]):
        heights = heights_by(window.span, window.cosines)
        free = heights_by(window.span, _FREE_COSINES)
        if heights is None or free is None:
            continue
        if _agree(*heights, *free) and (narrow is None or _agree(*heights, *narrow)):
            return replace(layout, window=Window(window.span * width, window.cosines))
    return replace(layout, window=Window(_WINDOWS[-1].span * width))


def _lobe_width(turn: MeanTurn, layout: Layout) -> float:
    """Return the narrowest lobe's half width, as a part of the way to the null."""
    lobes = len(layout.centres)
    half = TURN_BINS // (2 * lobes)
    smooth = max(1, round(0.03 * half))
    kernel = np.ones(2 * smooth + 1) / (2 * smooth + 1)
    reach = np.arange(-half - smooth, half + smooth + 1)
    width = 1.0
    for centre in layout.centres:
        bins = (round(centre * TURN_BINS - 0.5) + reach) % TURN_BINS
        power = np.convolve(turn.power_v2[bins], kernel, mode="valid")
        below = np.flatnonzero(power < _EDGE**2 * power[half])
        if below.size:
            width = min(width, float(np.abs(below - half).min()) / half)
    return max(width, _MIN_WIDTH)


_MeanHeights = tuple[NDArray[np.float64], NDArray[np.float64]]


def _mean_heights(fits: LobeFits) -> _MeanHeights | None:
    """Return the mean height of first and second lobes and its u from noise, shape (2,) each."""
    ok = fits.ok.reshape(-1, 2)
    count = ok.sum(axis=0)
    if not count.all():
        return None
    heights = np.where(ok, fits.height_v.reshape(-1, 2), 0.0).sum(axis=0) / count
    u = np.sqrt(np.where(ok, fits.u_v.reshape(-1, 2) ** 2, 0.0).sum(axis=0)) / count
    return heights, u


def _agree(
    heights: NDArray[np.float64],
    u: NDArray[np.float64],
    free: NDArray[np.float64],
    free_u: NDArray[np.float64],
) -> bool:
    # Where the quieter fit holds it is the efficient one: the variance of the difference is then
    # the difference of the variances (Hausman's test).
    slack = _AGREE_SIGMAS * np.sqrt(np.maximum(free_u**2 - u**2, 0.0))
    return bool(np.all(np.abs(heights - free) <= slack + _AGREE_PART * heights.max()))


def _centred(layout: Layout, series: EnvelopeSeries, turns: Sequence[Turn]) -> Layout:
    """Move every middle to where the fitted cosines have their top, where that is significant."""
    if layout.pairs > 1 or layout.lone is not None:
        return layout  # flat tops have no top to lean to
    fits = replace(layout, window=_CENTRING).fit(series, turns)
    lobes = len(layout.centres)
    ok = fits.ok.reshape(-1, lobes) & np.isfinite(fits.lean).reshape(-1, lobes)
    lean = np.where(ok, np.arctan(fits.lean.reshape(-1, lobes)), np.nan)
    height = np.where(ok, fits.height_v.reshape(-1, lobes), np.nan)
    if not ok.any(axis=0).all():
        return layout
    middle = np.nanmedian(lean, axis=0)
    scatter = 1.4826 * np.nanmedian(np.abs(lean - middle), axis=0) / np.sqrt(ok.sum(axis=0))
    strong = np.nanmedian(height, axis=0) > 0.1 * np.nanmax(height)
    # An angle of pi in the fit is one spacing; a lean of more than a third of it is no top.
    sure = strong & (np.abs(middle) > 3.0 * scatter) & (np.abs(middle) < 0.35)
    moved = layout.centres + np.where(sure, middle, 0.0) / (np.pi * lobes)
    return replace(layout, centres=moved)


_BUMP = 0.10
"""Signal between two lobes, set apart from both and this part of the mean height or more, belongs
to no pattern that is known."""
_FILLED = 0.08
"""A null this part of the mean height above zero is filled: recordings whose lobes show the side
have empty nulls, and one that beats would read even at an offset of as large a part of its scale.
"""
_FILLED_SHARP = 0.045
"""A boundary's nulls are as sharp as those of a beat, which alone may be taken for it."""
_FILLED_SIGMAS = 4.0
_FLAT_REACH, _FLAT_MIN = 0.5, 0.85
"""Half way from its middle to the null a sine has fallen to 0.71, a group is still level."""
_BUMP_SIGMAS = 5.5
_DIP_TURNS = 0.02
_EMPTY = 0.10
_BOUNDARY_EMPTY = 0.09
"""Of a boundary's turn 2·2·asin(0.1)/2π = 6.4 % lies below a tenth of the mean height; lobes with
room between them leave more."""
_BOUNDARY_SLACK = 0.04


@dataclass(frozen=True, slots=True)
class Character:
    """What the averaged turn says of the recording.

    Attributes
    ----------
    geometry : Geometry or None
        The recording it fits, None when the pattern is not one that is known.
    filled : bool
        The nulls do not reach zero, so it is none of those whose lobes show the side.
    """

    geometry: Geometry | None
    filled: bool


def characterise(
    turn: MeanTurn, layout: Layout, heights_v: tuple[float, float], wanted: str | None
) -> Character:
    """Return what recording the averaged turn is of.

    Parameters
    ----------
    heights_v : tuple of float
        Mean heights of first and second lobes.
    wanted : str or None
        The geometry that the profile states, None when open.
    """
    mean_height = 0.5 * sum(heights_v)
    if not mean_height > 0.0:
        # Digital silence, or nothing that is a number, where the turns before it had lobes.
        return Character(None, filled=False)
    if layout.pairs > 1:
        flat = _has_flat_tops(turn, layout) and wanted in (None, Geometry.ALTERNATING)
        return Character(Geometry.ALTERNATING if flat else None, filled=False)
    nulls = [_null(turn, layout, number) for number in range(len(layout.centres))]
    sharp = float(np.mean(turn.power_v2 < (_EMPTY * mean_height) ** 2)) <= _BOUNDARY_EMPTY
    allowed_v = (_FILLED_SHARP if sharp else _FILLED) * mean_height
    filled = any(power > allowed_v**2 and power > _FILLED_SIGMAS * u for power, u, _ in nulls)
    if filled:
        return Character(None, filled=True)
    if any(_has_bump(turn, layout, number, mean_height) for number in range(len(nulls))):
        return Character(None, filled=False)
    if wanted is not None:
        return Character(Geometry(wanted), filled=False)
    if not sharp:
        return Character(Geometry.TWO_BAND, filled=False)
    return Character(_with_sharp_nulls(layout, heights_v, nulls), filled=False)


def _has_flat_tops(turn: MeanTurn, layout: Layout) -> bool:
    """Return whether the groups are level over half of their room, as recorded groups are."""
    lobes = len(layout.centres)
    amplitude = turn.amplitude_v
    reach = int(TURN_BINS / lobes * 0.5 * _FLAT_REACH)
    at_edges = inside = 0.0
    for centre in layout.centres:
        at = round(centre * TURN_BINS - 0.5)
        inner = np.arange(at - reach // 3, at + reach // 3 + 1, dtype=np.int64)
        inside += float(amplitude[inner % TURN_BINS].mean())
        for edge in (at - reach, at + reach):
            at_edges += 0.5 * float(amplitude[np.arange(edge - 1, edge + 2) % TURN_BINS].mean())
    return at_edges > _FLAT_MIN * inside


def _with_sharp_nulls(
    layout: Layout, heights_v: tuple[float, float], nulls: list[tuple[float, float, float]]
) -> Geometry | None:
    """Return a boundary, whose nulls move with the offset, or two bands that touch, or neither."""
    balance = (heights_v[0] - heights_v[1]) / sum(heights_v)
    # |e cos t - x| is zero at t = ±acos(x/e): the taller lobe's share of the turn says x again.
    first_share = (nulls[0][2] - nulls[1][2]) % 1.0
    by_nulls = -np.cos(np.pi * first_share)
    if abs(by_nulls - balance) < _BOUNDARY_SLACK + 0.1 * abs(balance):
        return Geometry.BOUNDARY
    return Geometry.TWO_BAND if abs(by_nulls) < _BOUNDARY_SLACK else None


def _gap(
    turn: MeanTurn, layout: Layout, number: int, inset: float, smooth: float
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Return bins, smoothed power and its u from lobe `number` to the next.

    The first and the last `inset` of the way are left out; `smooth` is a part of the way too.
    """
    lobes = len(layout.centres)
    start = layout.centres[number]
    gap = (layout.centres[(number + 1) % lobes] - start) % 1.0 or 1.0
    width = max(1, round(TURN_BINS / lobes * smooth))
    low, high = (round((start + part * gap) * TURN_BINS) for part in (inset, 1.0 - inset))
    bins = np.arange(low - width, high + width + 1, dtype=np.int64)
    kernel = np.ones(2 * width + 1) / (2 * width + 1)
    power = np.convolve(turn.power_v2[bins % TURN_BINS], kernel, mode="valid")
    variance = np.convolve(turn.u_v2[bins % TURN_BINS] ** 2, kernel**2, mode="valid")
    return bins[width:-width], power, np.sqrt(variance)


def _null(turn: MeanTurn, layout: Layout, number: int) -> tuple[float, float, float]:
    """Return power, its u and the place of the null after lobe `number`."""
    bins, power, u = _gap(turn, layout, number, 0.15, 0.006)
    at = int(np.argmin(power))
    raw = turn.power_v2[bins % TURN_BINS]
    return float(power[at]), float(u[at]), _null_place(raw, at, bins)


def _has_bump(turn: MeanTurn, layout: Layout, number: int, mean_height_v: float) -> bool:
    """Return whether the signal rises and falls again between two lobes.

    Beside a drop-out it does so too, but no higher than the lobe stands on its other side.
    """
    power = _closed(turn.power_v2, round(TURN_BINS * _DIP_TURNS))
    bins, smooth, _ = _gap(MeanTurn(power, turn.u_v2), layout, number, 0.05, 0.015)
    # Filling dips has lifted the noise too: it counts as that of single places, not of their mean.
    u = turn.u_v2[bins % TURN_BINS]
    at = int(np.argmin(smooth))
    for end, sides in ((number, slice(0, at + 1)), (number + 1, slice(at, None))):
        centre = layout.centres[end % len(layout.centres)] * TURN_BINS - 0.5
        mirrored = (round(2.0 * centre) - bins[sides]) % TURN_BINS
        side, side_u = smooth[sides], u[sides]
        order = slice(None) if end == number else slice(None, None, -1)
        rise = (side[order] - np.minimum.accumulate(side[order]))[order]
        foreign = side > 1.5 * power[mirrored] + (_BUMP * mean_height_v) ** 2
        risen = (rise > (_BUMP * mean_height_v) ** 2) & (rise > _BUMP_SIGMAS * side_u)
        if np.any(foreign & risen):
            return True
    return False


def _closed(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Fill dips narrower than `width`, which are drop-outs."""
    half = width // 2
    for edge in (np.max, np.min):
        padded = np.pad(values, half, mode="edge")
        values = edge(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    return values


def _null_place(power: NDArray[np.float64], at: int, bins: NDArray[np.int64]) -> float:
    """Return a null's place in turns: the middle of where the power is within its lowest part."""
    level = max(float(power[at]), 0.0) + 0.01 * float(power.max())
    low = at
    while low > 0 and power[low - 1] <= level:
        low -= 1
    high = at
    while high < len(power) - 1 and power[high + 1] <= level:
        high += 1
    return float(0.5 * (bins[low] + bins[high]) + 0.5) / TURN_BINS
