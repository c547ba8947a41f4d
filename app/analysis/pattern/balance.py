"""From two heights to everything that is said of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from app.analysis import messages
from app.analysis.reading import Message, Quantity, Reading, Side, Sign
from app.analysis.signal.setup import Setup
from app.analysis.statistics.uncertainty import judge

MOST_UNCERTAIN = 0.10
"""Largest expanded uncertainty of the difference (k = 2) with which a reading is shown."""
ONE_LOBE_BELOW = 0.07
"""With the smaller lobe below this part of the taller there is but one."""

_ONE_LOBE = {
    None: messages.ONE_LOBE,
    Side.OUTWARD: messages.ONE_LOBE_OUTWARD,
    Side.INWARD: messages.ONE_LOBE_INWARD,
}


@dataclass(frozen=True, slots=True)
class Heights:
    """Heights of first and second lobe, and the balance with its own uncertainty.

    The balance (first − second)/(first + second) is that of the lobes in order of the turn,
    before anything is known of inward and outward.
    """

    first_v: Quantity
    second_v: Quantity
    balance: Quantity


def balance_of(first_v: float, second_v: float) -> float:
    """Return (first − second)/(first + second)."""
    return (first_v - second_v) / (first_v + second_v)


def balance_u(first_v: Quantity, second_v: Quantity) -> float:
    """Return the standard uncertainty of the balance of two independent heights."""
    total = first_v.value + second_v.value
    part = np.hypot(second_v.value * first_v.u, first_v.value * second_v.u)
    return float(2.0 * part / total**2)


def ratio_of(balance: Quantity) -> Quantity:
    """Return smaller/larger = (1 − |b|)/(1 + |b|)."""
    size = abs(balance.value)
    return Quantity((1.0 - size) / (1.0 + size), 2.0 * balance.u / (1.0 + size) ** 2)


def with_balance(reading: Reading, heights: Heights, sense: int | None, setup: Setup) -> Reading:
    """Complete a reading by all that follows from the heights.

    Parameters
    ----------
    reading : Reading
        With its ``sign``; reasons already there make it invalid.
    heights : Heights
        The lobes in order of the turn.
    sense : int or None
        +1 when the first lobe is the taller with the head outward, −1 when the second is, None
        when that is not known.
    setup : Setup
        Scale and limits.
    """
    lower = min(heights.first_v.value, heights.second_v.value)
    upper = max(heights.first_v.value, heights.second_v.value)
    side = _side(heights.balance, sense)
    if upper <= 0.0:
        return invalid(reading, messages.NO_PATTERN)
    if lower < ONE_LOBE_BELOW * upper:
        return far_off(reading, heights.first_v.value > heights.second_v.value, sense)
    value = heights.balance.value * sense if sense is not None else abs(heights.balance.value)
    balance = Quantity(value, heights.balance.u)
    first, second = heights.first_v, heights.second_v
    if sense is None and second.value > first.value:
        first, second = second, first
    ratio = ratio_of(balance)
    difference = Quantity(1.0 - ratio.value, ratio.u)
    offset_u = np.hypot(setup.scale_um * balance.u, setup.scale_u_um * balance.value)
    completed = replace(
        reading,
        first_v=first,
        second_v=second,
        balance=balance,
        ratio=ratio,
        difference=difference,
        offset_um=Quantity(setup.scale_um * balance.value, float(offset_u)),
        calibrated=setup.calibrated,
        side=side,
        set_limit=judge(difference, setup.set_limit),
        check_limit=judge(difference, setup.check_limit),
    )
    if 2.0 * difference.u > MOST_UNCERTAIN or not np.isfinite(difference.u):
        return invalid(completed, messages.TOO_UNCERTAIN)
    if completed.reasons:
        return invalid(completed)
    return completed


def invalid(reading: Reading, *reasons: Message) -> Reading:
    """Return the reading without the numbers that must not be shown, and with the reasons."""
    return replace(
        reading,
        valid=False,
        reasons=(*reading.reasons, *reasons),
        first_v=None,
        second_v=None,
        balance=None,
        ratio=None,
        difference=None,
        offset_um=None,
        set_limit=None,
        check_limit=None,
    )


def far_off(reading: Reading, first_is_left: bool, sense: int | None) -> Reading:
    """Return the reading of a turn with but one lobe: the side is told where the sign is known."""
    side = None
    if sense is not None:
        side = Side.OUTWARD if first_is_left == (sense > 0) else Side.INWARD
    return invalid(replace(reading, side=side), _ONE_LOBE[side])


def sign_of(sense: int | None, *, taught: bool) -> Sign:
    """Return what is known of the sign."""
    if sense is None:
        return Sign.UNKNOWN
    return Sign.TAUGHT if taught else Sign.KNOWN


def _side(balance: Quantity, sense: int | None) -> Side | None:
    if sense is None or abs(balance.value) <= 2.0 * balance.u:
        return None
    return Side.OUTWARD if balance.value * sense > 0.0 else Side.INWARD
