"""Standard uncertainties: scatter of few values, and limits judged with a guard band."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from app.analysis.reading import Quantity, Verdict

CLOCK_PART = 3e-5
"""Standard uncertainty of a source's sample clock: ±50 parts in a million, rectangular
(common practice for crystal oscillators, from memory)."""

_T95 = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228,
    2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086,
)  # fmt: skip
"""Student's t for 95 %, two-sided, 1 to 20 degrees of freedom (JCGM 100, table G.2)."""


def enlargement(freedom: int) -> float:
    """Return the factor by which u from few values grows, so that ±2u covers 95 %."""
    if freedom < 1:
        return _T95[0] / 2.0
    if freedom <= len(_T95):
        return _T95[freedom - 1] / 2.0
    # Cornish-Fisher's first term carries t on from the normal distribution's 1.960.
    return (1.960 + 2.372 / freedom) / 2.0


def scatter_u(values: NDArray[np.float64]) -> float:
    """Return the standard uncertainty of the mean of `values` from their scatter, enlarged.

    Parameters
    ----------
    values : numpy.ndarray
        float64, shape (n,), n at least 2.
    """
    count = len(values)
    return float(np.std(values, ddof=1)) / np.sqrt(count) * enlargement(count - 1)


def excess_u(values: NDArray[np.float64], u: NDArray[np.float64]) -> float:
    """Return the standard uncertainty that scatter beyond the values' own `u` adds to their mean.

    Parameters
    ----------
    values, u : numpy.ndarray
        float64, shape (n,): values and the standard uncertainty that noise alone gives each.
    """
    count = len(values)
    if count < 2:
        return 0.0
    variance = float(np.var(values, ddof=1))
    own = float(np.mean(u**2))
    # Below this the scatter is what noise alone may give (chi-square, about the 97th part).
    if variance <= own * (1.0 + 2.8 * np.sqrt(2.0 / (count - 1))):
        return 0.0
    return float(np.sqrt((variance - own) / count)) * enlargement(count - 1)


def judge(difference: Quantity, limit: float) -> Verdict:
    """Judge a difference against a limit, guarded by its expanded uncertainty (k = 2)."""
    guard = 2.0 * difference.u
    if difference.value + guard <= limit:
        return Verdict.PASS
    if difference.value - guard > limit:
        return Verdict.FAIL
    return Verdict.UNDECIDED
