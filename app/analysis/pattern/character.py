"""What recording a turn is of, and whether it is one that can be read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.pattern.layout import Layout
from app.analysis.pattern.meanturn import BINS, MeanTurn
from app.analysis.reading import Geometry

_BUMP = 0.10
"""Signal between two lobes, set apart from both and this part of the mean height or more, belongs
to no pattern that is known."""
_FILLED = 0.08
"""A null this part of the mean height above zero is filled: recordings whose lobes tell the side
have empty nulls, and one that beats would read even at an offset of as large a part of its scale.
"""
_FILLED_SHARP = 0.045
"""A boundary's nulls are as sharp as those of a beat, which alone may be taken for it."""
_FILLED_SIGMAS = 4.0
_FLAT_REACH, _FLAT_LEAST = 0.5, 0.85
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
        The nulls do not reach zero, so it is none of those whose lobes tell the side.
    """

    geometry: Geometry | None
    filled: bool


def characterise(
    turn: MeanTurn, layout: Layout, heights_v: tuple[float, float], wanted: str | None
) -> Character:
    """Tell the recording from the averaged turn.

    Parameters
    ----------
    turn, layout : MeanTurn, Layout
        The averaged turn and its lobes.
    heights_v : tuple of float
        Mean heights of first and second lobes.
    wanted : str or None
        The geometry that the profile states, None when open.
    """
    mean_height = 0.5 * sum(heights_v)
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
    """Tell whether the groups are level over half of their room, as recorded groups are."""
    lobes = len(layout.centres)
    amplitude = turn.amplitude_v
    reach = int(BINS / lobes * 0.5 * _FLAT_REACH)
    at_edges = inside = 0.0
    for centre in layout.centres:
        at = round(centre * BINS - 0.5)
        inner = np.arange(at - reach // 3, at + reach // 3 + 1, dtype=np.int64)
        inside += float(amplitude[inner % BINS].mean())
        for edge in (at - reach, at + reach):
            at_edges += 0.5 * float(amplitude[np.arange(edge - 1, edge + 2) % BINS].mean())
    return at_edges > _FLAT_LEAST * inside


def _with_sharp_nulls(
    layout: Layout, heights_v: tuple[float, float], nulls: list[tuple[float, float, float]]
) -> Geometry | None:
    """Tell a boundary, whose nulls move with the offset, from two bands that touch."""
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
    width = max(1, round(BINS / lobes * smooth))
    low, high = round((start + inset * gap) * BINS), round((start + (1.0 - inset) * gap) * BINS)
    bins = np.arange(low - width, high + width + 1, dtype=np.int64)
    kernel = np.ones(2 * width + 1) / (2 * width + 1)
    power = np.convolve(turn.power_v2[bins % BINS], kernel, mode="valid")
    variance = np.convolve(turn.u_v2[bins % BINS] ** 2, kernel**2, mode="valid")
    return bins[width:-width], power, np.sqrt(variance)


def _null(turn: MeanTurn, layout: Layout, number: int) -> tuple[float, float, float]:
    """Return power, its u and the place of the null after lobe `number`."""
    bins, power, u = _gap(turn, layout, number, 0.15, 0.006)
    at = int(np.argmin(power))
    raw = turn.power_v2[bins % BINS]
    return float(power[at]), float(u[at]), _null_place(raw, at, bins)


def _has_bump(turn: MeanTurn, layout: Layout, number: int, mean_height_v: float) -> bool:
    """Tell whether the signal rises and falls again between two lobes.

    Beside a drop-out it does so too, but no higher than the lobe stands on its other side.
    """
    power = _closed(turn.power_v2, round(BINS * _DIP_TURNS))
    bins, smooth, _ = _gap(MeanTurn(power, turn.u_v2), layout, number, 0.05, 0.015)
    # Filling dips has lifted the noise too: it counts as that of single places, not of their mean.
    u = turn.u_v2[bins % BINS]
    at = int(np.argmin(smooth))
    for end, sides in ((number, slice(0, at + 1)), (number + 1, slice(at, None))):
        centre = layout.centres[end % len(layout.centres)] * BINS - 0.5
        mirrored = (round(2.0 * centre) - bins[sides]) % BINS
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
    return float(0.5 * (bins[low] + bins[high]) + 0.5) / BINS
