"""The index sensor: one pulse a turn."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from instruments.virtual.spindle import Spindle


@dataclass(frozen=True, slots=True)
class IndexSensor:
    """A sensor of the index hole.

    Attributes
    ----------
    amplitude_v : float
        Volts of the high level; the low level is 0 V.
    active_high : bool
        True when the pulse goes from low to high, False when from high to low.
    width_turns : float
        Length of the pulse as a fraction of a turn.
    edge_s : float
        Time that an edge takes; its middle is the edge's place.
    """

    amplitude_v: float
    active_high: bool
    width_turns: float
    edge_s: float

    def fill(
        self, out_v: NDArray[np.float32], spindle: Spindle, first: int, rate_hz: float
    ) -> None:
        """Write the pulse's level to `out_v`, whose first frame is number `first`.

        The middle of each leading edge is where the spindle's angle is a whole turn.
        """
        rest_v = 0.0 if self.active_high else self.amplitude_v
        active_v = self.amplitude_v - rest_v
        out_v[:] = rest_v
        ends_s = np.array([first, first + out_v.shape[0]]) / rate_hz
        ends_s += (-self.edge_s, self.edge_s)
        start, end = spindle.turns(ends_s)
        numbers = np.arange(ceil(start - self.width_turns), floor(end) + 1, dtype=np.float64)
        if not numbers.size:
            return
        leading_s = spindle.times_s(numbers)
        trailing_s = spindle.times_s(numbers + self.width_turns)
        for lead_s, trail_s in zip(leading_s, trailing_s, strict=True):
            begin = max(floor((lead_s - self.edge_s) * rate_hz), first)
            stop = min(ceil((trail_s + self.edge_s) * rate_hz) + 1, first + out_v.shape[0])
            if begin < stop:
                times_s = np.arange(begin, stop) / rate_hz
                shape = self._shape(times_s - lead_s, trail_s - times_s)
                out_v[begin - first : stop - first] = rest_v + (active_v - rest_v) * shape

    def _shape(
        self, since_s: NDArray[np.float64], left_s: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        inside_s = np.minimum(since_s, left_s)
        if not self.edge_s:
            return (inside_s >= 0.0).astype(np.float64)
        return np.clip(inside_s / self.edge_s + 0.5, 0.0, 1.0)
