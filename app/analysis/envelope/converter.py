"""What the steps of a converter leave uncertain, where no noise blurs them.

The error of rounding goes up and down with the signal, once a step, and takes from an amplitude or
gives to it; noise of half a step makes the mean of many samples right (IEEE 1241 treats its noise
alone). A sine of amplitude A is sampled over many steps, which leaves 2·J₁(2πA/q)/π of a step
of q in its amplitude: it falls as the root of A/q.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_LOOKED_AT = 8192
_SAME_PART = 1e-5
_OFF_GRID, _WITH_RAILS = 0.05, 8
_TONE_U = 0.1
"""Steps, times the root of the amplitude in steps: J₁'s asymptote has an rms of 0.145, of which the
fit over a lobe averages a third (run against rounded signals of 8 to 64 codes)."""
_TOP_U, _TINY = 0.2, 1e-9
"""Steps, times the root of the fall in steps (run against rounded cosines of 8 to 64 codes)."""
_SINGLE_STEP = 0.5


def step_of(values_v: NDArray[np.floating]) -> float:
    """Return the step of the converter that gave these values, 0 where none shows."""
    values = values_v[:: max(1, len(values_v) // _LOOKED_AT)]
    values = np.unique(values[np.isfinite(values)].astype(np.float64))
    # A rail behind the converter need not lie on one of its steps.
    return _grid_of(values) or (_grid_of(values[1:-1]) if len(values) >= _WITH_RAILS else 0.0)


def _grid_of(values: NDArray[np.float64]) -> float:
    """Return the step of which all ways between ascending values are multiples, 0 of none."""
    if len(values) < 3:
        return 0.0
    steps = np.diff(values)
    steps = steps[steps > _SAME_PART * (values[-1] - values[0])]
    step = float(steps.min(initial=np.inf))
    off = np.abs(steps / step - np.round(steps / step))
    return step if float(off.mean()) < _OFF_GRID else 0.0


def tone_u_v(step_v: float, amplitude_v: float, noise_v2: float) -> float:
    """Return the standard uncertainty of a sampled sine's amplitude from the converter's steps.

    Parameters
    ----------
    noise_v2 : float
        Noise power of one sample, the steps' own included.
    """
    if step_v <= 0.0:
        return 0.0
    codes = max(amplitude_v / step_v, _SINGLE_STEP)
    return _TONE_U * step_v / float(np.sqrt(codes)) * at_least_blurred(step_v, noise_v2)


def extreme_u_v(step_v: float) -> float:
    """Return the standard uncertainty of half a range from the steps: rectangular, as they are."""
    return step_v / float(np.sqrt(12.0))


def top_u_v(step_v: float, fall_v: float) -> float:
    """Return the standard uncertainty from steps of a cosine's top, fitted down to so far a fall.

    Of one that stays within a step it is that of a level.
    """
    return min(_TOP_U * step_v / float(np.sqrt(max(fall_v / step_v, _TINY))), extreme_u_v(step_v))


def blurred(step_v: float, noise_v2: float) -> float:
    """Return what normal noise leaves of the first harmonic of rounding's error."""
    return float(np.exp(-2.0 * np.pi**2 * max(noise_v2, 0.0) / step_v**2))


def at_least_blurred(step_v: float, seen_v2: float) -> float:
    """Return the same of a noise power that is seen with the steps' own in it.

    Of few phases, or of a level between two steps, that may be a quarter of their square.
    """
    return blurred(step_v, seen_v2 - 0.25 * step_v**2)
