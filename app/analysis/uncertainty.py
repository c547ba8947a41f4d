"""Uncertainties of measurement: of few values, of fitted ones, and against limits.

Every :class:`~app.analysis.results.Quantity` has a standard uncertainty u of which ±2u covers
95 %. Where few values give it, it is therefore *t-expanded*: multiplied by half of Student's t.
Terms and formulas are those of JCGM 100 (the GUM) and JCGM 106.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from app.analysis.results import Quantity, Verdict

COVERAGE = math.erf(math.sqrt(2.0))
"""What ±2u of a normal distribution cover, 95.45 %; expanded uncertainties cover as much."""
CLOCK_PART = 1e-4
"""Standard uncertainty of a source's sample clock, as a part of it: makers who state anything state
±100 parts in a million, and where nothing is stated some are off by three times that (common
practice, from memory)."""

_MANY = 10_000.0
"""From so many degrees of freedom on, the expansion about the normal distribution is exact."""
_TINY = 1e-300
_STEPS = 10_000


@lru_cache(maxsize=1024)
def t_factor(dof: float, confidence: float = 0.95) -> float:
    """Return t: within ±t Student's distribution holds `confidence` (JCGM 100, G.3).

    Parameters
    ----------
    dof : float
        Degrees of freedom, above 0; need not be whole, and may be infinite.
    confidence : float
        Between 0 and 1, both excluded.

    Raises
    ------
    ValueError
        When either is out of its range.
    """
    if not dof > 0.0:
        raise ValueError(f"{dof} degrees of freedom are none; give more than 0")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence of {confidence} is not between 0 and 1")
    if dof > _MANY:
        return _near_normal(dof, confidence)
    beyond = 1.0 - confidence
    low, high = 0.0, 1.0
    while _tail(high, dof) > beyond:
        low, high = high, 2.0 * high
    while True:
        middle = (low + high) / 2.0
        if not low < middle < high:
            return middle
        if _tail(middle, dof) > beyond:
            low = middle
        else:
            high = middle


def t_expanded(u: float, dof: float) -> float:
    """Return a standard uncertainty of few degrees of freedom so expanded that ±2u covers 95 %."""
    return t_factor(dof) / 2.0 * u


def covering(quantity: Quantity) -> Quantity:
    """Return a quantity with u so expanded by its degrees of freedom that ±2u covers 95.45 %."""
    if quantity.dof is None:
        return quantity
    return Quantity(quantity.value, t_factor(quantity.dof, COVERAGE) / 2.0 * quantity.u)


def t_beyond(t: float, dof: float) -> float:
    """Return the probability beyond ±t, t not below 0, of Student's distribution."""
    return math.erfc(t / math.sqrt(2.0)) if math.isinf(dof) else _tail(t, dof)


def t_density(t: float, dof: float) -> float:
    """Return the density of Student's distribution at t."""
    if math.isinf(dof):
        return math.exp(-t * t / 2.0) / math.sqrt(2.0 * math.pi)
    power = -(dof + 1.0) / 2.0 * math.log1p(t * t / dof)
    return math.exp(_log_ratio(dof / 2.0) + power) / math.sqrt(dof * math.pi)


def _near_normal(dof: float, confidence: float) -> float:
    # Cornish and Fisher's expansion (Abramowitz and Stegun, 26.7.5, from memory).
    z = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    first = (z**3 + z) / 4.0
    second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    third = (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0
    return z + first / dof + second / dof**2 + third / dof**3


def _tail(t: float, dof: float) -> float:
    """Return the probability beyond ±t: the incomplete beta function of dof/(dof + t²)."""
    if t == 0.0:
        return 1.0
    a, b = dof / 2.0, 0.5
    ratio = t / math.sqrt(dof)
    part = 1.0 / (1.0 + ratio * ratio)
    rest = part * ratio * ratio if ratio < 1.0 else 1.0 / (1.0 + 1.0 / ratio / ratio)
    front = (
        math.exp(_log_ratio(a) - 0.5 * math.log(math.pi) + a * math.log(part) + b * math.log(rest))
        if part > 0.0
        else 0.0
    )
    # On the other side of this the fraction of the complement is the one that converges.
    if part < (a + 1.0) / (a + b + 2.0):
        return front * _fraction(part, a, b) / a
    return 1.0 - front * _fraction(rest, b, a) / b


def _log_ratio(a: float) -> float:
    """Return the logarithm of Γ(a + ½)/Γ(a)."""
    if a < 100.0:
        return math.lgamma(a + 0.5) - math.lgamma(a)
    # Both logarithms are large, and so would be what rounding leaves of their difference.
    return 0.5 * math.log(a) - 1.0 / (8.0 * a) + 1.0 / (192.0 * a**3) - 1.0 / (640.0 * a**5)


def _fraction(x: float, a: float, b: float) -> float:
    """Return the continued fraction of the incomplete beta function, by Lentz's method."""
    upper = 1.0
    lower = 1.0 / _away(1.0 - (a + b) * x / (a + 1.0))
    product = lower
    for step in range(1, _STEPS):
        even = step * (b - step) * x / ((a + 2 * step - 1.0) * (a + 2 * step))
        odd = -(a + step) * (a + b + step) * x / ((a + 2 * step) * (a + 2 * step + 1.0))
        change = 1.0
        for term in (even, odd):
            lower = 1.0 / _away(1.0 + term * lower)
            upper = _away(1.0 + term / upper)
            change = lower * upper
            product *= change
        if change == 1.0:
            break
    return product


def _away(value: float) -> float:
    """Keep a divisor away from zero."""
    return value if abs(value) > _TINY else _TINY


def judge_within(
    value: float, expanded_u: float, *, low: float | None = None, high: float | None = None
) -> Verdict:
    """Judge a value between limits, guarded by its expanded uncertainty (JCGM 106, 8.3).

    Passes only where the value with ±U is wholly within, fails only where it is wholly beyond one
    limit; a value or an uncertainty that is not a number decides nothing. A limit of None is open.
    """
    lowest, highest = value - expanded_u, value + expanded_u
    if (low is not None and highest < low) or (high is not None and lowest > high):
        return Verdict.FAIL
    above = low is None or lowest >= low
    below = high is None or highest <= high
    if above and below and not math.isnan(lowest):
        return Verdict.PASS
    return Verdict.UNDECIDED


def scatter_u(values: NDArray[np.float64]) -> float:
    """Return the t-expanded standard uncertainty of a mean from the scatter of its values.

    Parameters
    ----------
    values : numpy.ndarray
        float64, shape (n,), n at least 2.
    """
    count = len(values)
    return t_expanded(float(np.std(values, ddof=1)) / np.sqrt(count), count - 1)


def mean_frequency(values_hz: NDArray[np.float64], clock_u_part: float) -> Quantity:
    """Return the mean of frequencies, shape (n,), the sample clock's part in its uncertainty."""
    value = float(values_hz.mean())
    u = scatter_u(values_hz) if values_hz.size > 1 else 1e-3 * value
    return Quantity(value, float(np.hypot(u, clock_u_part * value)))


def excess_u(values: NDArray[np.float64], u: NDArray[np.float64]) -> float:
    """Return the t-expanded uncertainty that scatter beyond the values' own `u` adds to their mean.

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
    if variance <= own * (1.0 + _BEYOND * np.sqrt(2.0 / (count - 1))):
        return 0.0
    return t_expanded(float(np.sqrt((variance - own) / count)), count - 1)


def effective_dof(parts: Sequence[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4.1).

    Each part is its standard uncertainty and its degrees of freedom.
    """
    largest = max((u for u, _ in parts), default=0.0)
    if largest == 0.0:
        return math.inf
    # In parts of the largest, so that small units do not vanish in the fourth power.
    total = sum((u / largest) ** 2 for u, _ in parts)
    below = sum((u / largest) ** 4 / dof for u, dof in parts)
    return total**2 / below if below else math.inf


PRIOR_DOF = 3.0
"""Degrees of freedom that the values' own u counts as, against those of the residuals: so few
values cannot show whether they scatter beyond it, and the expanded uncertainty allows for that."""
_BEYOND = 2.8
"""A variance so many of its standard deviations above what the values' own u explains is more than
chance (chi-square, about the 97th part)."""
_MIN_LEFT = 2
"""With fewer residuals it is not looked for in a fit."""


@dataclass(frozen=True, slots=True)
class Fit:
    """Parameters of a least-squares fit.

    Attributes
    ----------
    parameters : numpy.ndarray
        float64, shape (p,).
    covariance : numpy.ndarray
        float64, shape (p, p): variances and covariances, not expanded.
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

    def estimate(self, *weights: float) -> Quantity:
        """Return the sum of parameters times `weights`, with its degrees of freedom."""
        row = np.array(weights)
        return Quantity(float(row @ self.parameters), self.u(row), self.dof)

    def combination(self, *weights: float) -> Quantity:
        """Return the sum of parameters times `weights`, its u t-expanded."""
        found = self.estimate(*weights)
        return Quantity(found.value, t_expanded(found.u, self.dof))


def fit(
    columns: NDArray[np.float64], values: NDArray[np.float64], u: NDArray[np.float64] | None = None
) -> Fit:
    """Fit `values` by a sum of `columns`.

    Without `u` the residuals give the uncertainty. With it values weigh by 1/u², and the variance
    is the mean of what u and what the residuals say, each by its degrees of freedom, never less
    than u alone says; where the residuals are far beyond u, they alone give it.

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
    beyond = left >= _MIN_LEFT and square / left > 1.0 + _BEYOND * np.sqrt(2.0 / left)
    if u is None or beyond:
        return Fit(parameters, covariance * (square / left), float(left), sd)
    dof = PRIOR_DOF + left
    return Fit(parameters, covariance * max(1.0, (PRIOR_DOF + square) / dof), dof, sd)
