"""The spindle: how far the disk has turned at any moment."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import tau

import numpy as np
from numpy.typing import NDArray

_SETTLED_TURNS = 1e-12
_MAX_STEPS = 50


@dataclass(frozen=True, slots=True)
class Wow:
    """One periodic deviation of speed.

    Attributes
    ----------
    depth : float
        Peak deviation as a fraction of the mean speed.
    frequency_hz : float
        Deviations a second.
    phase_rad : float
        Phase of the deviation's cosine at time 0.
    """

    depth: float
    frequency_hz: float
    phase_rad: float = 0.0


@dataclass(frozen=True, slots=True)
class Spindle:
    """A spindle at a mean speed, with any number of periodic deviations; drift is a slow one.

    The angle is a closed form of time, so that any moment can be asked for in any order.

    Attributes
    ----------
    speed_rpm : float
        Mean speed.
    wows : tuple of Wow
        Deviations; their depths add up to less than 1, so that the disk never turns back.
    start_turns : float
        Angle at time 0, in turns from the index.
    """

    speed_rpm: float
    wows: tuple[Wow, ...] = ()
    start_turns: float = 0.0

    @property
    def speed_hz(self) -> float:
        """Mean turns a second."""
        return self.speed_rpm / 60.0

    def trimmed(self, factor: float, at_s: float) -> Spindle:
        """Return the spindle that from `at_s` on turns faster by `factor`, its angle unbroken."""
        faster = replace(self, speed_rpm=self.speed_rpm * factor)
        moment = np.array([at_s])
        away = float(self.turns(moment)[0] - faster.turns(moment)[0])
        return replace(faster, start_turns=self.start_turns + away)

    def turns(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the angle at `times_s` in turns, counted on without end; whole at the index."""
        turns = self.start_turns + self.speed_hz * times_s
        for wow in self.wows:
            swing = self.speed_hz * wow.depth / (tau * wow.frequency_hz)
            angle = tau * wow.frequency_hz * times_s + wow.phase_rad
            turns += swing * (np.sin(angle) - np.sin(wow.phase_rad))
        return turns

    def speed_at_rpm(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the instantaneous speed at `times_s`."""
        relative = np.ones_like(times_s)
        for wow in self.wows:
            relative += wow.depth * np.cos(tau * wow.frequency_hz * times_s + wow.phase_rad)
        return self.speed_rpm * relative

    def mean_rpm(self, start_s: float, end_s: float) -> float:
        """Return the mean speed between two moments."""
        before, after = self.turns(np.array([start_s, end_s]))
        return float(60.0 * (after - before) / (end_s - start_s))

    def times_s(self, turns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return when the angle is `turns`: the inverse of :meth:`turns`, by Newton's method."""
        times = (turns - self.start_turns) / self.speed_hz
        for _ in range(_MAX_STEPS):
            missing = turns - self.turns(times)
            times += missing * 60.0 / self.speed_at_rpm(times)
            if np.all(np.abs(missing) < _SETTLED_TURNS * (1.0 + np.abs(turns))):
                break
        return times
