"""Frames against the monotonic clock: the loss that nobody flags.

A sound server that is not served in time throws frames away and says nothing. What is left is
time: call-backs lag behind the count of frames by an amount that jitters upward only, and whose
floor rises for good by what was lost.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import Enum


class Finding(Enum):
    """What a call-back's arrival says of itself and of those held before it."""

    SOUND = "sound"
    """They follow on without loss."""
    HELD = "held"
    """Late; later ones will tell whether frames were lost."""
    LOST = "lost"
    """Frames were lost somewhere among them; none of them can be relied on."""


@dataclass(frozen=True, slots=True)
class PaceLimits:
    """How the floor is judged, in seconds.

    Attributes
    ----------
    tolerance_s : float
        A rise of the floor by less is no loss.
    judge_s : float
        How long the rise must stand.
    settle_s : float
        At the start a server hands over what had gathered; for so long the floor is only learned.
    memory_s : float
        How far back the floor reaches; it follows a clock that drifts.
    drift_s : float
        Times are corrected once they are off by so much, and run even in between.
    """

    tolerance_s: float = 0.05
    judge_s: float = 0.5
    settle_s: float = 1.5
    memory_s: float = 2.0
    drift_s: float = 0.05


class _Floor:
    """The least lag of the last few seconds, in quarters of that time."""

    def __init__(self, memory_s: float) -> None:
        self._step_s = memory_s / 4
        self._least: deque[tuple[int, float]] = deque(maxlen=4)

    def add(self, arrival_s: float, lag_s: float) -> None:
        step = int(arrival_s / self._step_s)
        if self._least and self._least[-1][0] == step:
            self._least[-1] = (step, min(self._least[-1][1], lag_s))
        else:
            self._least.append((step, lag_s))

    def forget(self) -> None:
        while len(self._least) > 2:
            self._least.popleft()

    @property
    def lag_s(self) -> float:
        return min(lag for _, lag in self._least)


class Pace:
    """Counts a device's frames, those lost included.

    Parameters
    ----------
    rate_hz : float
        Nominal frames a second.
    limits : PaceLimits
        How losses are judged.
    """

    def __init__(self, rate_hz: float, limits: PaceLimits | None = None) -> None:
        self._rate_hz = rate_hz
        self._limits = limits or PaceLimits()
        self._floor = _Floor(self._limits.memory_s)
        self._began_s: float | None = None
        self._settled = False
        self._origin_s: float | None = None
        self._held: list[tuple[float, float]] = []
        self.end = 0
        """Absolute index just after the newest frame."""

    def time_of(self, index: int) -> float:
        """Return the monotonic time of frame `index`, in seconds."""
        lag_s = self._floor.lag_s
        if self._origin_s is None or abs(lag_s - self._origin_s) > self._limits.drift_s:
            self._origin_s = lag_s
        return self._origin_s + index / self._rate_hz

    def observe(self, frames: int, arrival_s: float) -> Finding:
        """Count a call-back's frames, those dropped just before it included, and judge them."""
        self.end += frames
        lag_s = arrival_s - self.end / self._rate_hz
        if self._settling(arrival_s) or lag_s - self._floor.lag_s <= self._limits.tolerance_s:
            self._floor.add(arrival_s, lag_s)
            self._held.clear()
            return Finding.SOUND
        self._held.append((arrival_s, lag_s))
        return self._judge(arrival_s)

    def _settling(self, arrival_s: float) -> bool:
        if self._began_s is None:
            self._began_s = arrival_s
        if arrival_s - self._began_s < self._limits.settle_s:
            return True
        if not self._settled:
            self._settled = True
            self._floor.forget()
        return False

    def _judge(self, arrival_s: float) -> Finding:
        limits = self._limits
        late_s = arrival_s - self._held[0][0]
        if late_s < limits.judge_s:
            return Finding.HELD
        half_s = arrival_s - limits.judge_s / 2
        newer_s = min(lag for at, lag in self._held if at >= half_s)
        older_s = min((lag for at, lag in self._held if at < half_s), default=newer_s)
        catching_up = older_s - newer_s > limits.tolerance_s / 2
        if catching_up and late_s < 4 * limits.judge_s:
            return Finding.HELD
        self.end += round((newer_s - self._floor.lag_s) * self._rate_hz)
        self._held.clear()
        return Finding.LOST
