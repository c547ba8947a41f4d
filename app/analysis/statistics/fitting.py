"""Linear least squares of a few values, with uncertainties that keep their promise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.reading import Quantity
from app.analysis.statistics.student import expanded

PRIOR_DOF = 3.0
"""Degrees of freedom that the values' own u counts as, against those of the residuals: so few
values cannot tell whether they scatter beyond it, and the expanded uncertainty allows for that."""
_BEYOND = 2.8
"""Residuals so many standard deviations above what u explains are more than chance (chi-square,
about the 97th part): u counts for nothing then, if there are residuals to tell it by."""
_LEAST_LEFT = 2


@dataclass(frozen=True, slots=True)
class Fit:
    """Parameters of a fit.

    Attributes
    ----------
    parameters : numpy.ndarray
        float64, shape (p,).
    covariance : numpy.ndarray
        float64, shape (p, p): variances and covariances, not enlarged.
    dof : float
        Degrees of freedom of the variances.
    residual_sd : float
        Standard deviation of the residuals; 0 where there are as many parameters as values.
    """

    parameters: NDArray[np.float64]
    covariance: NDArray[np.float64]
    dof: float
    residual_sd: float

    def u(self, weights: NDArray[np.float64]) -> float:
        """Return the standard uncertainty of the sum of parameters times `weights`."""
        return float(np.sqrt(max(0.0, float(weights @ self.covariance @ weights))))

    def combination(self, *weights: float) -> Quantity:
        """Return the sum of parameters times `weights`, with u so enlarged that ±2u covers 95 %."""
        row = np.array(weights)
        return Quantity(float(row @ self.parameters), expanded(self.u(row), self.dof) / 2.0)


def fit(
    columns: NDArray[np.float64], values: NDArray[np.float64], u: NDArray[np.float64] | None = None
) -> Fit:
    """Fit `values` by a sum of `columns`.

    Without `u` the residuals tell the uncertainty. With it values weigh by 1/u², and the variance
    is the mean of what u and what the residuals say, each by its degrees of freedom, never less
    than u alone says; where the residuals are far beyond u, they alone tell it.

    Parameters
    ----------
    columns : numpy.ndarray
        float64, shape (n, p), independent, n at least p (above p without `u`).
    values : numpy.ndarray
        float64, shape (n,).
    u : numpy.ndarray or None
        float64, shape (n,): standard uncertainties, above 0.

    Raises
    ------
    ValueError
        When one of `u` is not above 0.
    """
    if u is not None and not np.all(u > 0.0):
        raise ValueError("a value without uncertainty cannot be weighed; give u above 0")
    weights = np.ones(len(values)) if u is None else 1.0 / u
    q, r = np.linalg.qr(columns * weights[:, None])
    inverse = np.linalg.inv(r)
    parameters = inverse @ (q.T @ (values * weights))
    residuals = values - columns @ parameters
    left = len(values) - columns.shape[1]
    square = float(np.sum((residuals * weights) ** 2))
    sd = float(np.sqrt(np.sum(residuals**2) / left)) if left else 0.0
    covariance: NDArray[np.float64] = inverse @ inverse.T
    beyond = left >= _LEAST_LEFT and square / left > 1.0 + _BEYOND * np.sqrt(2.0 / left)
    if u is None or beyond:
        return Fit(parameters, covariance * (square / left), float(left), sd)
    dof = PRIOR_DOF + left
    return Fit(parameters, covariance * max(1.0, (PRIOR_DOF + square) / dof), dof, sd)
