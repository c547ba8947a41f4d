"""The third harmonic of a carrier near a quarter of the sample rate.

Sampled at four phases it lies on the carrier itself: no spectrum parts them, and no kurtosis tells.
But as the sampling drifts through the carrier's phase φ it now adds to the amplitude and now takes
away: the power goes as 1 + 2r cos 4φ, r the harmonic's part. What bends by the cube takes three
times its third harmonic off the carrier, and makes it grow as the square of the amplitude.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.results import Quantity

_REACH = 0.15
"""Part of the way from lobe to lobe that is looked at on either side of a top."""
_MOST_DRIFT, _LEAST_LEFT = 2.5, 0.1
"""Cycles of 4φ within a bin, and what of it they leave: with more and less it is no tell."""
_FEWEST_LOBES, _FEWEST_BINS = 3, 24
_LOSS_A_HARMONIC = 3.0
_MOST_U = 0.02
"""Known no better, as where carrier and sampling are locked and 4φ stands still, it is no tell."""


def loss_beyond(
    series: EnvelopeSeries, centre_frames: NDArray[np.float64], taller: int, rate_hz: float
) -> Quantity | None:
    """Return by which part the taller lobes lost more than the lower, None where 4φ tells nothing.

    Parameters
    ----------
    centre_frames : numpy.ndarray
        float64, shape (n, 2): middles of first and second lobes.
    taller : int
        Which of both is the taller.
    """
    way = float(np.median(np.diff(np.sort(centre_frames, axis=None))))
    half = int(_REACH * way / series.frames_a_bin)
    carriers = series.carrier_hz[series.ok]
    if half < 1 or not carriers.size or not series.phasor_v.any():
        return None
    drift = (4.0 * float(np.median(carriers)) / rate_hz - 1.0) * series.frames_a_bin
    left = float(np.sinc(drift))
    if abs(drift) > _MOST_DRIFT or abs(left) < _LEAST_LEFT:
        return None
    tall, low = (_harmonic(series, centre_frames[:, which], half) for which in (taller, 1 - taller))
    if tall is None or low is None:
        return None
    part = _LOSS_A_HARMONIC / left
    u = abs(part) * float(np.hypot(low.u, tall.u))
    return Quantity(part * (low.value - tall.value), u) if u <= _MOST_U else None


def _harmonic(
    series: EnvelopeSeries, centre_frames: NDArray[np.float64], half: int
) -> Quantity | None:
    """Return the harmonic's part of the carrier about the tops, below 0 where it flattens them."""
    place, whole = series.around(centre_frames, half)
    power = series.power_v2[place]
    whole &= np.all(power > 0.0, axis=1)
    place, power = place[whole], power[whole]
    if len(place) < _FEWEST_LOBES or place.size < _FEWEST_BINS:
        return None
    # Middles of bins of an even number of frames lie between two of them.
    angle = 4.0 * np.angle(series.phasor_v[place]) + np.pi * (series.frames_a_bin % 2 == 0)
    values = np.stack([0.5 * np.log(power), np.cos(angle), np.sin(angle)], axis=-1)
    each = [_regressed(*left) for left in (_by_lobe(values, half), _by_place(values))]
    return min(each, key=lambda quantity: quantity.u)


def _by_lobe(values: NDArray[np.float64], half: int) -> tuple[NDArray[np.float64], ...]:
    """Return amplitude and harmonic less a parabola in each lobe."""
    away = np.linspace(-1.0, 1.0, 2 * half + 1)
    columns = away[:, None] ** np.arange(min(3, half + 1))
    left = values - columns @ (np.linalg.pinv(columns) @ values)
    return left[..., 0], left[..., 1], left[..., 2]


def _by_place(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Return the same less the mean of all lobes at each place, and what goes evenly with time."""
    left = values - values.mean(axis=0)
    time = np.linspace(-1.0, 1.0, len(values))[:, None, None]
    left = left - time * np.sum(time * left, axis=0) / np.sum(time**2)
    return left[..., 0], left[..., 1], left[..., 2]


def _regressed(
    amplitude: NDArray[np.float64], cosine: NDArray[np.float64], sine: NDArray[np.float64]
) -> Quantity:
    """Return how amplitude goes with cosine, and its u by bins or by lobes, whichever is more."""
    columns = np.stack([cosine, sine], axis=-1)
    flat = columns.reshape(-1, 2)
    normal = flat.T @ flat
    if np.linalg.cond(normal) > 1e6:
        return Quantity(0.0, float("inf"))
    inverse = np.linalg.inv(normal)
    found = inverse @ (flat.T @ amplitude.ravel())
    rest = amplitude - columns @ found
    alone = float(np.sum(rest**2)) / max(rest.size - 2, 1) * inverse[0, 0]
    scores = np.sum(columns * rest[..., None], axis=1)
    by_lobes = float((inverse @ (scores.T @ scores) @ inverse)[0, 0])
    return Quantity(float(found[0]), float(np.sqrt(max(alone, by_lobes))))
