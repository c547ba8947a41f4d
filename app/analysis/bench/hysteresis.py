"""Hysteresis of the positioner: where the head rests when it arrives from either side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.analysis.reading import Quantity
from app.analysis.statistics.fitting import fit


@dataclass(frozen=True, slots=True)
class Arrival:
    """One arrival of the head on the track.

    Attributes
    ----------
    from_outside : bool
        Whether the last step went inward.
    offset_um : Quantity
        Where it rests; u above 0, without what all arrivals share (the uncertainty of the scale).
    at_s : float
        When, on any clock; the mere number of the arrival will do.
    """

    from_outside: bool
    offset_um: Quantity
    at_s: float


@dataclass(frozen=True, slots=True)
class HysteresisFinding:
    """What the arrivals tell; every u is so enlarged that ±2u covers 95 %.

    Attributes
    ----------
    count : int
        Arrivals, of both sides.
    outside_um, inside_um : Quantity
        Where the head rests having arrived from each side, in the middle of the time.
    difference_um : Quantity
        The hysteresis: outside less inside.
    middle_um : Quantity
        Between both, in the middle of the time.
    drift_um : Quantity or None
        How far all went from first to last arrival; None with fewer than two from each side, when
        it is taken for none.
    scatter_um : float
        Standard deviation of single arrivals about all that.
    """

    count: int
    outside_um: Quantity
    inside_um: Quantity
    difference_um: Quantity
    middle_um: Quantity
    drift_um: Quantity | None
    scatter_um: float


def hysteresis_of(arrivals: Sequence[Arrival]) -> HysteresisFinding:
    """Return what arrivals from both sides tell, a steady drift taken out.

    Parameters
    ----------
    arrivals : sequence of Arrival, shape (n,)
        In any order of sides, best alternating.

    Raises
    ------
    ValueError
        When a side has none.
    """
    outside = sum(arrival.from_outside for arrival in arrivals)
    inside = len(arrivals) - outside
    if not outside or not inside:
        raise ValueError("hysteresis needs an arrival from each side; arrive from both")
    values = np.array([arrival.offset_um.value for arrival in arrivals])
    u = np.array([arrival.offset_um.u for arrival in arrivals])
    halves = np.array([0.5 if arrival.from_outside else -0.5 for arrival in arrivals])
    times = np.array([arrival.at_s for arrival in arrivals])
    span = float(np.ptp(times))
    columns = [np.ones(len(values)), halves]
    drifts = min(outside, inside) > 1 and span > 0.0
    if drifts:
        columns.append((times - (times.min() + times.max()) / 2.0) / span)
    found = fit(np.stack(columns, axis=1), values, u)
    rest = (0.0,) if drifts else ()
    return HysteresisFinding(
        count=len(arrivals),
        outside_um=found.combination(1.0, 0.5, *rest),
        inside_um=found.combination(1.0, -0.5, *rest),
        difference_um=found.combination(0.0, 1.0, *rest),
        middle_um=found.combination(1.0, 0.0, *rest),
        drift_um=found.combination(0.0, 0.0, 1.0) if drifts else None,
        scatter_um=found.residual_sd,
    )
