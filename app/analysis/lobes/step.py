"""A head that moved within a capture: a step in the run of comparisons of neighbouring lobes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.uncertainty import PRIOR_DOF, t_expanded

_SAME_SUM = 1.0
"""A head that moves leaves the lobes' sum, a gain that jumps takes it along: the sum changes, as a
part of itself, by less than this many times what the balance changes by."""
_STEP_SIGMAS, _STEP_LEAST = 3.5, 5e-3
"""The balance has stepped within a capture: common practice; a hand moves it by more."""
_ACROSS, _MIDWAY = 2, 0.35
"""So many comparisons have lobes from both sides of a step, and their mean is within this part of
it midway."""
_TINY = 1e-12


@dataclass(frozen=True, slots=True)
class BalanceStep:
    """A step in a run of balances.

    Attributes
    ----------
    at : int
        Number of the first balance that has lobes from behind it.
    before, after : float
        Mean balances.
    """

    at: int
    before: float
    after: float

    def taken_from(self, balance: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the run, shape (n,), as if it had stayed in the middle of both."""
        half = 0.5 * (self.after - self.before)
        by = np.full(len(balance), -half)
        by[: self.at] = half
        by[self.at : self.at + _ACROSS] = 0.0
        return balance + by

    @property
    def u(self) -> float:
        """Standard uncertainty of which of its places is asked for: rectangular."""
        return abs(self.after - self.before) / float(np.sqrt(12.0))


def step_in(
    balance: NDArray[np.float64],
    u: NDArray[np.float64],
    total_v: NDArray[np.float64],
    lobe: NDArray[np.int64],
) -> BalanceStep | None:
    """Return the step in a run of comparisons of neighbouring lobes, None without one.

    Parameters
    ----------
    balance, u : numpy.ndarray
        float64, shape (n,): in order of time, and what noise gives each.
    total_v : numpy.ndarray
        float64, shape (n,): sum of the heights that are compared.
    lobe : numpy.ndarray
        int64, shape (n,): number within the turn of the lobe that is compared; of several pairs
        each may differ from the others by its place on the disk.
    """
    count = len(balance)
    if count < _ACROSS + 2:
        return None
    level = balance - balance.mean()
    if lobe.max() > 1:
        level -= (np.bincount(lobe, level) / np.maximum(np.bincount(lobe), 1))[lobe]
    sums, squares = _sums(level), _sums(level**2)
    at = np.arange(1, count - _ACROSS)
    early, late = at, count - _ACROSS - at
    before, after = _means(sums, at)
    across = (sums[at + _ACROSS] - sums[at]) / _ACROSS
    rest = squares[at] + squares[-1] - squares[at + _ACROSS] - early * before**2 - late * after**2
    # Few residuals cannot show how the comparisons scatter: what noise gives counts as some more.
    dof = PRIOR_DOF + count - _ACROSS - 2
    variance = (PRIOR_DOF * np.mean(u**2) + np.maximum(rest, 0.0)) / dof
    one_u = t_expanded(1.0, dof) * np.sqrt(np.maximum(variance, np.mean(u**2)))
    size = np.abs(after - before)
    midway = np.abs(across - 0.5 * (before + after)) <= _MIDWAY * size
    sigmas = size / np.maximum(one_u * np.sqrt(_of_mean(early) + _of_mean(late)), _TINY)
    total = np.subtract(*_means(_sums(total_v / total_v.mean()), at))
    fits = midway & (size > _STEP_LEAST) & (np.abs(total) < _SAME_SUM * size)
    sigmas = np.where(fits, sigmas, 0.0)
    best = int(np.argmax(sigmas))
    if sigmas[best] <= _STEP_SIGMAS:
        return None
    mean = float(balance.mean())
    return BalanceStep(int(at[best]), mean + float(before[best]), mean + float(after[best]))


def _sums(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate([[0.0], np.cumsum(values)])


def _means(
    sums: NDArray[np.float64], at: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the means before and after a step at each place."""
    return sums[at] / at, (sums[-1] - sums[at + _ACROSS]) / (len(sums) - 1 - _ACROSS - at)


def _of_mean(count: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the variance of a mean of so many comparisons, over that of one.

    Neighbours share lobes: two thirds of the variance come back in the next comparison, and a sixth
    in the one after that.
    """
    shared = 2.0 * (count - 1) + 0.5 * np.maximum(count - 2, 0)
    return (1.5 * count + shared) / (1.5 * count**2)
