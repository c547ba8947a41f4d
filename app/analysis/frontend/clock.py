"""A source's sample clock against the system's, by when its frames arrive."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.uncertainty import fit

_GROUPS = 30
_FEWEST = 8
_SHORTEST_S = 2.0
SYSTEM_PART = 1e-4 / math.sqrt(3.0)
"""Standard uncertainty of a computer's clock that nobody sets right: ±100 parts in a million,
rectangular (common practice for crystals, from memory)."""
NETWORK_PART = 1e-5 / math.sqrt(3.0)
"""The same of one that a time service keeps: ±10 parts in a million (common practice)."""


@dataclass(frozen=True, slots=True)
class ClockFound:
    """By how much a sample clock is fast, as a part of its nominal rate.

    ``u_part`` is the standard uncertainty against the system's clock, whose own is not in it.
    """

    fast_part: float
    u_part: float
    seconds: float

    def true_u_part(self, system_u_part: float) -> float:
        """Return the standard uncertainty against true time."""
        return math.hypot(self.u_part, system_u_part)


def clock_of(
    frames: NDArray[np.float64], arrivals_s: NDArray[np.float64], rate_hz: float
) -> ClockFound | None:
    """Return what arrivals say of the clock, None where they are too few.

    A block may come late and never early, so of each of some thirty stretches of time the one that
    was least late counts, and a line is fitted through those.

    Parameters
    ----------
    frames, arrivals_s : numpy.ndarray
        float64, shape (n,): the count of frames at the end of each block, lost ones counted, and
        when it had arrived.
    rate_hz : float
        Nominal frames a second.
    """
    span_s = float(arrivals_s[-1] - arrivals_s[0]) if len(arrivals_s) > _FEWEST else 0.0
    if span_s < _SHORTEST_S:
        return None
    late_s = arrivals_s - frames / rate_hz
    part = (arrivals_s - arrivals_s[0]) / span_s
    group = np.minimum((part * _GROUPS).astype(np.int64), _GROUPS - 1)
    least = [
        int(np.flatnonzero(group == each)[late_s[group == each].argmin()])
        for each in range(_GROUPS)
        if np.any(group == each)
    ]
    if len(least) < _FEWEST:
        return None
    at_s = arrivals_s[least] - arrivals_s.mean()
    line = fit(np.column_stack([at_s, np.ones(len(least))]), late_s[least] - late_s[least].mean())
    slope = line.combination(1.0, 0.0)
    # A fast clock brings frames earlier and earlier.
    return ClockFound(-slope.value / (1.0 - slope.value), slope.u, span_s)
