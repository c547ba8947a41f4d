"""What fills sharp nulls, told by the carrier's phase on its way through them.

A boundary passes the head's middle to and fro: its carrier turns round at each null. What is added
to it with a phase that stays (by an azimuth, by a rest of another recording) makes of the turning
round half a turn of phase, ahead in one null and back again in the other. Of a beat the carrier
goes half a turn on in both nulls, for it is two tones of which one is the stronger. So the local
frequency stands out in the nulls, to opposite sides or to the same one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from app.analysis.lobes.heights import TURN_BINS, MeanTurn
from app.analysis.lobes.turns import Turn
from app.analysis.uncertainty import scatter_u

_SMOOTH = 31
"""Places over which the demodulator averages the local carrier, with a Hann window."""
_REACH, _REACH_OF_FILL = 0.04, 6.0
"""How far from a null it is looked at, in turns: a deep one is over soon, a filled one is wide."""
_SIGMAS, _PURE = 2.5, 0.4
_FEWEST_BINS = 10
_LEAST_HZ = 8.0
"""Twice the least by which the carrier stands out of nulls filled by 0.01 to 0.6, at five turns a
second."""


def runs_on(mean: MeanTurn, nulls: list[float], fill: float) -> bool | None:
    """Return whether the phase goes the same way through both nulls, None where it cannot be told.

    Parameters
    ----------
    nulls : list of float
        Places of both nulls, in turns.
    fill : float
        What fills them, as a part of the mean height.
    """
    kernel = np.hanning(_SMOOTH + 2)[1:-1]
    padded = np.pad(np.maximum(mean.power_v2, 0.0), _SMOOTH // 2, mode="wrap")
    power = np.convolve(padded, kernel / kernel.sum(), mode="valid")
    reach = _REACH + fill / _REACH_OF_FILL
    peaks = np.array(
        [[_peak(mean, turn, power, null, reach) for null in nulls] for turn in mean.turns]
    )
    peaks = peaks[np.isfinite(peaks).all(axis=1)]
    if len(peaks) < 2:
        return None
    sides = peaks @ np.array([[1.0, 1.0], [1.0, -1.0]])
    same, opposite = np.abs(sides.mean(axis=0)).tolist()
    least = max(_LEAST_HZ, _SIGMAS * max(scatter_u(side) for side in sides.T))
    if max(same, opposite) <= least or min(same, opposite) > _PURE * max(same, opposite):
        return None
    return same > opposite


def _peak(
    mean: MeanTurn, turn: Turn, power_v2: NDArray[np.float64], null: float, reach: float
) -> float:
    """Return by how much the local carrier of one turn stands out in a null; NaN where it is cut.

    The phase goes at a rate that is as the inverse of the power, and what the speed does to it is a
    parabola.
    """
    series, middle = mean.series, turn.start_frame + null * turn.frames
    bins = series.bins_between(middle - reach * turn.frames, middle + reach * turn.frames)
    frames = series.centres_in(bins)
    if len(frames) < _FEWEST_BINS or not series.ok[bins].all() or frames[0] > middle:
        return float("nan")
    away = (frames - middle) / (reach * turn.frames)
    place = ((frames - turn.start_frame) / turn.frames) % 1.0 * TURN_BINS - 0.5
    power = np.interp(place, np.arange(TURN_BINS), power_v2, period=TURN_BINS)
    least = float(power.min())
    if least <= 0.0:
        return float("nan")
    columns = np.stack([least / power, np.ones_like(away), away, away**2], axis=1)
    weight = np.sqrt(power)
    weighted = columns * weight[:, None]
    found = np.linalg.lstsq(weighted, series.carrier_hz[bins] * weight, rcond=None)[0]
    return float(found[0])
