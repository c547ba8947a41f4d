"""A capture that is played: in real time, paused, stepped, or run ahead of its time.

Threads: the one that analyses waits in :meth:`CapturePlay.wait_for`; any other asks for something.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable

_LOOK_S = 0.1
"""So often it is looked whether all is to end."""


class CapturePlay:
    """Says when each part of a capture is due.

    Attributes
    ----------
    behind_s : float
        How much later than at its own time, as its source tells that, the newest part was due.
    """

    def __init__(self, clock: Callable[[], float] | None = None) -> None:
        self._clock = clock or time.monotonic
        self._changed = threading.Condition()
        # All under the condition:
        self._paused_s: float | None = None
        self._at_s = math.nan
        self._until_s = -math.inf
        self.behind_s = 0.0

    @property
    def paused(self) -> bool:
        """Whether it stands still."""
        return self._paused_s is not None

    def stood_s(self, now_s: float) -> float:
        """Return for how long it has stood still by now, 0 while it plays."""
        with self._changed:
            return 0.0 if self._paused_s is None else max(0.0, now_s - self._paused_s)

    def pause(self, paused: bool) -> None:
        """Let it stand still, or play on from where it stands."""
        with self._changed:
            now_s = self._clock()
            if self._paused_s is not None and not paused:
                self.behind_s += now_s - self._paused_s
            if paused != (self._paused_s is not None):
                self._paused_s = now_s if paused else None
            self._changed.notify_all()

    def run_ahead(self, seconds: float) -> None:
        """Let so much more of it be due at once; then it goes on as before."""
        with self._changed:
            if math.isfinite(self._at_s):
                self._until_s = max(self._until_s, self._at_s) + seconds
            self._changed.notify_all()

    def wait_for(self, end_s: float, ended: threading.Event) -> bool:
        """Wait until what ends at a moment of the capture is due; returns whether it ever is.

        Parameters
        ----------
        end_s : float
            By the capture's own time.
        ended : threading.Event
            Set once nothing is wanted any more.
        """
        with self._changed:
            while not ended.is_set():
                early_s = self._early_s(end_s)
                if early_s <= 0.0:
                    self._at_s = end_s
                    return True
                self._changed.wait(min(early_s, _LOOK_S))
        return False

    def _early_s(self, end_s: float) -> float:
        """Return how long it is until a part is due, without end while it stands still."""
        if end_s <= self._until_s:
            now_s = self._clock() if self._paused_s is None else self._paused_s
            # From here on it goes on in real time, also where it was behind.
            self.behind_s = now_s - end_s
            return 0.0
        if self._paused_s is not None:
            return math.inf
        return end_s + self.behind_s - self._clock()
