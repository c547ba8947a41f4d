"""How often separate records come. Not locked: its user guards it."""

from __future__ import annotations

import statistics
from collections import deque
from itertools import pairwise

_KEPT = 6
_STALE_SWEEP_S = 3.0
"""A scope may well give but one record a second."""
_INTERVALS = 2.5
"""When a record arrives it is already old; it stands until the next one has arrived."""
_MOST_S = 60.0
_LATE = 2.0


class Pace:
    """Arrival times of the newest records."""

    def __init__(self) -> None:
        self._arrivals_s: deque[float] = deque(maxlen=_KEPT)

    def add(self, time_s: float) -> None:
        """Take the monotonic time at which a record came."""
        self._arrivals_s.append(time_s)

    def records_a_second(self, now_s: float) -> float | None:
        """Return how often they come; it falls while the next one does not. None before two."""
        usual_s = self._usual_s()
        if usual_s is None:
            return None
        waiting_s = now_s - self._arrivals_s[-1]
        return 1.0 / (waiting_s if waiting_s > _LATE * usual_s else usual_s)

    def stale_after_s(self) -> float:
        """Return the age beyond which a reading is no longer to be shown."""
        usual_s = self._usual_s() or 0.0
        return min(max(_STALE_SWEEP_S, _INTERVALS * usual_s), _MOST_S)

    def _usual_s(self) -> float | None:
        """Return the median from one to the next: one that was long in coming does not count."""
        if len(self._arrivals_s) < 2:
            return None
        return max(statistics.median(b - a for a, b in pairwise(self._arrivals_s)), 1e-3)
