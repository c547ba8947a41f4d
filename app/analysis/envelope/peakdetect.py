"""From pairs of lowest and highest samples, as a scope's peak detect keeps them, to the envelope.

A pair covers a stretch in which the carrier swings many times: half its difference is the
amplitude, made larger by noise. Where there is no signal that is the noise's own, the floor, which
the nulls show. The highest of n samples of noise lies at E(n) standard deviations and scatters by
S(n) of them, so from the floor's height over its scatter follows n. On a carrier only the samples
near a crest can be the highest, fewer of them the higher the carrier is, and so the noise adds
less: how much is the mean of the same distribution, the carrier's samples spread evenly over its
phase.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from math import ceil, erfc, sqrt

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.clipping import untold_bend
from app.analysis.envelope.converter import extreme_u_v, step_of
from app.analysis.envelope.rails import RailWatch
from app.analysis.envelope.series import Bins, EnvelopeSeries, SignalPath, sd_of_steps
from app.analysis.envelope.setup import Columns
from app.analysis.results import Message

_LOW = 0.005
_NEAR = 1.6
_CLUMP = 4.5
_ROUNDS = 3
_SMOOTH = 0.03
"""The nulls hold the lowest pairs: the floor is the middle of those up to so many of their standard
deviations above nearly the lowest of all, which lies about two below the middle. As a null may be
but a crossing, running means are taken whose standard deviation is so small a part of the floor."""
_MIN_STEPS = 8
_BELOW_QUIET = 0.9
"""Lowest pairs over those of the quiet input below which that was of other settings."""
_EXTREMES = 2.0
"""In a pair, of each channel with its own noise: the difference of two channels has four."""
_MIDDLE = 2.5
_MIDDLE_U = 0.5
"""The middle is no higher above nearly the lowest; of what it seems to be, so much goes into u."""
_SHARP = 0.06
_SHARP_U = 0.3
"""Where so small a part of the pairs is near the lowest, hardly one is without a carrier."""
_LEFT_U = 0.1
"""Standard uncertainty of the part of the floor that is left on a signal: as much as it changes
with ten times more or fewer samples."""
_LOWEST_U = 0.5
"""The same as a part of the lowest pairs, where too few are alike to be a floor."""
_SCATTER_U = 10.0
"""The same in scatters, where all is signal: the noise of pairs of some thousand samples."""
_MAX_UNKNOWN = 0.02
"""The same as a part of the signal, above which it has to be known."""
_USUAL_LOG2 = 10.0
"""Taken where there are too few pairs without a signal to know."""
_LOG2 = np.arange(3.0, 24.25, 0.25)
_STEEP = 25.0
"""No noise has a floor so high over its scatter: that is a signal without gaps, if it is not so
low that the converter's steps hide the scatter."""
_HIDDEN = 0.05
_HALF_WIDE, _FEW_BETWEEN = 0.08, 0.12
"""With half of the pairs at one level, half at another and so few between, groups have as much room
between them, or they have two heights and no room."""
_LEAST_PART, _SURE_PART, _LEAST_SCATTERS = 0.1, 0.35, 1.2
"""A lower level above the second part of the higher may be a group's; below the first it would not
be read. Between them the higher level of a carrier scatters more than noise alone by the last."""
_SIGNALS = np.array([0.0, 1.0, 1.5, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 256, 512])
"""Amplitudes in standard deviations of the noise."""
_STEP = 0.05
_ABOVE = np.arange(-4.0, 8.0, _STEP)
_PHASES = np.cos((np.arange(96) + 0.5) * np.pi / 96)
_PLACES = np.arange(-9.0, 9.0, 0.01)


@dataclass(frozen=True, slots=True)
class Floor:
    """The floor of a record.

    Attributes
    ----------
    height_v : float
        Mean amplitude that the pairs show where there is no signal, 0 without noise.
    u_v : float
        Standard uncertainty of what is left of it on a signal.
    known : bool
        False when noise and signal could not be separated, and that matters.
    log2_samples : float
        Samples of independent noise in a pair, as a power of two.
    """

    height_v: float = 0.0
    u_v: float = 0.0
    known: bool = True
    log2_samples: float = _USUAL_LOG2

    def taken_from(self, shown_v: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the carrier's amplitudes behind those that the pairs show.

        Parameters
        ----------
        shown_v : numpy.ndarray
            float64, shape (n,): half the difference of each pair, in volts.
        """
        if self.height_v <= 0.0:
            return shown_v
        carrier, shown = _response(round(4.0 * self.log2_samples))
        over = shown_v / self.height_v
        # Below the floor, where only chance leads, and beyond the table it goes on straight.
        outside = over - np.clip(over, shown[0], shown[-1])
        return self.height_v * (np.interp(over, shown, carrier) + outside)


def floor_of(size_v: NDArray[np.float64], inputs: int = 1) -> Floor:
    """Return the floor that a record's nulls show.

    Parameters
    ----------
    size_v : numpy.ndarray
        float64, shape (pairs,): amplitude that each pair shows, in volts.
    inputs : int
        Channels that the pairs are the difference of, each with its own noise.
    """
    low, top = float(np.quantile(size_v, _LOW)), float(size_v.max())
    if low <= 0.0:
        return Floor()
    steps = np.diff(size_v)
    highest, scatter = _NEAR * low, 0.0
    for _ in range(_ROUNDS):
        near = size_v <= highest
        # From one to the next: the slope of a lobe hardly counts.
        alike = steps[near[1:] & near[:-1]]
        if alike.size < _MIN_STEPS:
            return _doubtful(low, _LOWEST_U * low, top)
        scatter = float(np.sqrt(0.5 * np.mean(alike**2)))
        highest = low + _CLUMP * scatter
    together = min(ceil((scatter / (_SMOOTH * low)) ** 2), size_v.size // 100) or 1
    smooth = np.convolve(size_v, np.full(together, 1.0 / together), mode="valid")
    bound = float(np.quantile(smooth, _LOW)) + _CLUMP * scatter / sqrt(together)
    middle = min(float(np.median(smooth[smooth <= bound])), highest)
    steep = middle / (sqrt(_EXTREMES * inputs) * scatter) if scatter > 0.0 else np.inf
    if steep > _STEEP and middle > _HIDDEN * top:
        return _doubtful(0.0, _SCATTER_U * scatter, top)
    mean, deviation = _of_noise()
    log2_samples = float(np.interp(steep, mean / deviation, _LOG2))
    if _may_be_groups(size_v):
        return _doubtful(0.0, middle, top)
    # Of a sharp null the running means hold the carrier too, and their middle is above the floor.
    height = min(middle, low + _MIDDLE * scatter)
    is_sharp = np.mean(size_v <= _NEAR * low) < _SHARP
    u_v = max((_SHARP_U if is_sharp else _LEFT_U) * height, _MIDDLE_U * (middle - height))
    return Floor(height, u_v, log2_samples=log2_samples)


def _may_be_groups(size_v: NDArray[np.float64]) -> bool:
    """Return whether what seems to be the floor may be the lower one of groups without gaps."""
    low_v, high_v = (float(each) for each in np.quantile(size_v, (0.25, 0.75)))
    if low_v < _LEAST_PART * high_v or low_v == high_v:
        return False
    part = (size_v - low_v) / (high_v - low_v)
    high, between = part > 0.5, (part > 0.25) & (part < 0.75)
    if abs(np.mean(high) - 0.5) > _HALF_WIDE or np.mean(between) > _FEW_BETWEEN:
        return False
    steps2 = np.diff(size_v) ** 2
    of_high, of_low = (float(np.mean(steps2[of[1:] & of[:-1]])) for of in (high, ~high))
    return low_v > _SURE_PART * high_v or of_high < _LEAST_SCATTERS**2 * of_low


def quiet_floor(sizes_v: list[NDArray[np.float64]]) -> tuple[float, float]:
    """Return the floor of a quiet input: the mean of its pairs, and nearly the lowest of them.

    Parameters
    ----------
    sizes_v : list of numpy.ndarray
        float64, each of shape (pairs,): amplitudes that the pairs of a record show, in volts.
    """
    joined = np.concatenate(sizes_v)
    return float(joined.mean()), float(np.quantile(joined, _LOW))


def bounded(
    floor: Floor, size_v: NDArray[np.float64], quiet_v: tuple[float, float] | None
) -> Floor:
    """Return a record's floor between that of the quiet input and what its lowest pairs allow.

    A drive adds noise to the input's own and takes none away, and the lowest pairs have a carrier
    or none: what lies between both is a rectangle (JCGM 100, 4.3.7). A quiet floor that the record
    goes below is of other settings, and is not used.
    """
    if quiet_v is None or quiet_v[1] <= 0.0:
        return floor
    mean_v, low_v = quiet_v
    over = float(np.quantile(size_v, _LOW)) / low_v
    if over < _BELOW_QUIET:
        return floor
    high_v = mean_v * max(over, 1.0)
    u_v = float(np.hypot((high_v - mean_v) / sqrt(12.0), _LEFT_U * mean_v))
    if floor.known and floor.u_v <= u_v:
        return floor
    known = u_v < _MAX_UNKNOWN * float(size_v.max())
    return replace(floor, height_v=0.5 * (mean_v + high_v), u_v=u_v, known=known)


def _doubtful(height_v: float, u_v: float, top_v: float) -> Floor:
    return Floor(height_v, u_v, known=u_v < _MAX_UNKNOWN * top_v)


@lru_cache(maxsize=1)
def _log_below() -> NDArray[np.float64]:
    """Return the logarithm of the normal distribution at ``_PLACES``."""
    return np.log([0.5 * erfc(-place / sqrt(2.0)) for place in _PLACES])


@lru_cache(maxsize=1)
def _of_noise() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean and standard deviation of the highest of n normal values, n from ``_LOG2``."""
    below = np.exp(2.0 ** _LOG2[:, None] * _log_below())
    middle = 0.5 * (_PLACES[1:] + _PLACES[:-1])
    part = np.diff(below, axis=1)
    mean = part @ middle
    return mean, np.sqrt(part @ middle**2 - mean**2)


@lru_cache(maxsize=128)
def _response(quarters: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a carrier's amplitudes, and what is shown of them, both over the floor."""
    samples = 2.0 ** (quarters / 4.0)
    places = _SIGNALS[:, None] + _ABOVE
    away = places[..., None] - _SIGNALS[:, None, None] * _PHASES
    log_below = np.interp(away, _PLACES, _log_below(), right=0.0).mean(axis=2)
    part = np.diff(np.exp(samples * log_below), axis=1, prepend=0.0)
    added = part @ (_ABOVE - 0.5 * _STEP)
    # A carrier is sampled often enough for its crests; few independent values are then a noise
    # that follows it, and adds nothing.
    shown = _SIGNALS + np.maximum(added, 0.0)
    return _SIGNALS / shown[0], shown / shown[0]


_BIN_S = 0.5e-3
_LEAST_AT, _OVER_BESIDE = 8, 2.0
"""So many pairs at a rail, and so many times those a step below it: extremes that noise of half a
step moves are the fewer the higher."""
_ON_GRID = 0.1
"""No further from a step than this part of it, a value may have been given by the converter."""
_NOISY_STEPS, _NOISY_PART = (2.0, 6.0), 0.02
"""Noise of half a step and more changes so many by two steps and back; one that lies between two
steps never does."""
_MIN_SCATTER = 8
"""Pairs of which the scatter can be had."""


class MinMaxPath(SignalPath):
    """Pairs of lowest and highest samples, record by record.

    Where the converter's steps show and noise does not blur them, flat groups end at one step:
    rails are then for the source to tell.

    Parameters
    ----------
    columns : Columns
        Where the differential is, or both phases: rows are the lowest and the highest value of a
        stretch in turn.
    sample_rate_hz : float
        Rows a second: two for each stretch.
    inputs : int
        Channels that the signal is made of.
    quiet_v : tuple of float, or None
        What :func:`quiet_floor` found of the quiet input, None where that was not looked at.
    """

    def __init__(
        self,
        columns: Columns,
        sample_rate_hz: float,
        inputs: int,
        quiet_v: tuple[float, float] | None = None,
    ) -> None:
        self._columns = columns
        self._inputs = inputs
        self._quiet_v = quiet_v
        self._pairs_a_bin = max(1, round(_BIN_S * sample_rate_hz / 2.0))
        super().__init__(EnvelopeSeries(2 * self._pairs_a_bin))
        self._floor = Floor()
        self._at_rail = False

    @property
    def fault(self) -> Message | None:
        """Why there is no usable envelope now, None when there is."""
        if not (self.series and self.series.ok.size):
            return messages.WAITING
        return None if self._floor.known else messages.NO_FLOOR

    def effects_v(
        self, centre_frames: NDArray[np.float64], heights_v: tuple[float, float]
    ) -> NDArray[np.float64]:
        """Return what the part of the floor does that is left on a signal, and rounding."""
        del centre_frames, heights_v
        # Two inputs round what is equal and opposite alike, and the errors add.
        rounding_u_v = self._inputs * extreme_u_v(self.step_v)
        return np.array([[self._floor.u_v] * 2, [rounding_u_v, 0.0], [0.0, rounding_u_v]])

    def untold_v(self, heights_v: tuple[float, float]) -> NDArray[np.float64]:
        """Return what bending does: of extremes alone nothing tells how much tops are bent."""
        lower, upper = sorted(heights_v)
        moved = np.zeros(2)
        if upper > 0.0:
            moved[int(np.argmax(heights_v))] = untold_bend(lower / upper) * upper
        return moved

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether many pairs of the newest record end at the very same extreme."""
        del start_frame, end_frame
        return self._at_rail

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take a whole record, its first row a lowest value."""
        # A pair stays one wherever the count of rows begins.
        first_pair = first_index // 2
        skip = 2 * (-first_pair % self._pairs_a_bin)
        rows_v = self._columns.pairs_of(samples_v)
        self.step_v = step_of(rows_v)
        self._at_rail = _at_rail(rows_v, self.step_v)
        size = half_ranges(rows_v[skip:])
        size = size[: len(size) // self._pairs_a_bin * self._pairs_a_bin]
        fine = size[np.isfinite(size)]
        if not fine.size:
            return
        self._floor = bounded(floor_of(fine, self._inputs), fine, self._quiet_v)
        scatter = sd_of_steps(np.diff(fine)) if fine.size >= _MIN_SCATTER else 0.0
        sigma = scatter / np.sqrt(self._pairs_a_bin)
        amplitude = self._floor.taken_from(size.reshape(-1, self._pairs_a_bin).mean(axis=1))
        ok = np.isfinite(amplitude)
        amplitude = np.where(ok, amplitude, 0.0)
        self._append(
            Bins(
                first=(2 * first_pair + skip) // (2 * self._pairs_a_bin),
                power_v2=amplitude * np.abs(amplitude) - sigma**2,
                sigma_v=np.full(len(amplitude), sigma),
                carrier_hz=np.zeros(len(amplitude)),
                ok=ok,
            )
        )


def _at_rail(rows_v: NDArray[np.float32], step_v: float) -> bool:
    pairs_v = rows_v[: len(rows_v) // 2 * 2].reshape(-1, 2)
    if step_v > 0.0:
        ends = pairs_v[:, 1] / step_v, -pairs_v[:, 0] / step_v
        return any(_is_off_grid(each) or _holds_noise(each) for each in ends)
    rails = RailWatch(max(1, len(pairs_v)), 0.0, (0, 1))
    rails.push(pairs_v, 0)
    return rails.is_reached(0.0, 1.0)


def _is_off_grid(extremes: NDArray[np.floating]) -> bool:
    """Return whether many extremes, in steps, stand at a highest one that no step leads to.

    No converter gives such a value: something behind it has cut what it gave.
    """
    away = np.max(extremes) - extremes
    below = away > _ON_GRID
    if np.count_nonzero(~below) < _LEAST_AT or np.count_nonzero(below) < _LEAST_AT:
        return False
    return bool(np.all(np.abs(away[below] - np.round(away[below])) > _ON_GRID))


def _holds_noise(extremes: NDArray[np.floating]) -> bool:
    """Return whether many extremes, in steps, stand at the highest where noise moves all others.

    Without noise a flat group ends at one step too.
    """
    away = np.round(np.max(extremes) - extremes)
    at, beside = np.count_nonzero(away == 0.0), np.count_nonzero(away == 1.0)
    if at < _LEAST_AT or at <= _OVER_BESIDE * beside:
        return False
    changes = np.diff(away)
    near = np.abs(changes) <= _NOISY_STEPS[1]
    near &= (away[1:] > 0.0) & (away[:-1] > 0.0)
    far = near & (np.abs(changes) >= _NOISY_STEPS[0])
    # Up and down again: at a group's edge all change the same way.
    by_noise = far[1:] & far[:-1] & (changes[1:] * changes[:-1] < 0.0)
    return bool(np.count_nonzero(by_noise) > _NOISY_PART * np.count_nonzero(near[1:] & near[:-1]))


def half_ranges(rows_v: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return half the difference of each whole pair of rows, lowest first, shape (pairs,)."""
    pairs = rows_v[: len(rows_v) // 2 * 2].reshape(-1, 2).astype(np.float64)
    return 0.5 * (pairs[:, 1] - pairs[:, 0])
