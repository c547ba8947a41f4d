"""Limits judged with guard bands."""

from __future__ import annotations

from math import isnan

from app.analysis.reading import Verdict


def judge_within(
    value: float, expanded_u: float, *, low: float | None = None, high: float | None = None
) -> Verdict:
    """Judge a value between limits, guarded by its expanded uncertainty (JCGM 106, 8.3).

    Accepted only where the value with ±U is wholly within, rejected only where it is wholly
    beyond one limit; a value or an uncertainty that is not a number decides nothing.

    Parameters
    ----------
    value, expanded_u : float
        The value and its expanded uncertainty U, in the limits' unit.
    low, high : float or None
        The limits; None is open on that side.
    """
    least, most = value - expanded_u, value + expanded_u
    if (low is not None and most < low) or (high is not None and least > high):
        return Verdict.FAIL
    above = low is None or least >= low
    below = high is None or most <= high
    if above and below and not isnan(least):
        return Verdict.PASS
    return Verdict.UNDECIDED
