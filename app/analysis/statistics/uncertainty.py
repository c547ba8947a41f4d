"""Standard uncertainties: scatter of few values, and limits judged with a guard band."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from app.analysis.reading import Quantity, Verdict
from app.analysis.statistics.student import quantile
from app.analysis.statistics.verdict import judge_within

CLOCK_PART = 3e-5
"""Standard uncertainty of a source's sample clock: ±50 parts in a million, rectangular
(common practice for crystal oscillators, from memory)."""


def enlargement(freedom: int) -> float:
    """Return the factor by which u from few values grows, so that ±2u covers 95 %."""
    return quantile(max(freedom, 1)) / 2.0


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
    return judge_within(difference.value, 2.0 * difference.u, high=limit)
