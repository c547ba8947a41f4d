"""Student's t without a table, and the expanded uncertainty."""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

_MANY = 10_000.0
"""From so many degrees of freedom on, the expansion about the normal distribution is exact."""
_TINY = 1e-300
_STEPS = 10_000


@lru_cache(maxsize=1024)
def quantile(dof: float, confidence: float = 0.95) -> float:
    """Return the t within whose ± Student's distribution holds `confidence` (JCGM 100, G.3).

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


def expanded(u: float, dof: float, confidence: float = 0.95) -> float:
    """Return the expanded uncertainty U = t·u (JCGM 100, G.6.4).

    Parameters
    ----------
    u : float
        Standard uncertainty, not enlarged.
    dof : float
        Its degrees of freedom, perhaps infinite.
    confidence : float
        Level of confidence.
    """
    return quantile(dof, confidence) * u


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
        if abs(change - 1.0) < 1e-16:
            break
    return product


def _away(value: float) -> float:
    """Keep a divisor away from zero."""
    return value if abs(value) > _TINY else _TINY
