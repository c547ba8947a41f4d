"""How rough turns and lobes are: one with noise in its midst is none to learn from.

A source that gives something else for a while (a program's garbage, a cable that falls out, a card
that is put in another's place) leaves turns that are half of noise, and a pattern of those reads
whole turns wrongly. Noise shows from bin to bin, and no hand and no gain does: a bin stands away
from the line through its neighbours. That is measured place by place in the turn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries, middle_of, quantile_of

_PLACES = 16
"""In a turn, of some 25 bins each: no drop-out, click or edge moves the middle one of those."""
LOBE_PLACES = _PLACES // 2
"""In half a turn."""
_FEWEST = 10
"""Of fewer bins in a place nothing is told."""
_ROUGHER = 5.0
"""So many times as rough as another place, or the same one in another turn, it differs,"""
_ROUGH_PART = 0.05
"""where it is rougher than this part of the level: less moves no height by more than its u."""
_WHOLE = 0.9
_LEVEL_QUANTILE = 0.9
_AS_HIGH = 1.25
"""Turns that differ by more are of another gain, of an offset, or of a head far away."""
_SD_OF_MIDDLE = 1.4826 / float(np.sqrt(6.0))
"""From the median of |a − 2b + c| to the standard deviation of one, of normal values."""


@dataclass(frozen=True, slots=True)
class Roughness:
    """How rough a stretch of the envelope is, place by place.

    Attributes
    ----------
    known : float
        Part of its bins that are there.
    level_v : float
        What all but its highest bins stay below.
    rough_v : numpy.ndarray
        float64, shape (places,): standard deviation of a bin about its neighbours; NaN where the
        bins are too few to tell.
    """

    known: float
    level_v: float
    rough_v: NDArray[np.float64]

    @property
    def is_same_throughout(self) -> bool:
        """Whether no place is rougher than the others."""
        known = self.rough_v[np.isfinite(self.rough_v)]
        return not bool(
            np.any(self._differ(known, float(np.min(known, initial=np.inf)), self.level_v))
        )

    @property
    def is_whole(self) -> bool:
        """Whether so much of it is there that it teaches by itself."""
        return self.known >= _WHOLE

    def is_like(self, other: Roughness) -> bool:
        """Return whether every place is as rough as that of another turn."""
        level_v = max(self.level_v, other.level_v)
        return not bool(np.any(self._differ(self.rough_v, other.rough_v, level_v)))

    def goes_with(self, other: Roughness) -> bool:
        """Return whether a pattern may be the mean of this turn and another: also as high."""
        low_v, high_v = sorted((self.level_v, other.level_v))
        # Of turns that are not whole the highest bins may be missing.
        as_high = high_v <= _AS_HIGH * low_v or not (self.is_whole and other.is_whole)
        return as_high and self.is_like(other)

    def is_as_rough_as(self, other: Roughness) -> bool:
        """Return whether the roughest places of both are alike, wherever they lie."""
        # Of no number but NaN it is NaN, from which nothing differs.
        one_v, other_v = (np.fmax.reduce(each.rough_v, keepdims=True) for each in (self, other))
        level_v = max(self.level_v, other.level_v)
        return not bool(self._differ(one_v, other_v, level_v).any())

    @staticmethod
    def _differ(
        one_v: NDArray[np.float64], other_v: NDArray[np.float64] | float, level_v: float
    ) -> NDArray[np.bool_]:
        high_v, low_v = np.maximum(one_v, other_v), np.minimum(one_v, other_v)
        return (high_v > _ROUGHER * low_v) & (high_v > _ROUGH_PART * level_v)


def roughness_of(
    series: EnvelopeSeries, start_frame: float, end_frame: float, places: int = _PLACES
) -> Roughness:
    """Return how rough it is between two frames, in so many places of equal length."""
    bins = series.bins_between(start_frame, end_frame)
    amplitude = np.where(series.ok[bins], series.amplitude_in(bins), np.nan)
    there = amplitude[np.isfinite(amplitude)]
    level_v = quantile_of(there, _LEVEL_QUANTILE) if there.size else 0.0
    known = there.size / max(len(amplitude), 1)
    size = (len(amplitude) - 2) // places
    if size < _FEWEST:
        return Roughness(known, level_v, np.full(places, np.nan))
    away = np.abs(amplitude[:-2] - 2.0 * amplitude[1:-1] + amplitude[2:])
    rough_v = _SD_OF_MIDDLE * middle_of(away[: places * size].reshape(places, size))
    return Roughness(known, level_v, rough_v)


def is_as_rough(
    series: EnvelopeSeries, start_frame: float, end_frame: float, roughness: Roughness
) -> bool:
    """Return whether what lies between two frames is as rough as what is told."""
    return roughness_of(series, start_frame, end_frame).is_as_rough_as(roughness)


def roughness_of_turn(series: EnvelopeSeries, start_frame: float, end_frame: float) -> Roughness:
    """Return how rough a turn is, with what lies right before it and behind it.

    An index that noise gave stands at the edge of noise.
    """
    beside = (end_frame - start_frame) / _PLACES
    return roughness_of(series, start_frame - beside, end_frame + beside)
