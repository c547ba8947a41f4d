"""The lobes of a turn: their places, how much of them is fitted, and the recording they are of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import (
    EnvelopeSeries,
    extreme_of_runs,
    mean_by,
    median_of,
    middle_of,
)
from app.analysis.envelope.setup import Setup
from app.analysis.lobes.grain import grain_of, levels_by_place, of_mean
from app.analysis.lobes.heights import TURN_BINS, LobeFits, MeanTurn, Window, fit_lobes
from app.analysis.lobes.turns import Turn, holds_two
from app.analysis.lobes.windows import Windows, fit_windows

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
_FLAT_WINDOWS = (Window(0.9, 0), Window(0.8, 0), Window(0.65, 0), Window(0.5, 0))
"""Tried first where there are several pairs a turn: groups have flat tops."""
_NARROW = Window(0.33)
_GRAIN_SPANS, _GRAIN_ALIKE = (0.85, 0.6), 4.0
"""So much of a lobe's width is looked at for grain, which is no more than so many times that of the
inner part: an edge stands off a lobe's shape too, and lies at its foot."""
_MIN_WIDTH = 0.1
_EDGE, _FLAT_EDGE = 0.15, 0.95
"""A lobe ends, for a fit, where it has fallen to this part of its height; a flat one's edges belong
to no top, and stand out of the noise of tall ones alone."""
_EDGE_SIGMAS = 4.0
_CENTRING = Window(0.5)
_AT_INDEX = 0.008
_ELSEWHERE = 0.1
"""What stands away by less than this part of the way from lobe to lobe is the same, by noise."""
_MIN_LINE = 0.12
_MIN_LONE = 0.3
_MIN_NOTCH = 0.02
"""Least lines as parts of the mean: of lobes with room between, of a lone one, and of groups
whose only trace at even heights are the notches between them."""
_HIGHEST_LINE = 180
DIP_TURNS = 0.02
_REPEATS_HOLD = 0.85
_FOLDS, _FEW_FOLDS = 48, 24
_TWO_SIGMAS = 4.0
_HALF_POWER = 0.25
_ASKEW = 0.005
"""A lobe's middle so far from where evenly spaced ones stand, in turns, is not evenly spaced."""
_TO_FOOT = 0.98
_WIDEST = 1.4
_FREE_COSINES = 3
_MIN_FITTED = 0.7
"""A window in which fewer of the lobes can be fitted reaches beyond them."""
_CHANCE = 3.0
"""Of a difference squared between two fits so many variances are chance."""
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
    widths : numpy.ndarray
        float64, shape (2 · pairs,): how much wider each lobe is than the narrowest.
    lone : float or None
        Middle of the one broad lobe, in turns, where there is no null: the head is far off the
        line.
    windows : Windows or None
        Where the profile states them: then they are read, and not the lobes' shapes.
    turned : float
        By how much later than stated the windows stand, in turns.
    grain : float
        What of the lobes' unevenness comes again with each turn, as a variance: see
        :func:`~app.analysis.lobes.grain.grain_of`.
    misfit : tuple of float
        By how much first and second heights would be others with more cosines, beyond chance, as
        parts of them: a shape that obeys the window's fit hardly well enough.
    """

    pairs: int
    centres: NDArray[np.float64]
    window: Window
    widths: NDArray[np.float64] = field(default_factory=lambda: np.ones(1))
    lone: float | None = None
    windows: Windows | None = None
    turned: float = 0.0
    grain: float = 0.0
    misfit: tuple[float, float] = (0.0, 0.0)

    @property
    def is_at_index(self) -> bool:
        """True when a lobe's middle is so near the turn's start that its order is arbitrary."""
        if self.windows is not None:
            return False
        away = np.abs((self.centres + 0.5) % 1.0 - 0.5)
        return bool(np.any(away < _AT_INDEX))

    def turned_from(self, other: Layout) -> int | None:
        """Return by how many lobes later this one begins than another, None of other lobes.

        Where a lobe stands at the turn's start it is now the first and now the last.
        """
        if self.pairs != other.pairs:
            return None
        if self.windows is not None:
            return 0
        return round(float(self.centres[0] - other.centres[0]) * len(self.centres))

    def stands_as(self, other: Layout) -> bool:
        """Return whether the lobes are those of another, each in the same place but for noise."""
        if self.turned_from(other) != 0:
            return False
        away = np.abs(self.centres - other.centres) * len(self.centres)
        return self.windows is not None or bool(np.all(away < _ELSEWHERE))

    def numbered_as(self, other: Layout) -> Layout:
        """Return the same lobes, those first that are first in another."""
        by = self.turned_from(other)
        if not by:
            return self
        lobes = len(self.centres)
        numbers = np.arange(lobes) - by
        return replace(self, centres=self.centres[numbers % lobes] + numbers // lobes)

    def frames_of(self, turns: Sequence[Turn]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return every lobe's middle and the spacing there, float64, shape (turns, 2 · pairs)."""
        start = np.array([turn.start_frame for turn in turns])
        frames = np.array([turn.frames for turn in turns])
        centres = start[:, None] + frames[:, None] * self.centres
        spacing = np.repeat(frames[:, None] / len(self.centres), len(self.centres), axis=1)
        return centres, spacing

    @property
    def least_apart(self) -> float:
        """The least way from one lobe's middle to the next, in turns."""
        return float(np.min(np.diff(self.centres, append=self.centres[0] + 1.0)))

    def ends_of(
        self, centres: NDArray[np.float64], spacing: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the frame at which each lobe is complete, of what :meth:`frames_of` returns."""
        if self.windows is None:
            return centres + 0.5 * self.window.span * spacing
        return centres + spacing * len(self.centres) * self.windows.reach

    def fit_one(self, series: EnvelopeSeries, turn: Turn, number: int) -> LobeFits:
        """Fit one lobe of a turn."""
        if self.windows is not None:
            return fit_windows(series, [turn], self.windows.of_lobe(number), self.turned)
        centres, spacing = self.frames_of([turn])
        one = slice(number, number + 1)
        return fit_lobes(series, centres[0, one], spacing[0, one], self.window)

    @property
    def reaches(self) -> NDArray[np.float64]:
        """How far to either side of its middle each lobe is fitted, in turns, (2 · pairs,)."""
        lobes = len(self.centres)
        reach: NDArray[np.float64] = 0.5 * self.window.span * np.broadcast_to(self.widths, lobes)
        return reach / lobes

    @property
    def shape_u(self) -> NDArray[np.float64]:
        """Standard uncertainty of first and second heights from the lobes' shape, in parts, (2,).

        That is of what comes again with each turn: grain, and what the fit leaves.
        """
        return np.hypot(self.grain_u, self.misfit)

    @property
    def grain_u(self) -> NDArray[np.float64]:
        """Standard uncertainty of first and second heights from grain, as parts of them, (2,)."""
        lobes = len(self.centres)
        if not self.grain:
            return np.zeros(2)
        parts = [of_mean(reach, lobes, self.window.cosines) for reach in self.reaches.tolist()]
        of_kind: NDArray[np.float64] = np.array(parts).reshape(-1, 2).mean(axis=0) / self.pairs
        return np.sqrt(self.grain * of_kind)

    def fit(self, series: EnvelopeSeries, turns: Sequence[Turn]) -> LobeFits:
        """Fit every lobe of the turns; rows of the results run over turns, then lobes."""
        if self.windows is not None:
            return fit_windows(series, turns, self.windows, self.turned)
        centres, spacing = self.frames_of(turns)
        widths = np.broadcast_to(self.widths, centres.shape).ravel()
        return fit_lobes(series, centres.ravel(), spacing.ravel(), self.window, widths)


def layout_of(
    turn: MeanTurn, series: EnvelopeSeries, turns: Sequence[Turn], setup: Setup
) -> Layout | None:
    """Return the lobes of averaged turns, or but the one broad one, or None without any."""
    if setup.windows:
        return _of_windows(turn, Windows.of(setup.windows))
    found = find_layout(turn, setup.pairs)
    if found is None or found.lone is not None:
        return found
    return refine_layout(found, turn, series, turns)


def _of_windows(turn: MeanTurn, windows: Windows) -> Layout:
    """Return the layout of windows, turned to where they stand in the turn."""
    turned = windows.find(turn.power_v2)
    centres = windows.centres + turned
    return Layout(windows.lobes // 2, centres, Window(1.0, 0), windows=windows, turned=turned)


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
        return _at_tops(_layout_by(lines[lobes], lobes, lobes), turn)
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


def _at_tops(layout: Layout, turn: MeanTurn) -> Layout:
    """Move the middles of two lobes that are not opposite to where they stand."""
    if layout.pairs > 1:
        return layout
    power = smoothed(closed(turn.power_v2))
    half = TURN_BINS // 4
    centres: list[float] = []
    for centre in layout.centres:
        first = round(centre * TURN_BINS - 0.5) - half
        part = power[np.arange(first, first + 2 * half + 1) % TURN_BINS]
        top = int(np.argmax(part))
        low = np.flatnonzero(part[:top] < _HALF_POWER * part[top])
        high = np.flatnonzero(part[top:] < _HALF_POWER * part[top])
        if not low.size or not high.size:
            return layout
        centres.append((first + 0.5 * (low[-1] + top + high[0]) + 0.5) / TURN_BINS)
    moved = np.array(centres)
    askew = bool(np.any(np.abs(moved - layout.centres) > _ASKEW))
    return replace(layout, centres=np.sort(moved % 1.0)) if askew else layout


def _count_pairs(lines: list[complex], turn: MeanTurn) -> int | None:
    """Return how many pairs of groups the turn repeats, None where it does not.

    The pattern repeats as often as the greatest number whose multiples hold nearly all lines. At
    even heights those are the groups, else the pairs. Of two repeats one level each are the lobes
    of a single pair.
    """
    power = np.abs(np.array(lines[: _HIGHEST_LINE + 1])) ** 2
    power[0] = 0.0
    total = float(power.sum())
    repeats = [
        number
        for number in range(2, 2 * MAX_PAIRS + 1)
        if float(power[::number].sum()) > _REPEATS_HOLD * total
    ]
    if not repeats:
        return None
    number = repeats[-1]
    folds = min(_FOLDS if number > 2 else _FEW_FOLDS, TURN_BINS // number)
    phase = np.arange(TURN_BINS) / TURN_BINS * number % 1.0
    power = mean_by((phase * folds + 1e-9).astype(int), turn.power_v2, folds)
    folded = np.sqrt(np.maximum(power, 0.0))
    one_u = float(np.sqrt(np.mean(turn.u_v2**2) * folds / TURN_BINS))
    slack = _TWO_SIGMAS * one_u / (2.0 * float(folded.max()))
    if not holds_two(folded, flat=number > 2, slack=slack):
        return number // 2 if number % 2 == 0 else None
    return number if number <= MAX_PAIRS else None


def refine_layout(
    layout: Layout, turn: MeanTurn, series: EnvelopeSeries, turns: Sequence[Turn]
) -> Layout:
    """Move the middles to the lobes' tops, and choose the window.

    The quietest window is taken whose mean heights agree with those that more cosines give over
    the same span, and with those of a narrow one: wider is quieter, until the lobe's shape stops
    obeying the fit.
    """
    layout = _centred(layout, turn, series, turns)
    width = _lobe_width(turn, layout)
    if layout.pairs > 1:
        width = min(width, _flat_width(turn, layout))
    else:
        layout, width = _to_feet(layout, width, series, turns)

    levels_v = levels_by_place(series, turns)
    wide, inner = (
        grain_of(levels_v, layout.centres, reach, flat=layout.pairs > 1)
        for reach in (replace(layout, window=Window(span * width)).reaches for span in _GRAIN_SPANS)
    )
    grain = min(wide, _GRAIN_ALIKE * inner)
    layout = replace(layout, grain=grain)

    @cache  # a window's freer fits are those of the next ones
    def heights_by(part: float, cosines: int) -> _MeanHeights | None:
        by = replace(layout, window=Window(part * width, cosines))
        found = _mean_heights(by.fit(series, turns))
        return found and (found[0], np.hypot(found[1], by.grain_u * found[0]))

    narrow = heights_by(_NARROW.span, _NARROW.cosines)
    flat = _FLAT_WINDOWS if layout.pairs > 1 else ()
    for window in (*flat, *_WINDOWS[:-1]):
        heights = heights_by(window.span, window.cosines)
        free = heights_by(window.span, _FREE_COSINES)
        if heights is None or (free is None and window.cosines):
            continue
        # Of few bins within the edges of a flat top no shape can be told, and none is left.
        freely = free is None or _agree(*heights, *free)
        if freely and (narrow is None or _agree(*heights, *narrow)):
            is_between = 0 < window.cosines < _FREE_COSINES - 1
            more = heights_by(window.span, window.cosines + 1) if is_between else None
            # What is wrong itself, of a lobe that is no cosine at all, tells nothing.
            tells = free is not None and more is not None and _agree(*more, *free)
            misfit = _misfit(heights, [each for each in (more if tells else None, free) if each])
            window = Window(window.span * width, window.cosines)
            return replace(layout, window=window, misfit=misfit)
    last = flat[-1] if flat else _WINDOWS[-1]
    return replace(layout, window=Window(last.span * width, last.cosines))


def _flat_width(turn: MeanTurn, layout: Layout) -> float:
    """Return half of the taller groups' level part, as a part of the way to the gap's middle."""
    lobes = len(layout.centres)
    half = TURN_BINS // (2 * lobes)
    middles = np.round(layout.centres * TURN_BINS - 0.5).astype(int)
    power = turn.power_v2[(middles[:, None] + np.arange(-half, half + 1)) % TURN_BINS]
    taller = max((power[kind::2].mean(axis=0) for kind in (0, 1)), key=np.sum)
    inner = taller[half // 2 : half + half // 2 + 1]
    level = median_of(inner)
    # What makes the top itself uneven is no edge.
    uneven = _EDGE_SIGMAS * 1.4826 * median_of(np.abs(inner - level))
    below = np.flatnonzero(taller < min(_FLAT_EDGE**2 * level, level - uneven))
    width = float(np.abs(below - half).min()) / half if below.size else 1.0
    return max(width, _MIN_WIDTH)


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


def _to_feet(
    layout: Layout, width: float, series: EnvelopeSeries, turns: Sequence[Turn]
) -> tuple[Layout, float]:
    """Return each lobe's width to where its cosine comes to zero, and the narrowest one's."""
    fits = replace(layout, window=Window(0.9 * width)).fit(series, turns)
    bend = np.where(fits.ok, fits.bend, np.nan).reshape(-1, len(layout.centres))
    if np.isnan(bend).all(axis=0).any():
        return layout, width
    foot = np.arccos(np.clip(1.0 - 1.0 / np.maximum(middle_of(bend.T), 0.5), -1.0, 1.0))
    part = np.clip(_TO_FOOT * foot / (0.5 * np.pi), width, _WIDEST * width)
    narrowest = float(part.min())
    return replace(layout, widths=part / narrowest), narrowest


_MeanHeights = tuple[NDArray[np.float64], NDArray[np.float64]]


def _mean_heights(fits: LobeFits) -> _MeanHeights | None:
    """Return the mean height of first and second lobes and its u from noise, shape (2,) each."""
    ok = fits.ok.reshape(-1, 2)
    count = ok.sum(axis=0)
    if not np.all(count > _MIN_FITTED * len(ok)):
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


def _misfit(found: _MeanHeights, freer: Sequence[_MeanHeights]) -> tuple[float, float]:
    """Return by how much freer fits tell of other heights, beyond chance, as parts of them."""
    heights, u = found
    beyond = np.zeros(2)
    for free, free_u in freer:
        by_chance = _CHANCE * np.maximum(free_u**2 - u**2, 0.0)
        beyond = np.maximum(beyond, (heights - free) ** 2 - by_chance)
    seen = heights > 0.0
    first, second = np.divide(np.sqrt(beyond), heights, out=np.zeros(2), where=seen).tolist()
    return first, second


def _centred(
    layout: Layout, turn: MeanTurn, series: EnvelopeSeries, turns: Sequence[Turn]
) -> Layout:
    """Move every middle to where the fitted cosines have their top, where that is significant."""
    if layout.pairs > 1 or layout.lone is not None:
        return layout  # flat tops have no top to lean to
    window = Window(min(_CENTRING.span, 0.8 * _lobe_width(turn, layout)))
    fits = replace(layout, window=window).fit(series, turns)
    lobes = len(layout.centres)
    ok = fits.ok.reshape(-1, lobes) & np.isfinite(fits.lean).reshape(-1, lobes)
    lean = np.where(ok, np.arctan(fits.lean.reshape(-1, lobes)), np.nan)
    height = np.where(ok, fits.height_v.reshape(-1, lobes), np.nan)
    if not ok.any(axis=0).all():
        return layout
    middle = middle_of(lean.T)
    scatter = 1.4826 * middle_of(np.abs(lean - middle).T) / np.sqrt(ok.sum(axis=0))
    strong = middle_of(height.T) > 0.1 * np.nanmax(height)
    # An angle of pi in the fit is one spacing; a lean of more than a third of it is no top.
    sure = strong & (np.abs(middle) > 3.0 * scatter) & (np.abs(middle) < 0.35)
    moved = layout.centres + np.where(sure, middle, 0.0) / (np.pi * lobes)
    return replace(layout, centres=moved)


def smoothed(power_v2: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the running mean over a hundredth of the turn."""
    width = TURN_BINS // 200
    kernel = np.ones(2 * width + 1) / (2 * width + 1)
    around = np.concatenate([power_v2[-width:], power_v2, power_v2[:width]])
    return np.convolve(around, kernel, mode="valid")


def closed(power_v2: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fill dips of a turn that are so narrow that they are drop-outs."""
    half = round(TURN_BINS * DIP_TURNS) // 2
    values = power_v2
    for extreme in (np.maximum, np.minimum):
        padded = np.concatenate([np.repeat(values[:1], half), values, np.repeat(values[-1:], half)])
        values = extreme_of_runs(extreme, padded, 2 * half + 1)
    return values
