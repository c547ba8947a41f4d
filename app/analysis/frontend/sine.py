"""Sines fitted to samples, and effective bits by what such a fit leaves.

The fits of three and four parameters, and the effective bits, are those of IEEE 1057 (from memory:
the standard was not opened). The four-parameter fit is solved here as Gauss and Newton's: the
frequency's correction is a fourth unknown of the linear fit, until it no longer changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log2, sqrt

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_ROUNDS = 12
_ENOUGH = 1e-13
_IDEAL = sqrt(12.0)
"""A step over the standard deviation of an ideal converter's rounding."""


@dataclass(frozen=True, slots=True)
class SineFit:
    """A sine and what it leaves of the samples.

    Attributes
    ----------
    cycles : float
        Its frequency, in cycles a sample.
    phasor : complex
        Amplitude (peak) and phase at the first sample.
    offset, residual : float
        Mean beside it, and root mean square of what is left.
    """

    cycles: float
    phasor: complex
    offset: float
    residual: float

    @property
    def amplitude(self) -> float:
        """Peak."""
        return abs(self.phasor)


def fit_at(values: Floats, cycles: float) -> SineFit:
    """Fit a sine of known frequency: amplitude, phase, offset.

    Parameters
    ----------
    values : numpy.ndarray
        float64, shape (n,), n above 3.
    cycles : float
        Cycles a sample, between 0 and ½.
    """
    found, left = _solve(_columns(len(values), cycles), values)
    return _as_fit(found, left, cycles)


def fit_near(values: Floats, cycles: float) -> SineFit:
    """Fit a sine of about that frequency: amplitude, phase, offset and the frequency itself.

    `cycles` may be off by some tenths of a cycle over all of the samples.
    """
    count = len(values)
    place = np.arange(count) - 0.5 * (count - 1)
    for _ in range(_ROUNDS):
        columns = _columns(count, cycles)
        (a, b, _), _ = _solve(columns, values)
        bend = 2.0 * np.pi * place * (b * columns[:, 0] - a * columns[:, 1])
        found, _ = _solve(np.column_stack([columns, bend]), values)
        step = float(np.clip(found[3], -0.5 / count, 0.5 / count))
        cycles = float(np.clip(cycles + step, 0.0, 0.5))
        if abs(step) < _ENOUGH:
            break
    return fit_at(values, cycles)


def strongest(values: Floats, low: float) -> float:
    """Return the frequency, in cycles a sample, of the strongest line from a frequency on."""
    count = len(values)
    power = np.abs(np.fft.rfft((values - values.mean()) * np.hanning(count))) ** 2
    cycles = np.arange(len(power)) / count
    power[cycles < max(low, 1.5 / count)] = 0.0
    at = int(power.argmax())
    if not 0 < at < len(power) - 1:
        return float(cycles[at])
    left, top, right = np.log(power[at - 1 : at + 2] + 1e-300)
    bend = left - 2.0 * top + right
    return float(cycles[at] + (0.5 * (left - right) / bend / count if bend < 0.0 else 0.0))


def effective_bits(residual: float, full_range: float) -> float:
    """Return the bits of the ideal converter whose rounding leaves as much as `residual` (rms).

    Parameters
    ----------
    full_range : float
        From the lowest value that the input takes to the highest.
    """
    return log2(full_range / (_IDEAL * residual))


def _columns(count: int, cycles: float) -> Floats:
    angle = 2.0 * np.pi * cycles * np.arange(count)
    return np.column_stack([np.cos(angle), np.sin(angle), np.ones(count)])


def _solve(columns: Floats, values: Floats) -> tuple[Floats, Floats]:
    found = np.linalg.solve(columns.T @ columns, columns.T @ values).astype(np.float64)
    return found, values - columns @ found


def _as_fit(found: Floats, left: Floats, cycles: float) -> SineFit:
    residual = sqrt(float(np.mean(left**2)))
    return SineFit(cycles, complex(found[0], -found[1]), float(found[2]), residual)
