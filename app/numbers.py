"""Numbers as they are written: no digit more than their uncertainty bears."""

from __future__ import annotations

import math

_PLAIN = 4


def plus_minus(value: float, u: float | None, unit: str = "") -> str:
    """Return value ± expanded uncertainty (k = 2), both to the latter's first two digits.

    Parameters
    ----------
    value : float
        In `unit`.
    u : float or None
        Standard uncertainty; None where there is none to state.
    unit : str
        With its space before it.
    """
    if u is None and math.isfinite(value):
        return f"{value:.{_PLAIN}g}{unit}"
    if u is None or not (math.isfinite(value) and math.isfinite(u)):
        return "not known"
    expanded = 2.0 * u
    digits = 1 - math.floor(math.log10(expanded)) if expanded > 0.0 else 3
    digits = min(max(digits, 0), 6)
    return f"{value:.{digits}f} ± {expanded:.{digits}f}{unit}"
