"""What an input lets a reading resolve, in micrometres of head offset, part by part.

Taken for a reading over ten turns of one pair of lobes, the taller at half of where the input
clips, at the difference that the limit allows: each lobe's height is found over about a quarter of
it. The balance b = (A − B)/(A + B) of two heights near each other that are each off by u of their
height is off by u/√2, and by b·u where both are off alike; the offset is b times the scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from app.analysis.envelope.converter import blurred, extreme_u_v, tone_u_v

TURNS = 10
TOP_PART = 0.5
_LOBE_PART = 0.25
_PLACES = 4096


@dataclass(frozen=True, slots=True)
class LimitingPart:
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
    law_u_v : float
        Standard uncertainty of the amplitude that a detector's output tells.
    corner_hz, corner_u_part : float
        Low corner of the coupling behind it, and its standard uncertainty as a part of it.
    """

    noise_v: tuple[float, ...]
    step_v: tuple[float, ...]
    full_scale_v: float
    rate_hz: float
    envelope: bool
    law_u_v: float = 0.0
    corner_hz: float = 0.0
    corner_u_part: float = 0.0


def limits_of(
    chain: SignalChain, scale_um: float, turn_s: float, difference: float
) -> tuple[LimitingPart, ...]:
    """Return the parts, largest first, at a difference of the two heights (1 − their ratio)."""
    balance = difference / (2.0 - difference)
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
    alike = balance / ((1.0 - difference / 2.0) * height_v)
    balance_u = {
        "noise": noise_u_v / height_v / sqrt(2.0),
        "converter's steps": step_u_v / height_v / sqrt(2.0),
        "detector's law": alike * chain.law_u_v,
        "low corner": chain.corner_u_part * abs(corner_effect(chain.corner_hz * turn_s, balance)),
    }
    found = [LimitingPart(part, scale_um * u) for part, u in balance_u.items() if u > 0.0]
    return tuple(sorted(found, key=lambda limit: -limit.u_um))


def corner_effect(corners: float, balance: float) -> float:
    """Return by how much the balance moves for a corner stated off by so much of itself.

    The nulls between the lobes are taken for zero, and tell nothing of the corner: as they do, it
    is less.

    Parameters
    ----------
    corners : float
        The corner in units of the spindle's frequency.
    balance : float
        Of the lobes |sin| of a turn.
    """
    place = (np.arange(_PLACES) + 0.5) / _PLACES
    lobes = np.abs(np.sin(2.0 * np.pi * place)) * (1.0 + balance * np.sign(0.5 - place))
    spectrum = np.fft.rfft(lobes)
    cycles = np.arange(len(spectrum))
    # What comes through, y, and its integral: y = e·jf/(jf + c), ∫y = e/(2π(jf + c)).
    integral = spectrum / (2.0 * np.pi * (1j * cycles + corners)) if corners else 0.0 * spectrum
    integral[0] = 0.0
    added = 2.0 * np.pi * corners * np.fft.irfft(integral, _PLACES)
    nulls = 0.5 * (added[0] + added[_PLACES // 2])
    first, second = (float(added[place] - nulls) for place in (_PLACES // 4, 3 * _PLACES // 4))
    # db = ((1 − b)·dA − (1 + b)·dB)/2 where A + B = 2.
    return 0.5 * ((1.0 - balance) * first - (1.0 + balance) * second)


def together_um(limits: tuple[LimitingPart, ...]) -> float:
    """Return the standard uncertainty of the offset from all parts."""
    return hypot(*(limit.u_um for limit in limits))
