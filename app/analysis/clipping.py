"""Flat tops, at any level: a clipped sine has less of a peak than a sine.

The kurtosis E[x⁴]/E[x²]² of a sine is 1.5 whatever its height; of one clipped at 0.9 of its peak
it is 1.446, at 0.8 it is 1.379, and of a square wave 1. It is taken block by block, what is slow
(hum, offset) removed and the noise taken out, and compared between blocks near the top of the
taller lobe and blocks half as high: a harmonic that the recording has, and a carrier sampled at
few phases, change both alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SINE_KURTOSIS = 1.5
_EVERY = 8
_LEAST_BLOCKS = 64
_SQUARE_LIMIT = 1.30
"""Where no lower signal is at hand to compare with: a third harmonic of a tenth alone may bring a
sine's kurtosis to 1.3."""
_FALLS_BY = 0.015
"""Clipped at 0.95 of its peak, a sine's kurtosis falls by this part."""
_FALL_SIGMAS = 5.0
_TOP = (0.90, 1.01)
_MIDDLE = (0.12, 0.45)
"""Power of the blocks compared, as parts of the greatest."""
_LEAST_COMPARED = 12
_HUM_GROUPS = 3
_HUM_PART = 0.05


class ClipWatch:
    """Watches one signal column.

    Parameters
    ----------
    column : int
        Which.
    block : int
        Frames in a block: some carrier periods.
    """

    def __init__(self, column: int, block: int) -> None:
        self._column = column
        self._block = block
        self._parts: list[NDArray[np.float64]] = []
        place = np.arange(block) - (block - 1) / 2.0
        self._slope = (place / np.sum(place**2)).astype(np.float32)
        self._place = place.astype(np.float32)

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take samples, shape (frames, channels)."""
        count = len(samples_v) // self._block
        every = max(1, min(_EVERY, count // _LEAST_BLOCKS))
        blocks = samples_v[: count * self._block, self._column].reshape(count, self._block)
        values = blocks[::every]
        if not len(values):
            return
        mean = values.mean(axis=1, keepdims=True)
        values = values - mean - (values @ self._slope)[:, None] * self._place
        squares = values * values
        second = squares.mean(axis=1)
        fourth = np.einsum("ij,ij->i", squares, squares) / self._block
        frames = first_index + np.arange(0, count, every) * self._block
        stats = np.stack([frames, mean[:, 0], second, fourth]).astype(np.float64)
        self._parts.append(stats[:, np.isfinite(stats).all(axis=0)])

    def forget_before(self, frame: float) -> None:
        """Let go of what is older."""
        self._parts = [part for part in self._parts if part.size and part[0, -1] >= frame]

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Tell whether the signal was clipped between two frames."""
        near = [
            part
            for part in self._parts
            if part.size and part[0, 0] < end_frame and part[0, -1] >= start_frame
        ]
        if not near:
            return False
        frames, mean, second, fourth = np.concatenate(near, axis=1)
        inside = (frames >= start_frame) & (frames < end_frame)
        return _is_clipped(mean[inside], second[inside], fourth[inside])


def _is_clipped(
    mean_v: NDArray[np.float64], second_v2: NDArray[np.float64], fourth_v4: NDArray[np.float64]
) -> bool:
    if second_v2.size < _LEAST_COMPARED:
        return False
    # Between the lobes there is nothing but noise, whose power the lowest blocks hold.
    noise = float(np.quantile(second_v2, 0.05))
    power = second_v2 - noise
    greatest = float(np.quantile(power, 0.99))
    if greatest <= 4.0 * noise:
        # No carrier to speak of, or one that never falls: then nothing is known of the noise.
        if float(np.quantile(power, 0.5)) * 20.0 > noise:
            return False
        noise, power = 0.0, second_v2
        greatest = float(np.quantile(power, 0.99))
    if greatest <= 0.0:
        return False
    part = power / greatest
    top = (part > _TOP[0]) & (part < 1.5)
    middle = (part > _MIDDLE[0]) & (part < _MIDDLE[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        kurtosis = (fourth_v4 - 6.0 * power * noise - 3.0 * noise**2) / power**2
    hum = float(np.ptp(mean_v[top])) if top.any() else 0.0
    if hum**2 < _HUM_PART * greatest:
        return _falls(kurtosis[top], kurtosis[middle])
    # On hum only some tops reach the limit: those that it lifts, or lowers, the most.
    edges = np.quantile(mean_v[top], [0.0, 1.0 / _HUM_GROUPS, 1.0 - 1.0 / _HUM_GROUPS, 1.0])
    outer = (top & (mean_v <= edges[1]), top & (mean_v >= edges[2]))
    return any(_falls(kurtosis[each], kurtosis[middle]) for each in (top, *outer))


def _falls(top: NDArray[np.float64], middle: NDArray[np.float64]) -> bool:
    """Tell whether the top's kurtosis lies below the middle's, more than by chance."""
    if top.size < _LEAST_COMPARED:
        return False
    at_top, u_top = float(np.mean(top)), float(np.std(top)) / np.sqrt(top.size)
    if middle.size < _LEAST_COMPARED:
        return at_top < _SQUARE_LIMIT - _FALL_SIGMAS * u_top
    in_middle = min(float(np.mean(middle)), SINE_KURTOSIS)
    u = np.hypot(u_top, float(np.std(middle)) / np.sqrt(middle.size))
    return at_top < in_middle * (1.0 - _FALLS_BY) - _FALL_SIGMAS * u
