"""The balance of the last minute, as the strip shows it. Not locked: its user guards it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

KEPT_S = 60.0
APART_S = 0.01
"""Places closer than this are one place on the screen: the newer goes before the older."""
BROKEN_S = 1.0
"""Where nothing came for so long, the line is broken."""

_MOST = 2 * round(KEPT_S / APART_S)
_ROOM = 2 * _MOST


class Strip:
    """Times and balances, the oldest forgotten after a minute; memory never grows."""

    def __init__(self) -> None:
        self._kept = np.empty((2, _ROOM))
        self._start = self._end = 0

    def add(self, time_s: float, balance: float) -> None:
        """Take a balance, NaN where there is no valid one.

        A lobe's reading is of a moment a little before that of a parked one: a time that would go
        back stands still.
        """
        times_s = self._kept[0]
        count = self._end - self._start
        if count:
            time_s = max(time_s, float(times_s[self._end - 1]))
        if count and time_s - times_s[self._end - 1] > BROKEN_S:
            self._append(times_s[self._end - 1], np.nan)
        elif count > 1 and self._crowds(time_s, balance):
            self._end -= 1
        self._append(time_s, balance)
        kept_s = times_s[self._start : self._end]
        self._start += int(np.searchsorted(kept_s, time_s - KEPT_S))

    def copy(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return times and balances, float64, shape (n,) each."""
        times_s, balances = self._kept[:, self._start : self._end].copy()
        return times_s, balances

    def _crowds(self, time_s: float, balance: float) -> bool:
        """Tell whether the newest entry may go for the next: close by, and no break is lost."""
        times_s, balances = self._kept
        near = time_s - times_s[self._end - 2] < APART_S
        return near and np.isnan(balances[self._end - 1]) == np.isnan(balance)

    def _append(self, time_s: float, balance: float) -> None:
        if self._end == _ROOM:
            kept = self._kept[:, max(self._start, self._end - _MOST) : self._end].copy()
            self._start, self._end = 0, kept.shape[1]
            self._kept[:, : self._end] = kept
        self._kept[:, self._end] = time_s, balance
        self._end += 1
