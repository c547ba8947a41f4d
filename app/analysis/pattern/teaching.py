"""The sign, shown once by the person at the drive where no index tells it."""

from __future__ import annotations

import numpy as np

from app.analysis import messages
from app.analysis.reading import Message, Quantity, Side

_SIGMAS = 4.0
_LEAST = 0.02
"""The balance must change by so many standard deviations, and by this much, to tell a side."""

Lock = tuple[int, int]


class Teaching:
    """Compares the balance before and after a nudge whose direction the person knows.

    What is learned holds as long as the count of lobes that it was learned with.
    """

    def __init__(self) -> None:
        self._before: Quantity | None = None
        self._sense: int | None = None
        self._lock: Lock | None = None

    @property
    def under_way(self) -> bool:
        """Whether a balance is remembered."""
        return self._before is not None

    def sense(self, lock: Lock | None) -> int | None:
        """Return +1 or −1 for the lobe that is taller outward, None when not known for `lock`."""
        return self._sense if lock is not None and lock == self._lock else None

    def begin(self, balance: Quantity | None) -> Message | None:
        """Remember the balance in order of the turn; returns what is missing when there is none."""
        if balance is None:
            return messages.TEACH_NEEDS_READING
        self._before = balance
        return None

    def cancel(self) -> None:
        """Forget what is remembered."""
        self._before = None

    def learn(self, side: Side, balance: Quantity | None, lock: Lock | None) -> Message | None:
        """Learn from the change since :meth:`begin`, the head having gone to `side`.

        Returns what to do when nothing could be learned.
        """
        before = self._before
        if before is None or balance is None or lock is None:
            return messages.TEACH_NEEDS_READING
        change = balance.value - before.value
        if abs(change) < max(_SIGMAS * float(np.hypot(balance.u, before.u)), _LEAST):
            return messages.TEACH_TOO_SMALL
        outward = 1 if side is Side.OUTWARD else -1
        self._sense = outward if change > 0.0 else -outward
        self._lock = lock
        self._before = None
        return None
