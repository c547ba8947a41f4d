"""What an input lets a reading resolve, in micrometres of head offset, part by part.

Taken for a reading over ten turns, the taller lobe at half of where the input clips: each lobe's
height is found over about a quarter of it. The balance b = (A − B)/(A + B) of two heights near each
other that are each off by u of their height is off by u/√2; the offset is b times the scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

from app.analysis.envelope.converter import blurred, extreme_u_v, tone_u_v

TURNS = 10
TOP_PART = 0.5
_LOBE_PART = 0.25


@dataclass(frozen=True, slots=True)
class Limit:
    """One part of what limits a reading: its name, and the standard uncertainty of the offset."""

    part: str
    u_um: float


@dataclass(frozen=True, slots=True)
class SignalChain:
    """What an estimate needs of an input, in its own volts.

    Attributes
    ----------
    noise_v, step_v : tuple of float
        One a signal column: rms noise in the sampled band, and the converter's step.
    full_scale_v, rate_hz : float
        Where each column clips, and frames a second.
    envelope : bool
        The column is a detector's output.
    """

    noise_v: tuple[float, ...]
    step_v: tuple[float, ...]
    full_scale_v: float
    rate_hz: float
    envelope: bool


def limits_of(chain: SignalChain, scale_um: float, turn_s: float) -> tuple[Limit, ...]:
    """Return the parts, largest first."""
    # Two phases of half the differential each: both their tops and their noise add.
    height_v = TOP_PART * chain.full_scale_v * len(chain.noise_v)
    noise_v = hypot(*chain.noise_v)
    samples = max(1.0, TURNS * turn_s * chain.rate_hz * _LOBE_PART / 2.0)
    noise_u_v = noise_v * sqrt((1.0 if chain.envelope else 2.0) / samples)
    step_v = hypot(*chain.step_v)
    step_u_v = (
        (extreme_u_v(step_v) * blurred(step_v, noise_v**2) if step_v else 0.0)
        if chain.envelope
        else tone_u_v(step_v, height_v, noise_v**2)
    )
    parts = {"noise": noise_u_v, "converter's steps": step_u_v}
    found = [Limit(part, scale_um * u_v / height_v / sqrt(2.0)) for part, u_v in parts.items()]
    return tuple(sorted(found, key=lambda limit: -limit.u_um))


def together_um(limits: tuple[Limit, ...]) -> float:
    """Return the standard uncertainty of the offset from all parts."""
    return hypot(*(limit.u_um for limit in limits))
