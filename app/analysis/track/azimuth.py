"""The head's azimuth, from the heights of bursts recorded at known angles."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from app.analysis import messages
from app.analysis.findings import AzimuthFinding, Burst
from app.analysis.messages import fill
from app.analysis.reading import Message, Quantity
from app.analysis.statistics.fitting import fit
from app.analysis.track.bursts import BurstsFound
from app.analysis.track.strands import Floats

_FARTHEST_ARCMIN = 60.0
_STEP_ARCMIN = 0.5
_LINEAR_PART = 1e-3
"""Of a height: how unequal equal heights may come out of a source that is linear."""
_SCALE_PART = 0.04
"""Standard uncertainty of the angle's scale: it goes with the square of the width, which is known
to some two per cent."""
_WORST_MISFIT = 0.1
_ROUNDS = 8


def azimuth_loss(angle_arcmin: Floats, width_um: float, length_um: float) -> Floats:
    """Return the amplitude that an azimuth error leaves: sin y / y, y = π·W·tan θ/λ.

    The standard tape-loss expression; negative beyond the first null.

    Parameters
    ----------
    angle_arcmin : numpy.ndarray
        float64, any shape: angle between the gap and the transitions.
    width_um, length_um : float
        Width W of the track and length λ of a cycle.
    """
    return np.sinc(width_um * np.tan(np.radians(angle_arcmin / 60.0)) / length_um)


def azimuth_of(
    found: BurstsFound,
    angles_arcmin: Sequence[float],
    *,
    width_um: float,
    radius_mm: float,
    carrier_hz: float,
) -> AzimuthFinding | Message:
    """Return the azimuth by the bursts found, or why there is none.

    Parameters
    ----------
    found : BurstsFound
        The turn's bursts.
    angles_arcmin : sequence of float
        Of each burst in the order of passing.
    width_um, radius_mm : float
        Of the track.
    carrier_hz : float
        At the speed found, where the signal itself does not tell it.
    """
    if len(found.bursts) != len(angles_arcmin):
        return fill(messages.FEWER_BURSTS, len(found.bursts), len(angles_arcmin))
    carrier_hz = found.carrier_hz.value if found.carrier_hz is not None else carrier_hz
    cycles = carrier_hz * 60.0 / found.rpm
    length_um = 2e3 * float(np.pi) * radius_mm / cycles
    return angle_of(found.bursts, np.array(angles_arcmin, dtype=np.float64), width_um, length_um)


def angle_of(
    bursts: Sequence[Burst], angles_arcmin: Floats, width_um: float, length_um: float
) -> AzimuthFinding | Message:
    """Fit the heights of bursts by one amplitude and the head's angle.

    Parameters
    ----------
    bursts : sequence of Burst
        In the order of passing.
    angles_arcmin : numpy.ndarray
        float64, shape (n,): of each, n at least 2.
    width_um, length_um : float
        Width of the track and length of a cycle.
    """
    heights = np.array([burst.height_v.value for burst in bursts])
    u = np.array([burst.height_v.u for burst in bursts])
    u = np.hypot(u, _LINEAR_PART * float(heights.max()))

    def curve(head_arcmin: float) -> Floats:
        return np.abs(azimuth_loss(angles_arcmin - head_arcmin, width_um, length_um))

    def amplitude(head_arcmin: float) -> float:
        shape = curve(head_arcmin) / u
        return float(shape @ (heights / u)) / max(float(shape @ shape), 1e-300)

    def miss(head_arcmin: float) -> float:
        rest = (heights - amplitude(head_arcmin) * curve(head_arcmin)) / u
        return float(rest @ rest)

    grid = np.arange(-_FARTHEST_ARCMIN, _FARTHEST_ARCMIN + _STEP_ARCMIN, _STEP_ARCMIN)
    head = float(grid[int(np.argmin([miss(float(each)) for each in grid]))])
    u_arcmin = float(np.inf)
    for _ in range(_ROUNDS):
        top = amplitude(head)
        slope = top * (curve(head + 0.01) - curve(head - 0.01)) / 0.02
        columns = np.stack([curve(head), slope], axis=1)
        if np.linalg.matrix_rank(columns / np.abs(columns).max(axis=0).clip(1e-300)) < 2:
            return messages.NO_AZIMUTH
        step = fit(columns, heights - top * curve(head), u)
        head += float(np.clip(step.parameters[1], -1.0, 1.0))
        u_arcmin = step.combination(0.0, 1.0).u
    rest = heights - amplitude(head) * curve(head)
    misfit = float(np.sqrt(np.mean(rest**2))) / float(heights.mean())
    if abs(head) > _FARTHEST_ARCMIN or misfit > _WORST_MISFIT:
        return messages.NO_AZIMUTH
    angle = Quantity(head, float(np.hypot(u_arcmin, _SCALE_PART * head)))
    return AzimuthFinding(angle, tuple(bursts), 100.0 * misfit)
