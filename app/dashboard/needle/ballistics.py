"""The needle's movement: a second-order system, stepped exactly over any length of time.

The reading comes about ten times a second; the needle follows it as a damped moving-coil
movement would, so that the eye sees where it goes. No Qt and no clock: time is passed in.
"""

from __future__ import annotations

import math

_SETTLED = 1e-4


def damping_for(overshoot: float) -> float:
    """Return the damping ratio whose step response overshoots by `overshoot` (0 to 1).

    The inverse of overshoot = exp(−πζ/√(1 − ζ²)).
    """
    log = math.log(overshoot)
    return -log / math.hypot(math.pi, log)


class Ballistics:
    """A needle with inertia, spring and damping.

    Between two calls the target stands still, hence the closed form of the free oscillation is
    exact whatever `dt_s` is: a late frame makes the needle no slower.

    Parameters
    ----------
    overshoot : float
        Overshoot of a step, as a fraction of it; the movement is underdamped.
    rise_s : float
        Time from a step of the target to 90 % of it.
    position : float
        Where the needle stands at first.
    """

    def __init__(
        self, overshoot: float = 0.05, rise_s: float = 0.028, position: float = 0.0
    ) -> None:
        self._damping = damping_for(overshoot)
        self._omega = _time_to(0.9, self._damping) / rise_s
        self.position = position
        self._velocity = 0.0
        self._target = position

    @property
    def target(self) -> float:
        """Where the needle goes."""
        return self._target

    @property
    def settled(self) -> bool:
        """Whether the needle stands on its target, to a ten-thousandth of the half scale."""
        still = abs(self._velocity) < _SETTLED * self._omega
        return still and abs(self.position - self._target) < _SETTLED

    def step(self, target: float, dt_s: float) -> float:
        """Let `dt_s` seconds pass with the needle drawn towards `target`; return its position."""
        self._target = target
        damping, omega = self._damping, self._omega
        decay = damping * omega
        damped = omega * math.sqrt(1.0 - damping * damping)
        away = self.position - target
        fade = math.exp(-decay * dt_s)
        cos, sin = math.cos(damped * dt_s), math.sin(damped * dt_s)
        push = (self._velocity + decay * away) / damped
        self.position = target + fade * (away * cos + push * sin)
        turn = (decay * self._velocity + omega * omega * away) / damped
        self._velocity = fade * (self._velocity * cos - turn * sin)
        return self.position


def _time_to(fraction: float, damping: float) -> float:
    """Return the first time, in units of 1/ω, at which a unit step reaches `fraction`."""
    damped = math.sqrt(1.0 - damping * damping)

    def response(time: float) -> float:
        phase = damped * time
        swing = math.cos(phase) + damping / damped * math.sin(phase)
        return 1.0 - math.exp(-damping * time) * swing

    low, high = 0.0, math.pi / damped  # the response rises up to its first peak
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if response(middle) < fraction else (low, middle)
    return high
