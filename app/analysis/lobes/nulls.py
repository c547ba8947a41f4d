"""What fills sharp nulls, told by the carrier's phase on its way through them.

A boundary passes the head's middle to and fro: its carrier turns round at each null, and on its way
is a straight line through nothing. What is added to it with a phase that stays (by an azimuth, by
a rest of another recording) moves that line aside, in both nulls alike. Of a beat, two tones of
which one is the stronger, the carrier goes half a turn on in both nulls: the line passes on the one
side in the first and on the other in the second. Noise has any phase, and is averaged away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.lobes.heights import MeanTurn
from app.analysis.results import Quantity
from app.analysis.uncertainty import excess_u

_REACH = 0.05
"""How far from a null the carrier's way is followed, in turns."""
_WIDER, _SPEED_TERMS = 3, 4
"""So many times as far its local frequency is, and by such a polynomial: noise leaves it open near
a null, where there is little power."""
_GAP_SPEED_TERMS, _LAGS = 3, 3
"""The same of a gap, whose bins are compared with so many that come after."""
_FEWEST_BINS, _FEWEST_BESIDE, _FOOT_TERMS = 10, 3, 3
_TERMS, _LAST_PART = 5, 0.02
"""Of the carrier's way through a null: a line, bent by the lobes and by what is left of the speed.
The last term is no more than this part of the mean height, one standard deviation, as a prior:
without it a plain boundary passes aside by half as much again as noise makes it."""
_SIGMAS, _PURE = 2.5, 0.4
_ROUNDS, _MOST_LEFT = 3, 1.0
"""What phase is left over, in radians, is looked for so often."""
_LEAST_WEIGHT, _TINY_V = 1e-6, 1e-30


@dataclass(frozen=True, slots=True)
class Aside:
    """By how far the carrier passes the nulls' middles aside, to the same side or to either."""

    alike_v: Quantity
    opposite_v: Quantity

    @property
    def runs_on(self) -> bool | None:
        """Whether the phase goes the same way through both nulls, None where it cannot be told."""
        alike, opposite = abs(self.alike_v.value), abs(self.opposite_v.value)
        least = _SIGMAS * max(self.alike_v.u, self.opposite_v.u)
        if max(alike, opposite) <= least or min(alike, opposite) > _PURE * max(alike, opposite):
            return None
        return opposite > alike


def aside(mean: MeanTurn, nulls: list[float], mean_height_v: float, rate_hz: float) -> Aside | None:
    """Return how the carrier passes through both nulls, None where it has no phase to tell by.

    Parameters
    ----------
    nulls : list of float
        Places of the nulls after the first lobe and after the second, in turns.
    """
    reach = _REACH * _frames(mean)
    half = int(reach / mean.series.frames_a_bin)
    if 2 * half < _FEWEST_BINS:
        return None
    around = _around(mean, nulls, _WIDER * half)
    pairs = np.flatnonzero(around.whole.reshape(-1, 2).all(axis=1))
    if len(pairs) < 2 or not mean.series.phasor_v.any():
        return None
    rows = (2 * pairs[:, None] + np.arange(2)).ravel()
    near = slice((_WIDER - 1) * half, (_WIDER + 1) * half + 1)
    carrier = _stopped(mean.series, around, rows, rate_hz, _SPEED_TERMS)[:, near]
    away, sigma_v = around.away[rows, near] / reach, mean.series.sigma_v[around.place[rows, near]]
    passed, u = _passed(carrier, away, sigma_v, _LAST_PART * mean_height_v)
    # From the first lobe's side of either null: through the second its carrier comes back.
    first, second = passed[::2], -passed[1::2]
    u = 0.5 * np.hypot(u[::2], u[1::2])
    return Aside(*(_mean(0.5 * (first + way * second), u) for way in (1.0, -1.0)))


def steady(mean: MeanTurn, gaps: list[float], reach: float, rate_hz: float) -> Quantity | None:
    """Return the power in V² that holds its phase in gaps, None where there is no phase.

    What neighbouring bins have in common is no noise of theirs, however little of that is known.

    Parameters
    ----------
    gaps, reach : list of float, float
        Their middles, and how far on either side they are empty, in turns.
    """
    series = mean.series
    half = int(reach * _frames(mean) / series.frames_a_bin - 0.5)
    if half < 1 or not series.phasor_v.any():
        return None
    wide = max(half, int(_WIDER * _REACH * _frames(mean) / series.frames_a_bin))
    around = _around(mean, gaps, wide)
    rows = np.flatnonzero(around.whole)
    if not rows.size:
        return None
    near = slice(wide - half, wide + half + 1)
    carrier = _stopped(series, around, rows, rate_hz, _GAP_SPEED_TERMS)[:, near]
    noise_v2 = 2.0 * np.mean(series.sigma_v[around.place[rows, near]] ** 2, axis=1)
    lags = range(1, min(_LAGS, carrier.shape[1] - 1) + 1)
    shared = [(carrier[:, lag:] * np.conj(carrier[:, :-lag])).real for lag in lags]
    products = np.concatenate(shared, axis=1)
    power, pairs = products.mean(axis=1), products.shape[1]
    u = np.sqrt((2.0 * np.maximum(power, 0.0) + noise_v2) * noise_v2 / (2.0 * pairs))
    return _mean(power, u)


def lean(
    mean: MeanTurn,
    gaps: list[float],
    reach: float,
    heights_v: tuple[float, float],
    rate_hz: float,
) -> Quantity | None:
    """Return by how much what is left in gaps moves the balance, None where there is no phase.

    What has a lobe's own phase there lifts that lobe, as far as it lies below it too, and lowers
    the one of opposite phase. Over all gaps and turns that is known far better than its power.

    Parameters
    ----------
    gaps, reach : list of float, float
        Middles of the gaps after each lobe, the first one's first, and how far on either side they
        are empty, in turns.
    heights_v : tuple of float
        Mean heights of first and second lobes.
    """
    series, turn_bins = mean.series, _frames(mean) / mean.series.frames_a_bin
    half, beside = int(max(reach * turn_bins - 0.5, 0.0)), int(0.5 * turn_bins / len(gaps))
    beside = min(beside, half + int(_WIDER * _REACH * turn_bins))
    if reach <= 0.0 or beside < half + _FEWEST_BESIDE or not series.phasor_v.any():
        return None
    around = _around(mean, gaps, beside)
    rows = np.flatnonzero(around.whole)
    if not rows.size:
        return None
    carrier = _stopped(series, around, rows, rate_hz, _GAP_SPEED_TERMS)
    within = carrier[:, beside - half : beside + half + 1]
    lobes = carrier[:, : beside - half].sum(axis=1), carrier[:, beside + half + 1 :].sum(axis=1)
    # In the middle: what the lobes' own feet leave there grows to either side.
    away = np.linspace(-1.0, 1.0, 2 * half + 1) if half else np.zeros(1)
    weights = np.linalg.pinv(away[:, None] ** np.arange(min(_FOOT_TERMS, half + 1)))[0]
    middle = within @ weights
    before_v, after_v = (_along(middle, lobe) for lobe in lobes)
    is_first = rows % 2 == 0
    first_v: NDArray[np.float64] = np.where(is_first, before_v, after_v)
    second_v: NDArray[np.float64] = np.where(is_first, after_v, before_v)
    total_v = sum(heights_v)
    moved = 2.0 * (heights_v[1] * first_v - heights_v[0] * second_v) / total_v**2
    sigma_v = np.sqrt(np.mean(series.sigma_v[around.place[rows]] ** 2, axis=1))
    return _mean(moved, 2.0 * sigma_v * float(np.linalg.norm(weights)) / total_v)


def _along(
    carrier_v: NDArray[np.complex128], lobe_v: NDArray[np.complex128]
) -> NDArray[np.float64]:
    """Return the part of each that is in phase with a lobe, shape (rows,)."""
    return (carrier_v * np.conj(lobe_v) / np.maximum(np.abs(lobe_v), _TINY_V)).real


@dataclass(frozen=True, slots=True)
class _Around:
    """Bins around places of each turn: where they lie in the series, how far away, all there."""

    place: NDArray[np.int64]
    away: NDArray[np.float64]
    whole: NDArray[np.bool_]


def _frames(mean: MeanTurn) -> float:
    return float(np.mean([turn.frames for turn in mean.turns]))


def _around(mean: MeanTurn, places: list[float], half: int) -> _Around:
    """Return so many bins on either side of each place of each turn, shape (rows, bins)."""
    series = mean.series
    starts = np.array([turn.start_frame for turn in mean.turns])[:, None]
    frames = np.array([turn.frames for turn in mean.turns])[:, None]
    middles = (starts + np.array(places) * frames).ravel()
    place, whole = series.around(middles, half)
    return _Around(place, series.centre_frame(place + series.first) - middles[:, None], whole)


def _stopped(
    series: EnvelopeSeries, around: _Around, rows: NDArray[np.intp], rate_hz: float, terms: int
) -> NDArray[np.complex128]:
    """Return the carrier turned back by its local frequency, from the middle on, (rows, bins).

    What fills a null lets the frequency stand out there, where there is little power: what is
    smooth through the rest is what the speed does to it.
    """
    place, away = around.place[rows], around.away[rows]
    reach = float(np.abs(away).max()) or 1.0
    columns = _powers(away / reach, terms)
    weight = np.maximum(series.power_v2[place], 0.0)
    weight += _LEAST_WEIGHT * weight.mean(axis=1, keepdims=True) + _TINY_V**2
    weighted = columns * weight[:, :, None]
    normal = weighted.transpose(0, 2, 1) @ columns
    right = weighted.transpose(0, 2, 1) @ series.carrier_hz[place][:, :, None]
    found = np.asarray(np.linalg.solve(normal, right), dtype=np.float64)
    # The integral of each power.
    found /= np.arange(1, terms + 1)[:, None]
    cycles = (columns @ found)[:, :, 0] * (away / rate_hz)
    stopped: NDArray[np.complex128] = series.phasor_v[place] * np.exp(-2j * np.pi * cycles)
    return stopped


def _powers(values: NDArray[np.float64], terms: int) -> NDArray[np.float64]:
    """Return so many powers of values from the noughth on, along a new last axis."""
    powers = np.ones((*values.shape, terms))
    # What is multiplied takes a tenth of what is raised to a power.
    for term in range(1, terms):
        np.multiply(powers[..., term - 1], values, out=powers[..., term])
    return powers


def _passed(
    carrier_v: NDArray[np.complex128],
    away: NDArray[np.float64],
    sigma_v: NDArray[np.float64],
    last_v: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how far left of nothing the carrier's way passes, and its u from noise, (rows,)."""
    columns = _powers(away, _TERMS)
    variance_v2 = np.mean(sigma_v**2, axis=1)
    normal = columns.transpose(0, 2, 1) @ columns
    normal[:, -1, -1] += variance_v2 / last_v**2
    inverse = np.linalg.inv(normal)
    found = np.zeros((len(away), _TERMS), dtype=np.complex128)
    for _ in range(_ROUNDS):
        found = (inverse @ (columns.transpose(0, 2, 1) @ carrier_v[:, :, None]))[:, :, 0]
        found *= np.exp(-1j * np.angle(found[:, 1:2]))
        # What bends the way to one side is phase that the local frequency has left over.
        bend = found[:, 2:].imag / np.maximum(found[:, 1:2].real, _TINY_V)
        left = (columns[:, :, 1:-1] @ bend[:, :, None])[:, :, 0]
        carrier_v = carrier_v * np.exp(-1j * np.clip(left, -_MOST_LEFT, _MOST_LEFT))
    u: NDArray[np.float64] = np.sqrt(variance_v2 * inverse[:, 0, 0])
    return found[:, 0].imag, u


def _mean(values: NDArray[np.float64], u: NDArray[np.float64]) -> Quantity:
    of_noise = float(np.linalg.norm(u)) / len(u)
    return Quantity(float(values.mean()), float(np.hypot(of_noise, excess_u(values, u))))
