"""Clipping noticed by its flat tops, at any level: a clipped sine has less of a peak than a sine.

The kurtosis E[x⁴]/E[x²]² of a sine is 1.5 whatever its height; of one clipped at 0.9 of its peak
it is 1.446, at 0.8 it is 1.379, and of a square wave 1. It is taken over runs of half a
millisecond, what is slow (hum, offset) removed and the noise taken out, and compared between runs
near the top of the taller lobe and runs half as high: a harmonic that the recording has, and a
carrier sampled at few phases, change both alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_EVERY = 16
_RUN = 8
_EVERY_AT_FIRST = 2
_ENOUGH_RUNS = 1000
_MIN_RUNS = 8
"""Of the stream every sixteenth run of eight blocks is looked at, or more where there are few."""
_SINE = 1.5
_SQUARE_LIMIT = 1.30
"""Where no lower signal is at hand to compare with: a third harmonic of a tenth alone may bring a
sine's kurtosis to 1.3."""
_FALLS_BY = 0.006
"""Clipped at 0.97 of its peak, a sine's kurtosis falls by this part."""
_FALL_SIGMAS = 4.0
_TOP = 0.93
_MIDDLE = (0.12, 0.45)
"""Power of the runs compared, as parts of the greatest."""
_QUIET_PART = 0.3
_SECOND = 0.85
_MIN_COMPARED = 12
_MIN_SNR = 2.0
"""In more noise the tops differ from the middle by nothing but the noise that is judged."""
_STEADY = 0.2
_HUM_GROUPS = 3
_HUM_PART = 0.05


class ClipWatch:
    """Watches the signal columns for clipping.

    Parameters
    ----------
    known : numpy.ndarray
        float32, shape (block, k): an orthonormal basis of all that is not noise within a block of
        some carrier periods.
    tone : numpy.ndarray
        float32, shape (block, 2): one of the carrier alone.
    """

    def __init__(
        self,
        columns: tuple[int, ...],
        known: NDArray[np.float32],
        tone: NDArray[np.float32],
    ) -> None:
        self._columns = columns
        self._block = len(known)
        self._known = known
        self._tone = tone
        self._taken = 0
        self._freedom = len(known) - known.shape[1]
        self._parts: list[tuple[int, NDArray[np.float64]]] = []
        place = np.arange(self._block) - (self._block - 1) / 2.0
        # What is slow is fitted beside the carrier: a slope alone would take some of it away.
        slow = np.stack([np.ones_like(place), place], axis=1)
        solve = np.linalg.pinv(np.concatenate([slow, tone.astype(np.float64)], axis=1))[:2]
        self._solve_slow = solve.T.astype(np.float32)
        self._slow = slow.T.astype(np.float32)

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take samples, shape (frames, channels)."""
        frames = _RUN * self._block
        count = len(samples_v) // frames
        # The beginning is looked at more closely: a short capture is all beginning.
        sparse = _EVERY if self._taken > _ENOUGH_RUNS else _EVERY_AT_FIRST
        every = max(1, min(sparse, count // _MIN_RUNS))
        self._taken += count // every
        if not count:
            return
        runs = samples_v[: count * frames].reshape(count, frames, -1)[::every]
        values = np.stack([runs[:, :, column] for column in self._columns])
        values = values.reshape(-1, self._block)
        slow = values @ self._solve_slow
        values = values - slow @ self._slow
        squares = values * values
        explained = values @ self._known
        total = squares.sum(axis=1)
        rest = total - np.einsum("ij,ij->i", explained, explained)
        fourth = np.einsum("ij,ij->i", squares, squares) / self._block
        second = total.reshape(-1, _RUN) / self._block
        at_phases = _sampled_kurtosis((values @ self._tone) @ self._tone.T)
        half = _RUN // 2
        starts = first_index + np.arange(0, count, every) * frames
        stats = np.stack(
            [
                np.tile(starts, len(self._columns)),
                slow[:, 0].reshape(-1, _RUN).mean(axis=1),
                second.mean(axis=1),
                fourth.reshape(-1, _RUN).mean(axis=1),
                at_phases.reshape(-1, _RUN).mean(axis=1),
                # Mean and slope have taken two parts of the noise away too.
                rest.reshape(-1, _RUN).mean(axis=1) / self._freedom * (1.0 - 2.0 / self._block),
                second[:, half:].mean(axis=1) - second[:, :half].mean(axis=1),
            ]
        ).astype(np.float64)
        stats[:, ~np.isfinite(stats).all(axis=0)] = np.nan
        self._parts.append((first_index, stats.reshape(len(stats), len(self._columns), -1)))

    def forget_before(self, frame: float) -> None:
        """Drop what is older, but for the newest part."""
        kept = [part for part in self._parts if part[0] >= frame]
        self._parts = kept or self._parts[-1:]

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether any of the columns was clipped between two frames."""
        near = [stats for first, stats in self._parts if first < end_frame]
        if not near:
            return False
        whole = np.concatenate(near, axis=2)
        for stats in whole.transpose(1, 0, 2):
            inside = (stats[0] >= start_frame) & (stats[0] < end_frame)
            if _is_clipped(*stats[1:, inside], run=_RUN * self._block):
                return True
        return False


def _is_clipped(
    mean_v: NDArray[np.float64],
    second_v2: NDArray[np.float64],
    fourth_v4: NDArray[np.float64],
    sampled: NDArray[np.float64],
    noise_v2: NDArray[np.float64],
    change_v2: NDArray[np.float64],
    *,
    run: int,
) -> bool:
    """Judge runs by their moments, noise, and the change of power within, shape (runs,) each.

    ``sampled`` is the kurtosis of a sine sampled at the same phases.
    """
    if second_v2.size < _MIN_COMPARED:
        return False
    greatest = float(np.quantile(second_v2, 0.98))
    # With all that noise alone may lift: the very lowest would be those with the least noise.
    limit_v2 = np.quantile(second_v2, _QUIET_PART) * (1.0 + 4.0 * np.sqrt(2.0 / run))
    quiet = noise_v2[second_v2 <= limit_v2]
    noise, noise_u = float(np.mean(quiet)), float(np.std(quiet)) / float(np.sqrt(quiet.size))
    power = second_v2 - noise
    greatest -= noise
    if greatest <= _MIN_SNR * noise or greatest <= 0.0:
        return False
    steady = np.abs(change_v2) < _STEADY * second_v2
    part = power / greatest
    top = steady & (part > _TOP)
    middle = steady & (part > _MIDDLE[0]) & (part < _MIDDLE[1])
    if np.count_nonzero(middle) < _MIN_COMPARED:
        # Groups with flat tops have no middle, but one kind of them may be lower than the other.
        middle = steady & (part > _MIDDLE[0]) & (part < _SECOND)
    # What noise adds to the moments of a sine is taken out of both.
    fourth = fourth_v4 - 6.0 * power * noise - 3.0 * noise**2
    square = power**2 - (4.0 * power * noise + 2.0 * noise**2) / run
    # A carrier near a simple part of the rate is sampled at few phases, which drift: that alone
    # moves its kurtosis, and is taken out.
    square *= sampled / _SINE
    hum = float(np.ptp(mean_v[top])) if top.any() else 0.0
    groups = [top]
    if hum**2 > _HUM_PART * greatest:
        # On hum only some tops reach the limit: those that it lifts, or lowers, the most.
        edges = np.quantile(mean_v[top], [1.0 / _HUM_GROUPS, 1.0 - 1.0 / _HUM_GROUPS])
        groups += [top & (mean_v <= edges[0]), top & (mean_v >= edges[1])]
    # An error of the noise moves the moments by so much.
    shift = 6.0 * (power + noise) * noise_u
    reference = _kurtosis(fourth, square, shift, middle)
    return any(_falls(_kurtosis(fourth, square, shift, each), reference) for each in groups)


def _sampled_kurtosis(sine: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return the kurtosis of each row, 1.5 where it says nothing."""
    squares = sine * sine
    second = squares.mean(axis=1)
    fourth = np.einsum("ij,ij->i", squares, squares) / sine.shape[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(second > 0.0, fourth / second**2, np.float32(_SINE))


def _kurtosis(
    fourth: NDArray[np.float64],
    square: NDArray[np.float64],
    shift: NDArray[np.float64],
    chosen: NDArray[np.bool_],
) -> tuple[float, float] | None:
    """Return the kurtosis over the chosen runs and its standard uncertainty, None of too few."""
    count = int(np.count_nonzero(chosen))
    total = float(square[chosen].sum())
    if count < _MIN_COMPARED or total <= 0.0:
        return None
    value = float(fourth[chosen].sum()) / total
    scatter = float(np.std(fourth[chosen] - value * square[chosen])) * float(np.sqrt(count))
    return value, float(np.hypot(scatter, shift[chosen].sum())) / total


def _falls(top: tuple[float, float] | None, middle: tuple[float, float] | None) -> bool:
    """Return whether the top's kurtosis lies below the middle's, more than by chance."""
    if top is None:
        return False
    square = top[0] < _SQUARE_LIMIT - _FALL_SIGMAS * top[1]
    if middle is None or square:
        return square
    slack = _FALL_SIGMAS * float(np.hypot(top[1], middle[1]))
    return top[0] < middle[0] * (1.0 - _FALLS_BY) - slack
