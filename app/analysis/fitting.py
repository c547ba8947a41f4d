"""Linear least squares of a few values, with uncertainties that keep their promise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.reading import Quantity
from app.analysis.student import expanded

_BEYOND = 2.8
"""Residuals so many of their standard deviations above what the values' own u gives are more
than chance (chi-square, about the 97th part)."""


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
        Degrees of freedom of the variances: infinite where they come from the values' own u.
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

    Without `u` the residuals tell the uncertainty. With it values weigh by 1/u², and the residuals
    enlarge the uncertainty where they are larger than u explains, and never lessen it.

    Parameters
    ----------
    columns : numpy.ndarray
        float64, shape (n, p), independent, n at least p (above p without `u`).
    values : numpy.ndarray
        float64, shape (n,).
    u : numpy.ndarray or None
        float64, shape (n,): standard uncertainties, above 0.
    """
    weights = np.ones(len(values)) if u is None else 1.0 / u
    q, r = np.linalg.qr(columns * weights[:, None])
    inverse = np.linalg.inv(r)
    parameters = inverse @ (q.T @ (values * weights))
    residuals = values - columns @ parameters
    left = len(values) - columns.shape[1]
    square = float(np.sum((residuals * weights) ** 2)) / left if left else 0.0
    sd = float(np.sqrt(np.sum(residuals**2) / left)) if left else 0.0
    covariance: NDArray[np.float64] = inverse @ inverse.T
    if u is not None and (not left or square <= 1.0 + _BEYOND * np.sqrt(2.0 / left)):
        return Fit(parameters, covariance, math.inf, sd)
    return Fit(parameters, covariance * square, float(left), sd)
