"""Whether a head has come to rest in time: its drift by the minute, from its newest places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.analysis.adjust.drift import line_of
from app.analysis.results import Quantity

LEAST = 4
"""Places that a drift is told from: the newest so many."""
SETTLED_U_UM_PER_MIN = 0.5
"""A drift is told from none only where its u is below this, in µm a minute (our choice)."""
_SECONDS = 60.0


@dataclass(frozen=True, slots=True)
class TimedPlace:
    """Where the head stood at a time, in seconds from any moment; its u is the reading's own."""

    at_s: float
    offset_um: Quantity


@dataclass(frozen=True, slots=True)
class Settling:
    """How a head goes by the minute.

    Attributes
    ----------
    rate_um_per_min : Quantity
        Of the line through the newest places, its u not expanded.
    moved_um : Quantity
        From the first place to the newest.
    minutes : float
        Between those two.
    settled : bool
        The rate is below its own u, which is small enough to tell.
    """

    rate_um_per_min: Quantity
    moved_um: Quantity
    minutes: float
    settled: bool


def settling_of(places: Sequence[TimedPlace]) -> Settling | None:
    """Return how the head goes by the minute, None where the places are too few to tell."""
    newest = places[-LEAST:]
    x = np.array([each.at_s for each in newest]) / _SECONDS
    if len(newest) < LEAST or float(np.ptp(x)) <= 0.0:
        return None
    y, u = (np.array([getattr(each.offset_um, name) for each in newest]) for name in ("value", "u"))
    rate = line_of(x, y, u).fit.estimate(0.0, 1.0)
    first, last = places[0], places[-1]
    moved_u = float(np.hypot(first.offset_um.u, last.offset_um.u))
    return Settling(
        rate,
        Quantity(last.offset_um.value - first.offset_um.value, moved_u),
        (last.at_s - first.at_s) / _SECONDS,
        abs(rate.value) <= rate.u <= SETTLED_U_UM_PER_MIN,
    )
