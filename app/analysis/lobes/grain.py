"""What a disk's coating does to the height of a lobe: a grain that comes again with each turn.

The noise of a particulate coating is in proportion to what is recorded and turns with the disk, so
that no number of turns lessens it, and turns do not scatter by it. But it shows along each lobe:
what stands off the lobe's smooth shape at one place of the turn stands off it there in every other
turn, where noise does not. So what different turns have in common there is taken: as the noise that
it is along the lobe, alike for some places and for no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries, median_of
from app.analysis.lobes.turns import Turn

_PLACES = 720
"""In a turn, as it is looked at here."""
_ALIKE, _UNLIKE = 4, 8
"""So many places on the grain counts as alike, and twice as many on as unlike."""
_TOGETHER = 2 * _ALIKE + (_UNLIKE - _ALIKE)
_LEAST_LEFT = 0.3
"""So many places count together; what the lobe's own shape takes of them is at most all but this
part."""
_TERMS, _FLAT_TERMS, _LEAST_FREE = 11, 3, 3
"""Of a polynomial that is free to be the lobe's own shape: of a bell, down to a seventh of its
height, so many leave a thousandth. Of fewer than so many times as many places nothing is told."""
_LEAST_PART, _SIGMAS = 4e-3, 4.0
"""Grain below this part of a lobe's height moves no balance by its u, and less than so many u of
what noise makes of it is none."""
_PLACES_A_BIN = 2.0
"""Bins are longer than places, and what lies between them is the same noise."""


def grain_of(
    levels_v: NDArray[np.float64],
    centres: NDArray[np.float64],
    reaches: NDArray[np.float64],
    *,
    flat: bool,
) -> float:
    """Return the grain: the variance of a place's height, in parts of it, times places alike.

    It is 0 where none shows. The mean of n places beside one another has the nth part of it.

    Parameters
    ----------
    levels_v : numpy.ndarray
        float64, shape (turns, places): from :func:`levels_by_place`.
    centres, reaches : numpy.ndarray
        float64, shape (lobes,): middles, and how far to either side lobes are looked at, in turns.
    flat : bool
        Their tops are level.
    """
    terms = _FLAT_TERMS if flat else _TERMS
    found = [
        each
        for centre, reach in zip(centres.tolist(), reaches.tolist(), strict=True)
        if (each := _grain_within(levels_v, centre, int(reach * _PLACES), terms)) is not None
    ]
    if not found:
        return 0.0
    power, u, long = (float(np.mean(each)) for each in zip(*found, strict=True))
    u /= float(np.sqrt(len(found)))
    return long if power > max(_LEAST_PART**2, _SIGMAS * u) else 0.0


def of_mean(reach: float, lobes: int, cosines: int) -> float:
    """Return what part of the grain a fitted height's variance, in parts of it, has.

    Parameters
    ----------
    reach : float
        How far to either side of its middle the lobe is fitted, in turns.
    lobes, cosines : int
        Lobes a turn, and harmonics of their angle that are fitted.
    """
    half = max(int(reach * _PLACES), 1)
    angle = np.pi * lobes / _PLACES * np.arange(-half, half + 1)
    columns = [np.ones_like(angle)]
    columns += [np.cos(order * angle) - 1.0 for order in range(1, cosines + 1)]
    weights = np.linalg.pinv(np.stack(columns, axis=1))[0]
    return float(weights @ weights)


def levels_by_place(series: EnvelopeSeries, turns: Sequence[Turn]) -> NDArray[np.float64]:
    """Return the envelope of each turn by place, shape (turns, places)."""
    rows = np.zeros((len(turns), _PLACES))
    for row, turn in zip(rows, turns, strict=True):
        bins = series.bins_between(turn.start_frame, turn.end_frame)
        place = (series.centres_in(bins) - turn.start_frame) / turn.frames * _PLACES - 0.5
        ok = series.ok[bins]
        if ok.any():
            level_v = series.amplitude_in(bins)
            row[:] = np.interp(np.arange(_PLACES), place[ok], level_v[ok], period=_PLACES)
    return rows


@lru_cache(maxsize=64)
def _shape_of(places: int, terms: int) -> NDArray[np.float64]:
    """Return orthogonal polynomials over so many places, shape (places, terms)."""
    shape, _ = np.linalg.qr(np.linspace(-1.0, 1.0, places)[:, None] ** np.arange(terms))
    return shape


def _grain_within(
    levels_v: NDArray[np.float64], centre: float, half: int, terms: int
) -> tuple[float, float, float] | None:
    """Return a lobe's grain at a place, its u from noise, and its sum over the places alike."""
    away = np.arange(-half, half + 1)
    rows = levels_v[:, (round(centre * _PLACES - 0.5) + away) % _PLACES]
    turns, places = rows.shape
    height_v = median_of(rows.ravel())
    if turns < 2 or places < max(_UNLIKE, _LEAST_FREE * terms) or height_v <= 0.0:
        return None
    shape = _shape_of(places, terms)
    rest: NDArray[np.float64] = (rows - (rows @ shape) @ shape.T) / height_v
    total = rest.sum(axis=0)
    free = turns * (turns - 1) * (places - terms)

    def shared(lag: int) -> float:
        """Return the mean product of places so far apart in different turns."""
        end = places - lag
        alone = float(np.sum(rest[:, lag:] * rest[:, :end]))
        return (float(total[lag:] @ total[:end]) - alone) / free

    power = shared(0)
    noise = float(np.sum(rest**2) - np.sum(total**2) / turns) / ((turns - 1) * places)
    u = noise * float(np.sqrt(2.0 * _PLACES_A_BIN / free))
    long = power
    for lag in range(1, min(_UNLIKE, places)):
        long += 2.0 * min(1.0, (_UNLIKE - lag) / (_UNLIKE - _ALIKE)) * shared(lag)
    left = max(1.0 - terms * _TOGETHER / places, _LEAST_LEFT)
    return power, u, max(long / left, power)
