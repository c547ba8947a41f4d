"""What makes the alignment disk itself an uncertain ruler: how it is seated.

Several seatings give mean and spread of the
offset, and show whether the spread is of the scale or of the zero: a clamp that shifts the disk
along the lobes' axis makes both lobes larger or smaller and the scale with them, so that offset ×
sum of the lobes stays; what shifts the zero leaves the sum alone.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from app.analysis.results import Quantity
from app.analysis.uncertainty import excess_u, t_expanded, t_factor

_MAX_SEATINGS = 1000


@dataclass(frozen=True, slots=True)
class Seating:
    """A reading at one seating.

    Attributes
    ----------
    offset_um : Quantity
        Radial offset; u without what all seatings share (the uncertainty of the scale).
    sum_v : float
        First plus second lobe, above 0.
    place_turns : float or None
        Place of the first lobe's top, from the index.
    """

    offset_um: Quantity
    sum_v: float
    place_turns: float | None = None


class SpreadCause(StrEnum):
    """Where the spread of the offset comes from."""

    NOISE = "noise"
    """It is no more than each reading's own uncertainty explains."""
    SCALE = "scale"
    """It goes with the sum of the lobes: the clamp centres differently; even lobes stay even."""
    ZERO = "zero"
    """It does not: the disk's shape differs, and would at even lobes too."""
    BOTH = "both"
    UNDETERMINED = "undetermined"
    """There are fewer than three seatings."""


@dataclass(frozen=True, slots=True)
class SeatingFinding:
    """Mean and spread of several seatings.

    Attributes
    ----------
    offset_um : Quantity
        Mean, its u t-expanded.
    sd_um, standard_error_um : float
        Standard deviation of single seatings, and that of their mean, s/√n, not expanded.
    seatings_needed : int or None
        How many give the mean the expanded uncertainty wanted, at least 2; None where more than a
        thousand would be needed.
    scale_sd_um, zero_sd_um : float
        Spread that goes with the sum of the lobes, and what else is beyond noise.
    sum_sd_percent : float
        Standard deviation of the sum of the lobes: how much the scale differs.
    place_sd_turns : float or None
        Standard deviation of the first lobe's place.
    stands_out : int or None
        Which seating stands out, counted from 0 (Grubbs' test, 5 %).
    newest_um : Quantity or None
        What makes a reading of the newest seating, which still lies so, one of the mean of all;
        None where the spread is hardly more than what readings scatter.
    """

    count: int
    offset_um: Quantity
    sd_um: float
    standard_error_um: float
    seatings_needed: int | None
    cause: SpreadCause
    scale_sd_um: float
    zero_sd_um: float
    sum_sd_percent: float
    place_sd_turns: float | None
    stands_out: int | None
    newest_um: Quantity | None


def seating_of(seatings: Sequence[Seating], wanted_um: float) -> SeatingFinding:
    """Return mean and spread of seatings, in the order in which they were taken.

    Parameters
    ----------
    seatings : sequence of Seating
        At least two.
    wanted_um : float
        Expanded uncertainty (95 %) that the mean is to have.

    Raises
    ------
    ValueError
        With fewer than two seatings.
    """
    count = len(seatings)
    if count < 2:
        raise ValueError(f"{count} seatings have no spread; reseat and measure again")
    offsets = np.array([seating.offset_um.value for seating in seatings])
    u = np.array([seating.offset_um.u for seating in seatings])
    sums = np.array([seating.sum_v for seating in seatings])
    sd = float(np.std(offsets, ddof=1))
    error = sd / np.sqrt(count)
    # With few values their scatter may be small by chance: each one's own u is the least.
    mean_u = max(t_expanded(error, count - 1), float(np.sqrt(np.mean(u**2) / count)))
    scales = offsets.mean() * (sums.mean() / sums - 1.0)
    rest = offsets - scales
    zero_sd = float(np.sqrt(max(0.0, np.var(rest, ddof=1) - np.mean(u**2))))
    return SeatingFinding(
        count=count,
        offset_um=Quantity(float(offsets.mean()), float(mean_u)),
        sd_um=sd,
        standard_error_um=float(error),
        seatings_needed=seatings_needed(sd, wanted_um),
        cause=_cause(offsets, rest, u),
        scale_sd_um=float(np.std(scales, ddof=1)),
        zero_sd_um=zero_sd,
        sum_sd_percent=100.0 * float(np.std(sums, ddof=1) / sums.mean()),
        place_sd_turns=_place_sd(seatings),
        stands_out=outlier(offsets),
        newest_um=_to_mean(rest, zero_sd, float(u[-1])),
    )


def _to_mean(rest: NDArray[np.float64], zero_sd: float, newest_u: float) -> Quantity | None:
    """Return what is added to readings of the newest seating for the mean of all.

    Where noise is half of the spread, its distance from the mean is as likely noise.
    """
    if zero_sd <= 2.0 * newest_u:
        return None
    u = float(np.hypot(zero_sd / np.sqrt(len(rest)), newest_u))
    return Quantity(float(rest.mean() - rest[-1]), u, len(rest) - 1.0)


def seatings_needed(sd: float, wanted: float) -> int | None:
    """Return the least n with t(n − 1)·sd/√n within `wanted` at 95 %, None above a thousand."""
    counts = range(2, _MAX_SEATINGS + 1)
    # The more seatings, the less: what is wanted is met from some count on.
    place = bisect_left(
        counts, True, key=lambda count: bool(t_factor(count - 1) * sd <= wanted * np.sqrt(count))
    )
    return counts[place] if place < len(counts) else None


def grubbs_limit(count: int, significance: float = 0.05) -> float:
    """Return Grubbs' critical value for at least 3 values, two-sided (ISO 5725-2, 7.3.4)."""
    t = t_factor(count - 2, 1.0 - significance / count)
    return float((count - 1) / np.sqrt(count) * np.sqrt(t**2 / (count - 2 + t**2)))


def outlier(values: NDArray[np.float64], significance: float = 0.05) -> int | None:
    """Return which of values, shape (n,), stands out by Grubbs' test.

    None when none does or there are under 3.
    """
    if len(values) < 3:
        return None
    away = np.abs(values - values.mean())
    sd = float(np.std(values, ddof=1))
    place = int(np.argmax(away))
    return place if away[place] > grubbs_limit(len(values), significance) * sd else None


def _cause(
    offsets: NDArray[np.float64], rest: NDArray[np.float64], u: NDArray[np.float64]
) -> SpreadCause:
    if len(offsets) < 3:
        return SpreadCause.UNDETERMINED
    if excess_u(offsets, u) == 0.0:
        return SpreadCause.NOISE
    # Without what goes with the sum less than half the variance is left, or it is not that.
    scaled = float(np.var(rest)) < 0.5 * float(np.var(offsets))
    if not scaled:
        return SpreadCause.ZERO
    return SpreadCause.BOTH if excess_u(rest, u) > 0.0 else SpreadCause.SCALE


def _place_sd(seatings: Sequence[Seating]) -> float | None:
    places = [seating.place_turns for seating in seatings if seating.place_turns is not None]
    if len(places) < 2:
        return None
    # About the first, so that lobes to both sides of the index are not a turn apart.
    away = (np.array(places) - places[0] + 0.5) % 1.0
    return float(np.std(away, ddof=1))
