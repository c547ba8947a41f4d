"""The third harmonic of a carrier near a quarter of the sample rate.

Sampled at four phases it lies on the carrier itself: no spectrum parts them, and no kurtosis tells.
But as the sampling drifts through the carrier's phase φ it now adds to the amplitude and now takes
away: the power goes as 1 + 2r cos 4φ, r the harmonic's part. What bends by the cube takes three
times its third harmonic off the carrier, and makes it grow as the square of the amplitude.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import Bins, EnvelopeSeries, median_of, quantile_of
from app.analysis.results import Quantity

_REACH = 0.15
"""Part of the way from lobe to lobe that is looked at on either side of a top."""
_MOST_DRIFT, _LEAST_LEFT = 2.5, 0.1
"""Cycles of 4φ within a bin, and what of it they leave: with more and less it is no tell."""
_FEWEST_LOBES, _FEWEST_BINS = 3, 24
_LOSS_A_HARMONIC = 3.0
_MOST_ALIKE = 1e6
_MOST_U = 0.02
"""Known no better, as where carrier and sampling are locked and 4φ stands still, it is no tell."""

_TINY = 1e-30
_STRONG, _CLEAR, _AS_USUAL = 0.1, 50.0, 4.0
"""Power over the greatest, and over a bin's variance, above which it tells of a ripple: of noise 4φ
is anything. What changes by more than so many times the middle change is a group's edge."""
_SURE_SIGMAS, _LEAST_RIPPLE, _MOST_RIPPLE = 6.0, 0.01, 0.4
_ROUNDS, _KEPT_BINS = 3, 10_000
_OTHER, _OTHER_BINS = 100.0, 1000
"""Bins that differ from their neighbours by so many times the power of all before are noise that
comes and goes; once so many of them have come in a row it is the signal that has changed."""


class Ripple:
    """Takes the ripple of a harmonic on the carrier out of bins as they come.

    From bin to bin: what lobes, disk and hand do to the amplitude is slower, as long as 4φ drifts.
    """

    def __init__(self, frames_a_bin: int, rate_hz: float) -> None:
        self._frames_a_bin = frames_a_bin
        self._rate_hz = rate_hz
        self._greatest_v2 = 0.0
        self._sums, self._part = np.zeros((3, 3)), np.zeros(2)
        self._others = 0

    def taken_out(self, bins: Bins) -> Bins:
        """Return bins without the ripple that these and all before them show."""
        if bins.phasor_v is None or not bins.ok.any():
            return bins
        # Another track may be under the head by now.
        kept = max(0.0, 1.0 - len(bins.ok) / _KEPT_BINS)
        highest_v2 = quantile_of(bins.power_v2[bins.ok], 0.95)
        self._greatest_v2 = max(kept * self._greatest_v2, highest_v2)
        clear_v2 = np.maximum(_STRONG * self._greatest_v2, _CLEAR * bins.sigma_v**2)
        strong = bins.ok & (bins.power_v2 > clear_v2)
        if not strong.any():
            return bins
        drift = _drift(median_of(bins.carrier_hz[strong]), self._rate_hz, self._frames_a_bin)
        if abs(drift) > _MOST_DRIFT:
            return bins
        seen = _angle(bins.phasor_v, self._frames_a_bin)
        level = 0.5 * np.log(np.where(strong, bins.power_v2, 1.0))
        columns = self._columns(seen)
        new = _sums_of(level, columns, strong)
        before = kept * self._of_alike(new)
        for _ in range(_ROUNDS):
            if not self._others:
                self._sums = before + _sums_of(level, columns, strong)
            self._solve()
            columns = self._columns(seen)
        if not self._part.any():
            return bins
        return replace(bins, power_v2=bins.power_v2 / (1.0 + 2.0 * columns @ self._part))

    def _of_alike(self, new: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the sums of what came before, as far as new ones are of the same signal."""
        (count, square), (many, before) = new[0, :2], self._sums[0, :2]
        if not count or not many:
            return self._sums
        times = (square / count) / max(before / many, _TINY)
        self._others = self._others + int(count) if times > _OTHER else 0
        if times * _OTHER < 1.0 or self._others > _OTHER_BINS:
            self._others = 0
            return np.zeros((3, 3))
        return self._sums

    def _columns(self, seen: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return cosine and sine of 4φ: the harmonic moves the phase that is seen, too."""
        angle = seen
        for _ in range(_ROUNDS):
            cosine, sine = np.cos(angle), np.sin(angle)
            angle = seen + 4.0 * (self._part[0] * sine - self._part[1] * cosine)
        return np.stack([np.cos(angle), np.sin(angle)], axis=1)

    def _solve(self) -> None:
        """Find the harmonic's part, where it is beyond doubt."""
        count, normal, right = self._sums[0, 0], self._sums[1:, 1:], self._sums[1:, 0]
        square = self._sums[0, 1]
        self._part = np.zeros(2)
        if count < _FEWEST_BINS or np.linalg.cond(normal) > _MOST_ALIKE:
            return
        inverse = np.linalg.inv(normal)
        found = inverse @ right
        rest = max(square - float(found @ right), 0.0) / (count - 2.0)
        least = _SURE_SIGMAS * float(np.sqrt(rest * np.trace(inverse)))
        if max(least, _LEAST_RIPPLE) < np.hypot(*found) < _MOST_RIPPLE:
            self._part = found


def _sums_of(
    level: NDArray[np.float64], columns: NDArray[np.float64], strong: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return count and square beside products, shape (3, 3), of how bins differ from neighbours.

    A bin weighs as its power does, the inverse of what noise does to its level.
    """
    sums = np.zeros((3, 3))
    middle = strong[1:-1] & strong[:-2] & strong[2:]
    if not middle.any():
        return sums
    bend, turned = (
        (each[1:-1] - 0.5 * (each[:-2] + each[2:]))[middle] for each in (level, columns)
    )
    usual = np.abs(bend) <= _AS_USUAL * median_of(np.abs(bend))
    weight_v = np.exp(level[1:-1][middle][usual])
    bend, turned = weight_v * bend[usual], weight_v[:, None] * turned[usual]
    sums[0, :2] = len(bend), bend @ bend
    sums[1:, 0], sums[1:, 1:] = turned.T @ bend, turned.T @ turned
    return sums


def _drift(carrier_hz: float, rate_hz: float, frames_a_bin: int) -> float:
    """Return by how many cycles 4φ goes on from bin to bin."""
    return (4.0 * carrier_hz / rate_hz - 1.0) * frames_a_bin


def _angle(phasor_v: NDArray[np.complex128], frames_a_bin: int) -> NDArray[np.float64]:
    """Return 4φ of bins: middles of those of an even number of frames lie between two of them."""
    return 4.0 * np.angle(phasor_v) + np.pi * (frames_a_bin % 2 == 0)


def loss_beyond(
    series: EnvelopeSeries, centre_frames: NDArray[np.float64], taller: int, rate_hz: float
) -> Quantity | None:
    """Return by which part the taller lobes lost more than the lower, None where 4φ tells nothing.

    Parameters
    ----------
    centre_frames : numpy.ndarray
        float64, shape (n, 2): middles of first and second lobes.
    taller : int
        Which of both is the taller.
    """
    way = median_of(np.diff(np.sort(centre_frames, axis=None)))
    half = int(_REACH * way / series.frames_a_bin)
    carriers = series.carrier_hz[series.ok]
    if half < 1 or not carriers.size or not series.phasor_v.any():
        return None
    drift = _drift(median_of(carriers), rate_hz, series.frames_a_bin)
    left = float(np.sinc(drift))
    if abs(drift) > _MOST_DRIFT or abs(left) < _LEAST_LEFT:
        return None
    tall, low = (_harmonic(series, centre_frames[:, which], half) for which in (taller, 1 - taller))
    if tall is None or low is None:
        return None
    part = _LOSS_A_HARMONIC / left
    u = abs(part) * float(np.hypot(low.u, tall.u))
    return Quantity(part * (low.value - tall.value), u) if u <= _MOST_U else None


def _harmonic(
    series: EnvelopeSeries, centre_frames: NDArray[np.float64], half: int
) -> Quantity | None:
    """Return the harmonic's part of the carrier about the tops, below 0 where it flattens them."""
    place, whole = series.around(centre_frames, half)
    power = series.power_v2[place]
    whole &= np.all(power > 0.0, axis=1)
    place, power = place[whole], power[whole]
    if len(place) < _FEWEST_LOBES or place.size < _FEWEST_BINS:
        return None
    angle = _angle(series.phasor_v[place], series.frames_a_bin)
    values = np.stack([0.5 * np.log(power), np.cos(angle), np.sin(angle)], axis=-1)
    each = [_regressed(*left) for left in (_by_lobe(values, half), _by_place(values))]
    return min(each, key=lambda quantity: quantity.u)


def _by_lobe(values: NDArray[np.float64], half: int) -> tuple[NDArray[np.float64], ...]:
    """Return amplitude and harmonic less a parabola in each lobe."""
    away = np.linspace(-1.0, 1.0, 2 * half + 1)
    columns = away[:, None] ** np.arange(min(3, half + 1))
    left = values - columns @ (np.linalg.pinv(columns) @ values)
    return left[..., 0], left[..., 1], left[..., 2]


def _by_place(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Return the same less the mean of all lobes at each place, and what goes evenly with time."""
    left = values - values.mean(axis=0)
    time = np.linspace(-1.0, 1.0, len(values))[:, None, None]
    left = left - time * np.sum(time * left, axis=0) / np.sum(time**2)
    return left[..., 0], left[..., 1], left[..., 2]


def _regressed(
    amplitude: NDArray[np.float64], cosine: NDArray[np.float64], sine: NDArray[np.float64]
) -> Quantity:
    """Return how amplitude goes with cosine, and its u by bins or by lobes, whichever is more."""
    columns = np.stack([cosine, sine], axis=-1)
    flat = columns.reshape(-1, 2)
    normal = flat.T @ flat
    if np.linalg.cond(normal) > _MOST_ALIKE:
        return Quantity(0.0, float("inf"))
    inverse = np.linalg.inv(normal)
    found = inverse @ (flat.T @ amplitude.ravel())
    rest = amplitude - columns @ found
    alone = float(np.sum(rest**2)) / max(rest.size - 2, 1) * inverse[0, 0]
    scores = np.sum(columns * rest[..., None], axis=1)
    by_lobes = float((inverse @ (scores.T @ scores) @ inverse)[0, 0])
    return Quantity(float(found[0]), float(np.sqrt(max(alone, by_lobes))))
