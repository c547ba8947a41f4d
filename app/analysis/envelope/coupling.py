"""Undoing an AC-coupled input, whose corner is known within a tolerance.

A first-order high-pass with corner f makes y from x by y' + 2πf·y = x', so x = y + 2πf·∫y + base;
a second one adds a share of the integral's integral. Between the lobes x is zero, whichever lobe
went before, and where the nulls are points the lobes beside them are symmetric: that tells base and
corners together, by least squares, the corner as stated being one more observation. The base is a
line in each stretch, for an offset behind the coupling grows in the integral as a line does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_HUGGING = 0.01
_HUGGING_ROUNDS = 12
_SLACKS = (0.10, 0.05, 0.03, 0.02, 0.01, 0.01)
"""How far above the base a bin still counts as null, as parts of the top, round by round: a corner
a fifth off lifts one null over the other by some hundredths."""
_SLACK_SIGMAS = 4.0
_SECOND_PART = 0.15
"""Standard uncertainty of a second corner, over the stated one: there is none, as far as is known.
"""
_FARTHEST = 1.8
"""So many standard uncertainties of the stated corner, a little beyond its rectangle's end."""
_NULL_SHARE = 0.10
_POINT_SHARE = 2.0
"""Of a boundary's turn a share of 2/π·x lies below x times the mean height, for straight flanks
meet in a point; round nulls and flat ones hold more."""
_MOST_A_STRETCH = 9
"""With more nulls in a stretch they are gaps between groups."""
_FEWEST = 3
_FLANK = 6
_NEAR_SKIPPED = 2
_SHAPE_U = 0.002
"""Least scatter of the nulls' levels, as a part of the top: their shape, not their noise."""
_MIRRORED = 24
_SYMMETRY_U = 0.01
"""Asymmetry of a recorded lobe, as a part of the top (common practice): one observation a lobe."""
_NEARER, _LEVEL_NEAR = 0.2, 0.033
"""Nulls that move by less than this part of the top, so far towards it, are level and no lobes: a
cosine moves by 0.049 or more."""
_NEAR, _NEAR_PLACES = 0.6, 49
"""How far from a null or a top, as a part of the way between them, its shape is looked at."""
_INTERPOLATED = 0.7
"""Part of a bin's variance in what is read between two of them."""
_ROUGH, _ROUGHER = 1.5, 2.0
"""Tops are rough where they leave a round shape by so many times the noise's power, and nulls no
rougher below so many times theirs: a head's lobes are round, and their ends are corners."""
_LOW_PART = 0.1
_LEVEL_SIGMAS, _LEVEL_PART, _LOWEST_PART = 3.0, 0.01, 0.01
"""Nulls lie on one level where they scatter by no more than so many standard deviations and this
part of the top, and no more than the last part of all bins lies as far below them."""
_STEP_U = 0.3
"""Uncertainty of a null's level, as a part of the step to the bins beside it: within one bin the
least may lie anywhere."""


@dataclass(frozen=True, slots=True)
class Straightened:
    """A run of bins with the coupling undone.

    Attributes
    ----------
    value_v : numpy.ndarray
        float64, shape (n,): the level over the nulls'.
    lean_v : numpy.ndarray
        float64, shape (2, n): by how much the uncertainty of the corners moves each bin, in two
        parts that are independent of one another.
    weights : tuple of float
        Of the integral and of its integral, as the nulls tell them.
    base_u_v : float
        Standard uncertainty of the nulls' level.
    is_on_head : bool
        What should be nulls is rounder than the tops; never with more than two lobes a turn.
    is_level : bool
        The nulls lie on one level, and nothing below it.
    """

    value_v: Floats
    lean_v: Floats
    weights: tuple[float, float]
    base_u_v: float
    is_on_head: bool
    is_level: bool

    def going_on(self, seen_v: Floats, more_v: Floats) -> Floats:
        """Return the level of the next few bins, as what was added to the last ones goes on.

        What is added moves by the mean of two bins and by the integral, so its second difference is
        known but for a constant, which the last bins tell.
        """
        once, twice = self.weights
        added = self.value_v[-3:] - seen_v[-3:]
        seen = np.concatenate([seen_v[-4:], more_v])
        between = 0.5 * (seen[1:] + seen[:-1])
        bends = once * np.diff(between) + 0.5 * twice * (between[1:] + between[:-1])
        steps = np.diff(added)
        bends = bends[2:] + (steps[1] - steps[0] - bends[1])
        return more_v + added[2] + np.cumsum(steps[1] + np.cumsum(bends))


def straighten(
    seen_v: Floats, rate: float, rate_u: float, sigma_v: float, stretch: int
) -> Straightened:
    """Undo the coupling over a run of bins without a gap.

    Parameters
    ----------
    seen_v : numpy.ndarray
        float64, shape (n,): bins as they came.
    rate, rate_u : float
        The corner as radians in a bin, and its standard uncertainty as stated.
    sigma_v : float
        Standard deviation of one bin from noise.
    stretch : int
        Bins over which the base is a line: enough for three nulls.
    """
    lines = _Lines(len(seen_v), stretch)
    once = _integral(seen_v - seen_v.mean())
    weight = np.ones(len(seen_v))
    value = seen_v + rate * once
    for _ in range(_HUGGING_ROUNDS):
        weight = np.where(value > lines.through(value, weight), _HUGGING, 1.0)
    value = value - lines.through(value, weight)
    twice = _integral(once - lines.through(once, weight))
    parts = np.stack([seen_v, once, twice])
    stated = corners = _Corners(rate, rate_u)
    seen = _NullsSeen(parts, np.zeros((3, 0)), value < 0.0, None, points=False)
    for part in _SLACKS:
        seen = _look(parts, value, corners, lines, part, sigma_v)
        corners = stated.told_by(seen.rows)
        value = corners.mean @ seen.level
    is_level = _is_level(value, seen.null, sigma_v)
    step = 0.0
    if not seen.points and 0.0 < float(seen.null.mean()) < _NULL_SHARE:
        value = value - float(np.quantile(value[seen.null], _LOW_PART))
        step = _step_beside(value, seen.null)
    return Straightened(
        value_v=value,
        lean_v=corners.spread @ seen.level[1:],
        weights=(float(corners.mean[1]), float(corners.mean[2])),
        base_u_v=float(np.hypot(_STEP_U * step, sigma_v / np.sqrt(_FLANK))),
        is_on_head=_is_on_head(value, seen.spots, sigma_v),
        is_level=is_level,
    )


@dataclass(frozen=True, slots=True)
class _NullsSeen:
    """What the nulls, and the lobes between them, say with one slack.

    Attributes
    ----------
    level : numpy.ndarray
        float64, shape (3, n): bins, integral and twofold integral over the lines through the nulls.
    rows : numpy.ndarray
        float64, shape (3, observations): what should be zero of each, in its standard uncertainty.
    null : numpy.ndarray
        bool, shape (n,): the bins that count as null.
    spots : numpy.ndarray or None
        float64, shape (nulls,): their middles, where there are two lobes a turn.
    points : bool
        They are points between straight flanks.
    """

    level: Floats
    rows: Floats
    null: NDArray[np.bool_]
    spots: Floats | None
    points: bool


def _look(
    parts: Floats, value: Floats, corners: _Corners, lines: _Lines, slack: float, sigma_v: float
) -> _NullsSeen:
    """Find the nulls in `value`, and what they say of its parts."""
    top = float(np.quantile(value, 0.99))
    slack_v = _SLACK_SIGMAS * sigma_v + slack * top
    null = value < slack_v
    spots = _middles(null, value, lines.stretch)
    points = spots is not None and float(null.mean()) < _POINT_SHARE * slack_v / top
    a_null = 1.0
    if spots is not None and points:
        spots = _meeting(value, spots)
        levels = np.stack([_between_flanks(each, spots) for each in parts])
        through = np.stack([lines.through(each, np.ones(len(spots)), spots) for each in levels])
        seen = levels - through[:, spots.round().astype(np.int64)]
    else:
        through = np.stack([lines.through(each, null.astype(np.float64)) for each in parts])
        seen = (parts - through)[:, null]
        a_null = np.count_nonzero(null) / max(1.0, np.count_nonzero(np.diff(null)) / 2.0)
    level = parts - through
    rows = _in_u(seen, corners, sigma_v, a_null, _SHAPE_U * top)
    if spots is not None:
        lobes = _asymmetry(level, spots)
        rows = np.hstack([rows, _in_u(lobes, corners, sigma_v, _MIRRORED, _SYMMETRY_U * top)])
    return _NullsSeen(level, rows, null, spots, points)


def _integral(values: Floats) -> Floats:
    """Return the integral up to the middle of each bin."""
    return np.cumsum(values) - 0.5 * values


class _Lines:
    """A line in each stretch, through the values that are weighed."""

    def __init__(self, count: int, stretch: int) -> None:
        self.stretch = stretch
        self._pieces = max(1, count // stretch)
        edges = np.linspace(0, count, self._pieces + 1)
        self._number = np.searchsorted(edges, np.arange(count), side="right") - 1
        self._place = (np.arange(count) - edges[self._number]) / stretch - 0.5

    def through(self, values: Floats, weight: Floats, spots: Floats | None = None) -> Floats:
        """Return the lines of least squares at every place; values may be those at spots alone."""
        at = slice(None) if spots is None else spots.round().astype(int)
        number, place = self._number[at], self._place[at]

        def total(of: Floats) -> Floats:
            return np.bincount(number, of, self._pieces).astype(np.float64)

        w, wp, wpp = total(weight), total(weight * place), total(weight * place**2)
        wv, wpv = total(weight * values), total(weight * place * values)
        # A trace of a prior keeps a stretch with one null, or none, from tilting or failing.
        w = w + 1e-12
        wpp = wpp + 1e-3 * w
        slope = (wpv - wp * wv / w) / (wpp - wp**2 / w)
        level = (wv - slope * wp) / w
        return level[self._number] + slope[self._number] * self._place


class _Corners:
    """The corners as radians in a bin, the second mostly 0, and how well they are known.

    ``mean`` has shape (3,): the weights of bins, integral and twofold integral. ``spread``, shape
    (2, 2), is a root of the covariance of the last two, a row for each independent part.
    """

    def __init__(self, rate: float, rate_u: float) -> None:
        self._rate = rate
        self._u = np.array([rate_u, _SECOND_PART * rate])
        # The product of both corners taken as that of the stated one and the second.
        self._to_weights = np.array([[1.0, 0.0], [1.0, rate]])
        self.mean = np.array([1.0, rate, 0.0])
        self.spread = self._u[:, None] * self._to_weights

    def told_by(self, rows: Floats) -> _Corners:
        """Return them with observations beside, shape (3, n), each in its u: their sum is zero."""
        columns = self._u[:, None] * (self._to_weights @ rows[1:])
        seen = self.mean @ rows
        covariance = np.linalg.inv(np.eye(2) + columns @ columns.T)
        away = -covariance @ (columns @ seen)
        if away[1] < 0.0:
            # No corner is negative: then there is one.
            alone = 1.0 / (1.0 + float(columns[0] @ columns[0]))
            away = np.array([-alone * float(columns[0] @ seen), 0.0])
        away[0] = np.clip(away[0], -_FARTHEST, _FARTHEST)
        told = _Corners(self._rate, float(self._u[0]))
        told.mean = self.mean + np.array([0.0, *((self._u * away) @ self._to_weights)])
        root = np.linalg.cholesky(covariance).T
        told.spread = (root * self._u) @ self._to_weights
        return told


def _in_u(seen: Floats, corners: _Corners, sigma_v: float, alike: float, least_v: float) -> Floats:
    """Return observations in their standard uncertainty, of which so many err alike."""
    misfit = float(np.sqrt(np.mean((corners.mean @ seen) ** 2))) if seen.size else 0.0
    return seen / np.hypot(sigma_v, np.sqrt(alike) * max(least_v, misfit))


def _middles(null: NDArray[np.bool_], value: Floats, stretch: int) -> Floats | None:
    """Return the middles of the nulls, shape (nulls,), or None of too many or too few."""
    places = np.flatnonzero(null)
    cuts = np.flatnonzero(np.diff(places) > 2 * _FLANK)
    if not places.size or len(cuts) + 1 > _MOST_A_STRETCH * max(1.0, len(value) / stretch):
        return None
    first = places[np.concatenate([[0], cuts + 1])]
    last = places[np.concatenate([cuts, [-1]])]
    middle = 0.5 * (first + last).astype(np.float64)
    # A null that the run cuts has no middle.
    return middle[(first > 0) & (last < len(value) - 1)] if len(middle) > _FEWEST else None


def _meeting(value: Floats, spots: Floats) -> Floats:
    """Return where the flanks of point nulls meet, near their middles."""
    spots = spots[(spots > _FLANK + 1) & (spots < len(value) - _FLANK - 2)]
    left, right = (_flank(value, spots, side) for side in (-1, 1))
    away = (left[0] - right[0]) / np.where(right[1] > left[1], right[1] - left[1], np.inf)
    return np.clip(spots + np.clip(away, -1.5, 1.5), _FLANK, len(value) - _FLANK - 1)


def _flank(part: Floats, spots: Floats, side: int) -> tuple[Floats, Floats]:
    """Return level at the spots and slope of the straight line through the bins on one side."""
    at = spots.round().astype(int)
    reach = side * np.arange(_NEAR_SKIPPED, _FLANK + 1)
    place = at[:, None] + reach - spots[:, None]
    bins = part[at[:, None] + reach]
    middle = place.mean(axis=1, keepdims=True)
    slope = np.sum((place - middle) * bins, axis=1) / np.sum((place - middle) ** 2, axis=1)
    return bins.mean(axis=1) - slope * middle[:, 0], slope


def _between_flanks(part: Floats, spots: Floats) -> Floats:
    """Return the level where the flanks of each null meet."""
    return 0.5 * (_flank(part, spots, -1)[0] + _flank(part, spots, 1)[0])


def _asymmetry(parts: Floats, spots: Floats) -> Floats:
    """Return by how much each lobe between two nulls leans, shape (3, observations)."""
    half = 0.5 * np.diff(spots)
    middle = spots[:-1] + half
    away = half[:, None] * (np.arange(_MIRRORED) + 0.5) / _MIRRORED
    places = np.arange(parts.shape[1], dtype=np.float64)
    late, early = (middle[:, None] + side * away for side in (1, -1))
    leans: list[Floats] = [np.interp(late, places, p) - np.interp(early, places, p) for p in parts]
    return np.stack(leans).reshape(len(parts), -1)


def _is_level(value: Floats, null: NDArray[np.bool_], sigma_v: float) -> bool:
    """Return whether the nulls lie on one level and nothing below it, as of no other coupling."""
    if not null.any():
        return False
    slack_v = _LEVEL_SIGMAS * sigma_v + _LEVEL_PART * float(np.quantile(value, 0.99))
    spread_v = float(np.sqrt(np.mean(value[null] ** 2)))
    return max(spread_v, -float(np.quantile(value, _LOWEST_PART))) <= slack_v


def _step_beside(value: Floats, null: NDArray[np.bool_]) -> float:
    """Return the usual step from a null of few bins to the lower bin beside it."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], null, [False]]).astype(np.int8)))
    steps = [
        float(min(value[low - 1], value[high])) - float(value[low:high].min())
        for low, high in edges.reshape(-1, 2).tolist()
        if low > 0 and high < len(value)
    ]
    return max(0.0, float(np.median(steps))) if steps else float(value.max(initial=0.0))


def _is_on_head(value: Floats, spots: Floats | None, sigma_v: float) -> bool:
    """Return whether tops have corners, and nulls have none to speak of.

    Both are averaged; a cosine and its harmonic take out of them what is round.
    """
    if spots is None or len(spots) < _FEWEST:
        return False
    places, half = np.arange(len(value)), 0.5 * np.diff(spots)
    ends, near = (
        np.mean([np.interp(spots[:-1] + part * half, places, value) for part in parts])
        for parts in ((0.0,), (-_NEARER, _NEARER))
    )
    if near - ends < _LEVEL_NEAR * float(np.quantile(value, 0.99)):
        return False
    away = np.linspace(-_NEAR, _NEAR, _NEAR_PLACES)
    angle = 0.5 * np.pi * away
    round_off = np.stack([np.ones_like(away), np.cos(angle), np.sin(angle), np.cos(2.0 * angle)])
    noise = _INTERPOLATED * sigma_v**2 / len(half)

    def roughness(middles: Floats) -> float:
        at = middles[:, None] + half[:, None] * away
        shape = np.interp(at, places, value).mean(axis=0)
        rest = shape - (shape @ np.linalg.pinv(round_off)) @ round_off
        return float(rest @ rest) / (_NEAR_PLACES - len(round_off)) - noise

    tops = roughness(spots[:-1] + half)
    return tops > (_ROUGH - 1.0) * noise and roughness(spots[:-1]) < _ROUGHER * tops
