"""A signal that comes mixed down: which carrier it had, and where one is seen.

A switch that turns the signal over at the mixing frequency multiplies it by a square wave, whose
lines are the odd harmonics, the third a third as strong as the first. A carrier is then seen at its
distance from such a line; on which side of which it was the nominal carrier tells.
"""

from __future__ import annotations

_HARMONICS = (1, 3)
MIXED_PART = 0.01
"""Another side of the switch may lie as near as a thirtieth: 129.5 kHz beside 125, with 96. What is
further than this from the nominal carrier, at the speed found, is not taken for it."""


def carrier_before(seen_hz: float, mixed_hz: float | None, *nominal_hz: float) -> float:
    """Return the carrier that is seen at a frequency: of those that it may be, the likeliest.

    Parameters
    ----------
    seen_hz : float
        Where the line is.
    mixed_hz : float or None
        Of the switch, None where the signal comes as it is.
    nominal_hz : float
        What the carrier may be, at least one.
    """
    if mixed_hz is None:
        return seen_hz
    possible = [abs(each * mixed_hz + side * seen_hz) for each in _HARMONICS for side in (1, -1)]
    return min(possible, key=lambda hz: min(abs(hz / nominal - 1.0) for nominal in nominal_hz))


def seen_at(carrier_hz: float, mixed_hz: float | None) -> float:
    """Return where a carrier is seen."""
    if mixed_hz is None:
        return carrier_hz
    return min(abs(carrier_hz - each * mixed_hz) for each in _HARMONICS)
