"""Drift of a drive from job to job: a straight line through the values found, and its rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.results import Quantity
from app.analysis.uncertainty import Fit, fit


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted straight line: its height at the centre of all x, and its slope, as `fit` has them.

    About their centre both are all but independent, whatever the numbers' size.
    """

    centre: float
    fit: Fit

    def at(self, x: float) -> Quantity:
        """Return the line's height at `x`, its u not expanded."""
        row = np.array([1.0, x - self.centre])
        return Quantity(float(row @ self.fit.parameters), self.fit.u(row))


def line_of(
    x: NDArray[np.float64], y: NDArray[np.float64], u: NDArray[np.float64] | None = None
) -> Line:
    """Fit a straight line by least squares (JCGM 100, H.3).

    Parameters
    ----------
    x, y : numpy.ndarray
        float64, shape (n,).
    u : numpy.ndarray or None
        float64, shape (n,): standard uncertainties of y, above 0, to weigh by.

    Raises
    ------
    ValueError
        When x does not spread, or there are too few values: three, or two with u.
    """
    if len(x) < (3 if u is None else 2) or float(np.ptp(x)) == 0.0:
        raise ValueError("too few values for a line, or all at one place; take more")
    centre = float(np.mean(x))
    return Line(centre, fit(np.stack([np.ones(len(x)), x - centre], axis=1), y, u))


@dataclass(frozen=True, slots=True)
class DriftFinding:
    """How a value goes with time; every u is t-expanded.

    Attributes
    ----------
    rate_per_year : Quantity or None
        Of the fitted line, in the value's unit a year of 365.25 days; None where no line can be
        fitted.
    drifts : bool
        Whether the rate is larger than its expanded uncertainty.
    last_change : Quantity or None
        Newest less the one before.
    changed : bool
        Whether that is larger than its expanded uncertainty.
    line_days, line_values : tuple of float
        The line's two ends, to be drawn; empty without one.
    """

    count: int
    rate_per_year: Quantity | None
    drifts: bool
    last_change: Quantity | None
    changed: bool
    line_days: tuple[float, ...] = ()
    line_values: tuple[float, ...] = ()


_DAYS_A_YEAR = 365.25


def drift_of(days: Sequence[float], values: Sequence[Quantity]) -> DriftFinding:
    """Return rate and newest change of a value over time.

    Weighted by the values' u where all have one, ordinary least squares otherwise.

    Parameters
    ----------
    days : sequence of float, shape (n,)
        In days from any moment, in any order.
    values : sequence of Quantity, shape (n,)
        Their u is 0 where it is not known.
    """
    order = sorted(range(len(days)), key=lambda place: days[place])
    x = np.array([days[place] for place in order])
    y = np.array([values[place].value for place in order])
    u = np.array([values[place].u for place in order])
    known = bool(np.all(u > 0.0))
    change = None
    if len(order) > 1:
        change = Quantity(float(y[-1] - y[-2]), float(np.hypot(u[-1], u[-2])))
    changed = change is not None and known and abs(change.value) > 2.0 * change.u
    least = 2 if known else 3
    if len(order) < least or float(np.ptp(x)) == 0.0:
        return DriftFinding(len(order), None, False, change, changed)
    line = line_of(x, y, u if known else None)
    rate = line.fit.combination(0.0, _DAYS_A_YEAR)
    ends = (float(x[0]), float(x[-1]))
    heights = tuple(line.at(end).value for end in ends)
    drifts = abs(rate.value) > 2.0 * rate.u
    return DriftFinding(len(order), rate, drifts, change, changed, ends, heights)
