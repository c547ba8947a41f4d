"""Sample rate and missing samples from a column of times. Pure arithmetic, no files."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_JITTER = 0.3
"""A sample may be off its place by this part of the interval; a missing one moves them by 0.5."""
_COARSE_PART = 0.01
"""Times of which this part or more repeat are printed with too few digits, not out of order."""
_COARSE_LEAST = 3
_COARSEST = 1e-4
"""Largest step of coarse times, as a part of their span, from which the rate is well known."""
_MOST_INTERVALS = 2**53
"""A float64 counts no further."""
_SHORTEST_S, _LONGEST_S = 1e-12, 1e6
"""Sample intervals that can be meant."""


class UnevenTime(Exception):  # noqa: N818 - named for what the times are
    """The times fit no constant rate; ``row`` is the first that does not, ``what`` says how."""

    def __init__(self, row: int, what: str) -> None:
        super().__init__(what)
        self.row = row
        self.what = what


@dataclass(frozen=True, slots=True)
class TimeBase:
    """What a column of times says.

    Attributes
    ----------
    rate_hz : float
        Samples a second.
    starts : tuple of int
        First row of each unbroken stretch; the first is 0.
    indices : tuple of int
        Absolute index of each of those rows, missing samples counted.
    coarse : bool
        The times repeat: they are printed with fewer digits than the rate needs.
    """

    rate_hz: float
    starts: tuple[int, ...]
    indices: tuple[int, ...]
    coarse: bool = False


def read_times(times_s: NDArray[np.float64]) -> TimeBase:
    """Find the rate, and where samples are missing.

    Parameters
    ----------
    times_s : numpy.ndarray
        float64, shape (rows,), rows >= 2.

    Raises
    ------
    UnevenTime
        When the times go back, stand still, or step by other than whole intervals.
    """
    wrong = np.flatnonzero(~np.isfinite(times_s))
    if wrong.size:
        raise UnevenTime(int(wrong[0]), "the time is not a number")
    with np.errstate(all="ignore"):  # absurd times overflow, and are refused for it
        return _checked(times_s, np.diff(times_s))


def _checked(times_s: NDArray[np.float64], steps: NDArray[np.float64]) -> TimeBase:
    back = np.flatnonzero(steps < 0)
    if back.size:
        raise UnevenTime(int(back[0]) + 1, "the time goes back")
    still = np.flatnonzero(steps == 0)
    coarse = still.size >= max(_COARSE_LEAST, _COARSE_PART * steps.size)
    if still.size == steps.size or (still.size and not coarse):
        raise UnevenTime(int(still[0]) + 1, "the time stands still")
    index = np.arange(times_s.size)
    rate_hz = _rate(index, times_s)
    quantum = float(steps[steps > 0].min()) if coarse else 0.0
    if np.abs(_drift(index, times_s, rate_hz)).max() <= max(_JITTER, 0.75 * quantum * rate_hz):
        if quantum > _COARSEST * (times_s[-1] - times_s[0]):
            raise UnevenTime(int(still[0]) + 1, "the times have too few digits to tell the rate")
        return TimeBase(rate_hz, (0,), (0,), coarse)
    return _with_gaps(times_s, steps)


def _with_gaps(times_s: NDArray[np.float64], steps: NDArray[np.float64]) -> TimeBase:
    typical = float(np.median(steps))
    if typical <= 0:
        raise UnevenTime(1, "the time stands still")
    near = steps[np.abs(steps - typical) < 0.5 * typical]
    counts = steps / (near.mean() if near.size else typical)
    whole = np.rint(counts)
    odd = np.flatnonzero(~((np.abs(counts - whole) <= _JITTER) & (whole >= 1)))
    if not odd.size and whole.sum() > _MOST_INTERVALS:
        odd = np.array([int(whole.argmax())])
    if odd.size:
        raise UnevenTime(int(odd[0]) + 1, "the time steps by other than a whole interval")
    index = np.concatenate(([0], np.cumsum(whole.astype(np.int64))))
    rate_hz = _rate(index, times_s)
    odd = np.flatnonzero(~(np.abs(_drift(index, times_s, rate_hz)) <= _JITTER))
    if odd.size:
        raise UnevenTime(int(odd[0]), "the time steps unevenly")
    rows = np.flatnonzero(whole > 1) + 1
    return TimeBase(
        rate_hz,
        (0, *(int(row) for row in rows)),
        (0, *(int(index[row]) for row in rows)),
    )


def _drift(
    index: NDArray[np.int64], times_s: NDArray[np.float64], rate_hz: float
) -> NDArray[np.float64]:
    """Return how far each time is off the straight line, in intervals."""
    return (times_s - times_s.mean()) * rate_hz - (index - index.mean())


def _rate(index: NDArray[np.int64], times_s: NDArray[np.float64]) -> float:
    """Return the rate of the straight line through the times, to nine digits.

    More digits than that are rounding of the printed times.
    """
    centred = index - index.mean()
    slope = float(centred @ (times_s - times_s.mean()) / (centred @ centred))
    if not _SHORTEST_S <= slope <= _LONGEST_S:
        raise UnevenTime(1, f"the interval of {slope:.3g} s cannot be")
    return float(f"{1 / slope:.9g}")
