"""What a column of times says: the sample rate, and the places where samples are missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from instruments.file.statements import LONGEST_S, SHORTEST_S

_JITTER = 0.3
"""A sample may be off its place by this part of the interval; a missing one moves them by 0.5."""
_ODD_PART, _ODD_LEAST = 0.01, 4
"""So many steps that are not the usual one come of times with few digits, not of lost samples."""
_COARSEST = 1e-4
"""Largest digit of coarse times, as a part of their span, from which the rate is well known."""
_MOST_DIGITS = 7
_HALF_DIGIT = 0.75
"""Rounding moves a time by half its last digit, and the line through the times a little too."""
_FEW = 8
"""Breaks are where time jumps once in at least so many samples, by whatever it is."""
_MOST_INTERVALS = 2**53
"""A float64 counts no further."""
_TOO_FEW_DIGITS = "the times have too few digits to tell the rate"


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
        Absolute index of each of those rows, missing samples counted. A stretch whose times begin
        again is one frame after that before it: how many are missing is not known.
    coarse : bool
        The times are printed with fewer digits than the rate needs.
    """

    rate_hz: float
    starts: tuple[int, ...] = (0,)
    indices: tuple[int, ...] = (0,)
    coarse: bool = False


def rate_of(interval_s: float) -> float:
    """Return the rate of a sample interval, to nine digits: more are rounding."""
    return float(f"{1 / interval_s:.9g}")


def read_times(
    times_s: NDArray[np.float64],
    stated_s: float | None = None,
    segments_s: Sequence[float] = (),
) -> TimeBase:
    """Find the rate, and where samples are missing.

    Parameters
    ----------
    times_s : numpy.ndarray
        float64, shape (rows,), rows >= 2.
    stated_s : float or None
        Sample interval that is stated elsewhere; counts where the times have too few digits and
        do not speak against it.
    segments_s : sequence of float
        When each segment was triggered, where that is stated; the times of each begin anew.

    Raises
    ------
    UnevenTime
        When the times go back, stand still, or step by other than whole intervals.
    """
    with np.errstate(all="ignore"):  # absurd times overflow, and are refused for it
        rate_hz = _even_rate(times_s)
        if rate_hz is not None:
            return TimeBase(rate_hz)
        wrong = np.flatnonzero(~np.isfinite(times_s))
        if wrong.size:
            raise UnevenTime(int(wrong[0]), "the time is not a number")
        steps = np.diff(times_s)
        if not np.any(steps):
            raise UnevenTime(1, "the time stands still")
        starts = _restarts(times_s, steps)
        if len(segments_s) == starts.size > 1:
            lengths = np.diff(np.append(starts, times_s.size))
            times_s = times_s + np.repeat(np.asarray(segments_s, np.float64), lengths)
            steps = np.diff(times_s)
        inner = np.delete(steps, starts[1:] - 1)
        typical = float(np.median(inner)) or float(inner.mean())
        odd = np.abs(inner / typical - 1) > _JITTER
        if np.count_nonzero(odd) >= max(_ODD_LEAST, _ODD_PART * inner.size):
            base = _coarse(times_s, starts, stated_s)
            if base is not None:
                return base
            if np.count_nonzero(inner == 0) >= _ODD_LEAST:
                raise UnevenTime(int(np.flatnonzero(steps == 0)[0]) + 1, _TOO_FEW_DIGITS)
        return _with_gaps(times_s, steps, starts, typical)


def _even_rate(times_s: NDArray[np.float64]) -> float | None:
    """Return the rate where each time is in its place, None where one is not.

    Most captures are so; in place, since a long one fills the memory with each copy.
    """
    rows = np.arange(times_s.size, dtype=np.float64)
    rows -= rows.mean()
    slope = float(rows @ times_s / (rows @ rows))
    if not SHORTEST_S <= slope <= LONGEST_S:
        return None
    rate_hz = rate_of(slope)
    rows -= (times_s - times_s.mean()) * rate_hz
    return rate_hz if -_JITTER <= rows.min() <= rows.max() <= _JITTER else None


def _restarts(times_s: NDArray[np.float64], steps: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the rows with which segments of equal length begin, each with the first one's time."""
    back = np.flatnonzero(steps < 0) + 1
    starts = np.concatenate(([0], back))
    if back.size:
        lengths = np.diff(np.append(starts, times_s.size))
        away = np.abs(times_s[back] - times_s[0]).max()
        whole = np.all(lengths[:-1] == lengths[0]) and 1 < lengths[-1] <= lengths[0]
        if not whole or away > 1.5 * (times_s[lengths[0] - 1] - times_s[0]) / (lengths[0] - 1):
            raise UnevenTime(int(back[0]), "the time goes back")
    return starts


def _coarse(
    times_s: NDArray[np.float64], starts: NDArray[np.int64], stated_s: float | None
) -> TimeBase | None:
    """Return the rate of times with too few digits, None where these do not explain the steps."""
    digit_s = _last_digit(times_s)
    rate_hz, drift = _line(times_s, starts)
    if stated_s is not None:
        off = _centred(times_s, starts) / stated_s - _centred(_rows(times_s), starts)
        if np.all(np.abs(off) <= _JITTER + _HALF_DIGIT * digit_s / stated_s):
            return TimeBase(rate_of(stated_s), *_placed(times_s, starts, rate_hz), coarse=True)
    if np.any(np.abs(drift) > _JITTER + _HALF_DIGIT * digit_s * rate_hz):
        return None
    if digit_s.max() > _COARSEST * (times_s.max() - times_s.min()):
        still = np.flatnonzero(np.diff(times_s) == 0)
        raise UnevenTime(int(still[0]) + 1 if still.size else 1, _TOO_FEW_DIGITS)
    return TimeBase(rate_hz, *_placed(times_s, starts, rate_hz), coarse=True)


def _last_digit(times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what the last printed digit of each time is worth, 0 where that are many."""
    size = np.abs(times_s)
    power = np.floor(np.log10(np.where(size > 0, size, size.max())))
    for digits in range(1, _MOST_DIGITS + 1):
        worth = 10.0 ** (power - digits + 1)
        for each in (np.full_like(worth, worth.max()), worth):
            parts = times_s / each
            if np.all(np.abs(parts - np.rint(parts)) <= 1e-4):
                return each
    return np.zeros_like(times_s)


def _with_gaps(
    times_s: NDArray[np.float64],
    steps: NDArray[np.float64],
    restarts: NDArray[np.int64],
    typical: float,
) -> TimeBase:
    near = steps[np.abs(steps - typical) < 0.5 * typical]
    counts = steps / (near.mean() if near.size else typical)
    whole = np.rint(counts)
    rows = np.flatnonzero(whole > 1) + 1
    jumps = rows.size * _FEW <= steps.size
    fits = (np.abs(counts - whole) <= _JITTER) & (whole >= 1)
    fits |= jumps & (counts > 1.5)
    fits[restarts[1:] - 1] = True
    if fits.all() and whole.sum() > _MOST_INTERVALS:
        fits[whole.argmax()] = False
    if not fits.all():
        row = int(np.flatnonzero(~fits)[0]) + 1
        still = steps[row - 1] == 0
        what = "stands still" if still else "steps by other than a whole interval"
        raise UnevenTime(row, f"the time {what}")
    starts = np.union1d(restarts, rows)
    rate_hz, drift = _line(times_s, starts)
    odd = np.flatnonzero(~(np.abs(drift) <= _JITTER))
    if odd.size:
        raise UnevenTime(int(odd[0]), "the time steps unevenly")
    return TimeBase(rate_hz, *_placed(times_s, starts, rate_hz))


def _placed(
    times_s: NDArray[np.float64], starts: NDArray[np.int64], rate_hz: float
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return the rows with which stretches begin, and the absolute index of each."""
    places = [0]
    for before, start in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
        end = places[-1] + start - before
        step_s = float(times_s[start] - times_s[start - 1])
        places.append(end + max(1, round(step_s * rate_hz) - 1))
    return tuple(starts.tolist()), tuple(places)


def _line(
    times_s: NDArray[np.float64], starts: NDArray[np.int64]
) -> tuple[float, NDArray[np.float64]]:
    """Return the rate of the straight line through each stretch, and how far each time is off it.

    The line has one slope for all stretches; what is off is in intervals.
    """
    rows, times = _centred(_rows(times_s), starts), _centred(times_s, starts)
    slope = float(rows @ times / (rows @ rows)) if np.any(rows) else 0.0
    if not SHORTEST_S <= slope <= LONGEST_S:
        raise UnevenTime(1, f"the interval of {slope:.3g} s cannot be")
    rate_hz = rate_of(slope)
    return rate_hz, times * rate_hz - rows


def _rows(times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.arange(times_s.size, dtype=np.float64)


def _centred(values: NDArray[np.float64], starts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return values less the mean of the stretch that they are in."""
    lengths = np.diff(np.append(starts, values.size))
    return values - np.repeat(np.add.reduceat(values, starts) / lengths, lengths)
