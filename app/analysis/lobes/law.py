"""What the shape of the lobes tells of the law between the head and the envelope.

Over its span a lobe of one pair a turn is a cosine of the disk's angle and a constant, and a linear
detector leaves it so. A logarithm makes tops flat and flanks steep, and so does the edge of a head
that is too narrow. A knee rounds the foot, where straight flanks would end: what lies above their
ends tells what it keeps of tops. Where the flanks of two lobes end in one place, as over a
boundary, nothing was kept. Groups are flat themselves and show nothing of a law.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.detector import KNEE_U
from app.analysis.envelope.series import median_of
from app.analysis.envelope.setup import Setup
from app.analysis.lobes.heights import TURN_BINS, MeanTurn
from app.analysis.lobes.layout import Layout, closed, smoothed
from app.analysis.lobes.turns import bins_of
from app.analysis.results import Quantity

_LAW_U = 3.0
"""Standard uncertainty of a balance behind a law that is not known, as a part of it: a logarithm
over three decades leaves a seventh of it."""
_DOWN_TO = 0.3
"""So far down its flanks a lobe is looked at, as a part of its height."""
_LEAST_V_PART = 1e-3
_MOST_BEND, _MOST_BEND_U, _SIGMAS = 1.0, 0.4, 2.0
"""A square root bends by 1, a logarithm over 0.8 decades or more by 1.8 and more, a disk that is
uneven by a tenth once a turn by 0.2."""
_LEVEL, _LEVEL_SIGMAS = 8.0, 3.0
_LEVELS = np.linspace(0.0, _LEVEL, 33).tolist()
"""What bends by as much is level: a logarithm over three decades bends by 6.9."""
_FEWEST_PLACES = 12
_DROP_ROUNDS, _DROP_SIGMAS, _SD_OF_MEDIAN = 4, 5.0, 1.4826
"""Places so far below what fits the others have a drop-out in one of their turns."""
_KEPT_U, _UNSTATED_U = 0.02, 0.1
"""Standard uncertainty of what a detector keeps of tops beyond a threshold that is stated, as a
part of the taller: a tenth that is not told is five of it (common practice). The second is where
none is stated: rectangular, up to a sixth. Where it is stated to keep nothing there is its knee."""
_FLANKS_DOWN_TO, _FOOT = 0.4, 0.04
"""Flanks are gone by down to this part of a lobe's height, and looked at where they would end, so
many parts of the taller around that."""
_KEPT_OF_LIFT = 2.2
"""Knees that are a square at their foot, and hyperbolas, keep 3.5 to 4 times of tops what they
lift the foot by: a head's fringe that rounds it keeps nothing."""
_MOST_OF_LIFT = 10.0
"""A diode keeps ten times what it lifts: its threshold is a fifth of a volt or more, its knee some
30 mV wide (common practice)."""
_CHANCE = 2.0
"""Of a lift squared so many variances are chance."""
_LEAST_KEPT, _BELOW_SIGMAS = 0.002, 2.0
_COSINE_BEND = 0.25
"""Lobes that bend by more either way are no cosines, and their flanks end nowhere."""
_CUBIC_BEND = 6.0
"""What takes a small part off a top by the cube bends it by six times that part."""
_BESIDE = 0.45
"""Beyond so much of the turn from its middle no lobe goes on."""


def unknown_law_u(turn: MeanTurn, layout: Layout, balance: float) -> float:
    """Return the standard uncertainty of a balance from a law of which nothing is stated.

    It is 0 where the lobes show a linear one.
    """
    return 0.0 if _is_linear(turn, layout) else _LAW_U * abs(balance)


def _is_linear(turn: MeanTurn, layout: Layout) -> bool:
    """Return whether a lobe shows that what it went through is no more bent than a linear law."""
    if layout.pairs > 1 or layout.windows is not None:
        return False
    return any(
        bend.u < _MOST_BEND_U and bend.value + _SIGMAS * bend.u < _MOST_BEND
        for bend in (bend_of(turn, centre) for centre in layout.centres.tolist())
        if bend is not None
    )


def bend_of(turn: MeanTurn, centre: float) -> Quantity | None:
    """Return how a law bends at a lobe's top, None where the lobe is flat or too narrow.

    Height times second derivative over the square of the first, turned over: 0 of a linear law,
    also behind a threshold, 1/n - 1 of a power n, and D ln 10 of a logarithm over D decades.
    """
    middle = round(centre * TURN_BINS - 0.5)
    places = np.arange(middle - TURN_BINS // 4, middle + TURN_BINS // 4 + 1)
    amplitude = turn.amplitude_v[places % TURN_BINS]
    half = len(places) // 2
    top = median_of(amplitude[half - 3 : half + 4])
    below = np.flatnonzero(amplitude < _DOWN_TO * top)
    start = int(below[below < half].max(initial=-1)) + 1
    end = int(below[below > half].min(initial=len(places)))
    if top <= 0.0 or end - start < _FEWEST_PLACES:
        return None
    value = amplitude[start:end]
    power_u = turn.u_v2[places[start:end] % TURN_BINS]
    u = np.maximum(power_u / (2.0 * np.maximum(value, _DOWN_TO * top)), _LEAST_V_PART * top)
    angle = 2.0 * np.pi * ((places[start:end] + 0.5) / TURN_BINS - centre)
    fall = np.cos(angle) - 1.0
    columns = np.stack([np.ones_like(fall), np.sin(angle), fall, fall**2], axis=1) / u[:, None]
    values = value / u
    found, rest, covariance = _fit_of(columns, values)
    for _ in range(_DROP_ROUNDS):
        low = rest < -_DROP_SIGMAS * max(1.0, _SD_OF_MEDIAN * median_of(np.abs(rest)))
        # Where a half of the lobe is low it is no drop-out.
        if not low.any() or len(columns) - np.count_nonzero(low) < len(value) // 2:
            break
        columns, values = columns[~low], values[~low]
        found, rest, covariance = _fit_of(columns, values)
    covariance *= max(1.0, float(rest @ rest) / len(rest))
    height, slope, curve = (float(found[at]) for at in (0, 2, 3))
    if slope == 0.0:
        return None
    bend = -2.0 * curve * height / slope**2
    by = np.array([-2.0 * curve / slope**2, 0.0, -2.0 * bend / slope, -2.0 * height / slope**2])
    u = float(np.sqrt(max(by @ covariance @ by, 0.0)))
    if bend <= _LEVEL:
        return Quantity(bend, u)
    # Of a top that hardly falls the quotient's own u has no meaning: what it surely exceeds has.
    least = max(
        (each for each in _LEVELS if _exceeds(height, slope, curve, covariance, each)), default=0.0
    )
    return Quantity(_LEVEL, min(u, (_LEVEL - least) / _LEVEL_SIGMAS))


def bent_u(bend: Quantity | None, heights_v: tuple[float, float]) -> float:
    """Return the standard uncertainty of a balance from a top that an amplifier bends by the cube.

    Parameters
    ----------
    bend : Quantity or None
        Of the taller lobe; what chance bends it by is left out.
    """
    lower, upper = sorted(heights_v)
    if bend is None or bend.value <= _LEVEL_SIGMAS * bend.u:
        return 0.0
    beyond = float(np.sqrt(max(bend.value**2 - _CHANCE * bend.u**2, 0.0)))
    lost = beyond / _CUBIC_BEND * (1.0 - (lower / upper) ** 2)
    return 2.0 * lower * upper / (lower + upper) ** 2 * lost


def _exceeds(
    height: float, slope: float, curve: float, covariance: NDArray[np.float64], bend: float
) -> bool:
    """Return whether a top bends by more than so much beyond doubt (Fieller's theorem)."""
    by = np.array([-2.0 * curve, 0.0, -2.0 * bend * slope, -2.0 * height])
    beyond = -2.0 * curve * height - bend * slope**2
    return beyond > _LEVEL_SIGMAS * float(np.sqrt(max(by @ covariance @ by, 0.0)))


def _fit_of(
    columns: NDArray[np.float64], values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return a fit of values by columns, what it leaves of them, and the fit's covariance."""
    covariance = np.asarray(np.linalg.pinv(columns.T @ columns), dtype=np.float64)
    found: NDArray[np.float64] = covariance @ (columns.T @ values)
    return found, values - columns @ found, covariance


def kept_u_v(turn: MeanTurn, layout: Layout, heights_v: tuple[float, float], setup: Setup) -> float:
    """Return the standard uncertainty of both heights from what a detector does to amplitudes."""
    top_v = max(heights_v)
    if setup.law is not None:
        return float(np.hypot(setup.law.u_v, setup.carrier_is_beyond_proof * KNEE_U * top_v))
    threshold_v = setup.detector_threshold_v or 0.0
    if threshold_v > 0.0:
        # Of what is not let through no foot is left.
        tolerance_v = threshold_v * setup.detector_threshold_part / np.sqrt(3.0)
        return float(np.hypot(_KEPT_U * top_v, tolerance_v))
    kept = _UNSTATED_U if setup.detector_is_unproved else KNEE_U
    feet = feet_of(turn, layout)
    if feet is None:
        return kept * top_v
    lift = feet.lift.value
    beyond = float(np.sqrt(max(lift**2 - _CHANCE * feet.lift.u**2, 0.0)))
    # What was never negative was moved down by as much as it is below zero.
    knee = max(_KEPT_OF_LIFT * beyond if lift > 0.0 else 0.0, feet.below)
    if setup.low_corner_hz:
        # There the nulls have been made the level that all is told from.
        return max(kept, knee) * top_v
    most = float(np.hypot(max(feet.apart.value, _LEAST_KEPT), feet.apart.u))
    if not setup.detector_is_unproved:
        most = min(most, max(_MOST_OF_LIFT * (abs(lift) + feet.lift.u), _LEAST_KEPT))
    return max(min(kept, most), knee) * top_v


class Feet(NamedTuple):
    """What is left where the flanks of two lobes would end, as parts of the taller one.

    Attributes
    ----------
    lift : Quantity
        How far the envelope stands above the flanks' ends.
    apart : Quantity
        How far below nothing the flanks of both meet: what is kept of either, if it is a boundary.
    below : float
        How far the envelope goes below zero, beyond chance.
    """

    lift: Quantity
    apart: Quantity
    below: float


def feet_of(turn: MeanTurn, layout: Layout) -> Feet | None:
    """Return how the flanks of a turn's two lobes end, None of others and where nothing shows."""
    if layout.pairs > 1 or layout.windows is not None:
        return None
    bends = [bend_of(turn, centre) for centre in layout.centres.tolist()]
    if any(
        bend is not None and abs(bend.value) > _COSINE_BEND + _SIGMAS * bend.u for bend in bends
    ):
        return None
    value, u = _mean_of(turn)
    shape = smoothed(closed(turn.power_v2))
    flanks = [_flanks(value, u, shape, centre) for centre in layout.centres.tolist()]
    if not all(flanks):
        return None
    levels = np.stack([each.level for each in flanks if each is not None])
    top = float(levels.max())
    higher = np.argmax(levels, axis=0)
    end = levels.max(axis=0)
    foot = np.abs(end) < _FOOT * top
    count = int(np.count_nonzero(foot))
    if count < _FEWEST_PLACES:
        return None
    lift = float(np.sum((value - np.maximum(end, 0.0))[foot])) / count
    variance = float(np.sum(u[foot] ** 2)) / count**2
    apart = apart_variance = 0.0
    for number, each in enumerate(flanks):
        assert each is not None
        by = each.columns[foot & (higher == number) & (end > 0.0)].sum(axis=0) / count
        variance += float(by @ each.covariance @ by)
        apart -= 0.5 * float(each.found[0] - each.found[1])
        apart_variance += 0.25 * float(_TO_CONSTANT @ each.covariance @ _TO_CONSTANT)
    return Feet(
        Quantity(lift / top, float(np.sqrt(variance)) / top),
        Quantity(apart / top, float(np.sqrt(apart_variance)) / top),
        max(-float(np.min(smoothed(value) + _BELOW_SIGMAS * smoothed(u))) / top, 0.0),
    )


_TO_CONSTANT = np.array([1.0, -1.0, 0.0])


class _Flanks(NamedTuple):
    """A lobe's upper part gone on with: a height, a cosine's fall, and a lean."""

    level: NDArray[np.float64]
    columns: NDArray[np.float64]
    found: NDArray[np.float64]
    covariance: NDArray[np.float64]


def _flanks(
    value: NDArray[np.float64], u: NDArray[np.float64], shape: NDArray[np.float64], centre: float
) -> _Flanks | None:
    away = ((np.arange(TURN_BINS) + 0.5) / TURN_BINS - centre + 0.5) % 1.0 - 0.5
    low = shape < _FLANKS_DOWN_TO**2 * shape[np.argmin(np.abs(away))]
    start = float(np.max(away, initial=-0.25, where=low & (away < 0.0)))
    end = float(np.min(away, initial=0.25, where=low & (away > 0.0)))
    upper = (away > start) & (away < end)
    if np.count_nonzero(upper) < _FEWEST_PLACES:
        return None
    angle = 2.0 * np.pi * away
    columns = np.stack([np.ones_like(angle), np.cos(angle) - 1.0, np.sin(angle)], axis=1)
    weight = 1.0 / np.maximum(u[upper], _LEAST_V_PART * float(value[upper].max()))
    weighted = columns[upper] * weight[:, None]
    covariance = np.linalg.pinv(weighted.T @ weighted)
    found = covariance @ (weighted.T @ (value[upper] * weight))
    rest = value[upper] * weight - weighted @ found
    covariance *= max(1.0, float(rest @ rest) / len(rest))
    level = np.where(np.abs(away) < _BESIDE, columns @ found, -np.inf)
    return _Flanks(level, columns, found, np.asarray(covariance, dtype=np.float64))


def _mean_of(turn: MeanTurn) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a detector's output averaged by place, and its u, shape (bins,).

    A mean power is none of what is below zero by noise.
    """
    series = turn.series
    bins, place, _ = bins_of(series, turn.turns)
    fine = series.ok[bins]
    bins, where = bins[fine], np.clip((place[fine] * TURN_BINS).astype(np.int64), 0, TURN_BINS - 1)
    variance = series.sigma_v[bins] ** 2
    square = series.power_v2[bins] + variance
    counts = np.bincount(where, minlength=TURN_BINS)
    known = np.flatnonzero(counts)
    sums = np.bincount(where, np.sign(square) * np.sqrt(np.abs(square)), TURN_BINS)
    spread = np.sqrt(np.bincount(where, variance, TURN_BINS))
    every = np.arange(TURN_BINS)
    value, u = (
        np.interp(every, known, each[known] / counts[known], period=TURN_BINS)
        for each in (sums, spread)
    )
    return value, u
