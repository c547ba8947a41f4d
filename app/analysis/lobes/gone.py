"""Stretches of a capture in which the signal was gone, and came back.

A head taken off the track, a muted input, a channel that stood still for a while: nothing is left
there but noise, or less, where other turns have a signal. A gap of the recording is at the same
place in every turn, so it is none of these.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries, middle_of
from app.analysis.lobes.turns import Turn, bins_of

_CELLS = 72
"""Places in a turn, some 3 ms each: several bins, of which the middle one is no spike."""
_LEFT = 0.05
"""What is left of a place's power where the signal is gone is less than this part. Of places with
less than this part of the tallest one's nothing is told: a floor that drifts is no signal."""
_NOISE, _CLEAR = 16.0, 40.0
"""And it is no more than so many times the variance of a bin; the power that was there is so many
times it at least."""
_NOTHING = 1e-6
"""Or it is less than this part of what was there, or changes by less of itself: no noise leaves so
little."""
_FAR = 0.1
"""What stands still by a converter's few codes is where it is in other turns, to this part or to
what noise makes."""
_MANY = 4
"""Of so many turns two must have a signal in a place: one may have been counted from elsewhere."""
_RUN = 4
"""So many places with a signal in a row are more than a drop-out, or an edge that moved."""


def gone_bins(series: EnvelopeSeries, turns: Sequence[Turn]) -> NDArray[np.bool_]:
    """Return which bins of a series lie where the signal was gone, shape (bins,).

    Parameters
    ----------
    turns : sequence of Turn
        In order of time; what they do not cover is not looked at.
    """
    gone = np.zeros(len(series.ok), dtype=np.bool_)
    bins, place, number = bins_of(series, turns)
    if not bins.size or len(turns) < 2:
        return gone
    cell = number * _CELLS + np.minimum((place * _CELLS).astype(np.int64), _CELLS - 1)
    power_v2 = _middle_by(cell, np.where(series.ok[bins], series.power_v2[bins], np.nan), turns)
    noise_v2 = _middle_by(cell, series.sigma_v[bins] ** 2, turns)
    known = np.isfinite(power_v2)
    ordered: NDArray[np.float64] = np.sort(np.where(known, power_v2, 0.0), axis=0)
    few: NDArray[np.bool_] = known.sum(axis=0) < _MANY
    usual_v2: NDArray[np.float64] = np.maximum(ordered[-2], few * ordered[-1])
    with np.errstate(invalid="ignore"):
        clear_v2 = np.maximum(_CLEAR * noise_v2, _LEFT * usual_v2.max())
        there: NDArray[np.bool_] = known & (usual_v2 > clear_v2)
        floor_v2 = np.maximum(_NOISE * noise_v2, _NOTHING * usual_v2)
        low: NDArray[np.bool_] = power_v2 < np.minimum(_LEFT * usual_v2, floor_v2)
    away_v2 = np.maximum(_FAR * usual_v2, _NOISE * noise_v2)
    far = known & (np.abs(power_v2 - middle_of(power_v2.T)) > away_v2)
    still = _stands_still(series.power_v2[bins], cell, there.size)
    # In a row are places with a signal, whatever gaps of the recording lie between.
    at = np.flatnonzero(there.ravel())
    runs = [(at[start], at[end - 1] + 1) for start, end in _long_runs(low.ravel()[at])]
    # No pattern stands still for a whole turn, also where most turns do.
    runs += [
        (start, end)
        for start, end in _long_runs(still)
        if end - start >= _CELLS or far.ravel()[start:end].any()
    ]
    lost = np.zeros(there.size, dtype=np.bool_)
    for start, end in runs:
        lost[max(start - 1, 0) : end + 1] = True
    gone[bins] = lost[cell]
    return gone


def _stands_still(
    power_v2: NDArray[np.float64], cell: NDArray[np.int64], cells: int
) -> NDArray[np.bool_]:
    """Return in which cells no bin differs from the one before it, shape (cells,)."""
    steps = np.abs(np.diff(power_v2, prepend=np.nan)) > _NOTHING * np.abs(power_v2)
    moves = np.bincount(cell, steps, cells)
    return (moves == 0.0) & (np.bincount(cell, minlength=cells) > 1)


def _middle_by(
    cell: NDArray[np.int64], values: NDArray[np.float64], turns: Sequence[Turn]
) -> NDArray[np.float64]:
    """Return the median of the values in each cell, shape (turns, cells); NaN where none is."""
    count = len(turns) * _CELLS
    sizes = np.bincount(cell, minlength=count)
    # Cells come in order, so that each value's place in its own is counted from the cell's first.
    first = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    rows = np.full((count, max(int(sizes.max()), 1)), np.nan)
    rows[cell, np.arange(len(cell)) - first[cell]] = values
    return middle_of(rows).reshape(len(turns), _CELLS)


def _long_runs(low: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return where runs of True begin and end that are long enough."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], low, [False]]).astype(np.int8)))
    runs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [(start, end) for start, end in runs if end - start >= _RUN]
