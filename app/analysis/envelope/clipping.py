"""Clipping noticed by its flat tops, at any level: a clipped sine has less of a peak than a sine.

The kurtosis E[x⁴]/E[x²]² of a sine is 1.5 whatever its height; of one clipped at 0.9 of its peak
it is 1.446, at 0.8 it is 1.379, and of a square wave 1. It is taken over runs of half a
millisecond, what is slow (hum, offset) removed and the noise taken out, and compared between runs
near the top of the taller lobe and runs half as high: a harmonic that the recording has, and a
carrier sampled at few phases, change both alike.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import comb

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.converter import at_least_blurred
from app.analysis.envelope.series import quantile_of

_EVERY = 16
_RUN = 8
_EVERY_AT_FIRST = 1
_ENOUGH_RUNS = 1000
_MIN_RUNS = 8
"""Of the stream every sixteenth run of eight blocks is looked at, or more where there are few."""
_MEAN_AND_CHANGE = np.repeat([[1.0, -2.0], [1.0, 2.0]], _RUN // 2, axis=0) / _RUN
"""Of the blocks of a run: their mean, and by how much the later half has a higher one."""
_AT_ONCE = 32
_SINE = 1.5
_SQUARE_LIMIT = 1.30
"""Where no lower signal is at hand to compare with: a third harmonic of a tenth alone may bring a
sine's kurtosis to 1.3."""
_ANY_SQUARE = 1.15
"""Where there is: flatter tops than those of a third harmonic of a sixth."""
_FALLS_BY = 0.006
"""Clipped at 0.97 of its peak, a sine's kurtosis falls by this part."""
_FALL_SIGMAS = 4.0
_TOP, _VERY_TOP = 0.93, 0.975
_MIDDLE = (0.12, 0.45)
"""Power of the runs compared, as parts of the greatest."""
_LOW_BAND = (0.87, 1.03)
"""The same about the lower lobe's top."""
_CUBIC_SLOPE = 1.5
_NO_SINE_SIGMAS = 3.0
"""A wave whose kurtosis is off a sine's by so many u is none."""
_COARSE_U, _CHANCE = 0.005, 2.0
"""Of a fall squared so many variances are chance."""
_UNTOLD_LOSS = 0.02
"""What an amplifier is taken to take off the taller top where nothing tells: the usual kind takes
8 % of 20 mV p-p, by the cube, and so 2 % of half of that."""
_ROUNDING = 0.9
"""What steps do to the kurtosis of a sine of one step's amplitude (run against rounded sines)."""
_QUIET_PART, _TOP_PART = 0.3, 0.98
_SECOND = 0.85
_FEW_PHASES, _MAX_PHASES_U = 0.05, 0.02
_RUNS_OF_A_TOP, _MAX_TOPS_U = 5, 0.005
_MIN_COMPARED = 8
_MIN_SNR = 2.0
"""In more noise the tops differ from the middle by nothing but the noise that is judged."""
_STEADY = 0.2
_LEVEL, _LEVEL_GROUP = 1.2, 0.002
"""A run in which the power leaves its mean by more, as over the gap between two groups, is not; nor
is all of a run level where the mean square is by the second part above the squared mean, as where a
tenth of a block lies beyond a group's edge: that lifts the kurtosis."""
_HUM_GROUPS = 3
_HUM_PART = 0.05


class ClipWatch:
    """Watches the signal columns for clipping.

    Parameters
    ----------
    known : numpy.ndarray
        float32, shape (block, k): an orthonormal basis of all that is not noise within a block of
        some carrier periods.
    tone : numpy.ndarray
        float32, shape (block, 2): one of the carrier alone.
    step_v : float
        Step of the converter, 0 where none shows.
    """

    def __init__(
        self,
        columns: tuple[int, ...],
        known: NDArray[np.float32],
        tone: NDArray[np.float32],
        step_v: float = 0.0,
    ) -> None:
        self._step_v = step_v
        self._columns = columns
        self._block = len(known)
        self._taken = 0
        self._parts: list[tuple[int, int, NDArray[np.float64]]] = []
        """First frame, the frame after the last, and what is known of the runs between."""
        self._ones = np.ones(self._block, dtype=np.float32)
        # Made once: memory that is new each time costs more than what is reckoned in it.
        rows = len(columns) * _AT_ONCE * _RUN
        self._rooms = np.empty((2, rows, self._block), dtype=np.float32)
        self.tune(known, tone)

    def tune(self, known: NDArray[np.float32], tone: NDArray[np.float32]) -> None:
        """Take what comes for blocks of that carrier, as :class:`ClipWatch` is given it."""
        self._known = known
        self._freedom = len(known) - known.shape[1]
        place = np.arange(self._block) - (self._block - 1) / 2.0
        # What is slow is fitted beside the carrier: a slope alone would take some of it away.
        slow = np.stack([np.ones_like(place), place], axis=1)
        solve = np.linalg.pinv(np.concatenate([slow, tone.astype(np.float64)], axis=1))[:2]
        # It lies within what is known, so one pass over the samples finds both.
        self._solve_slow = (known.T.astype(np.float64) @ solve.T).astype(np.float32)
        self._slow = slow.T.astype(np.float32)
        self._slow_of_known = (slow.T @ known).astype(np.float32)
        # The carrier's part of what is known, and the means of its powers: of cos⁴ to sin⁴.
        self._to_tone = known.T @ tone
        cosine, sine = (tone[:, part].astype(np.float64) for part in (0, 1))
        means = [comb(4, k) * float(np.mean(cosine ** (4 - k) * sine**k)) for k in range(5)]
        # As a form of cos², cos·sin and sin².
        self._fourths = np.zeros((3, 3), dtype=np.float32)
        self._fourths[[0, 0, 1, 1, 2], [0, 1, 1, 2, 2]] = means

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take samples, shape (frames, channels)."""
        frames = _RUN * self._block
        count = len(samples_v) // frames
        # The beginning is looked at more closely: a short capture is all beginning.
        sparse = _EVERY if self._taken > _ENOUGH_RUNS else _EVERY_AT_FIRST
        every = max(1, min(sparse, count // _MIN_RUNS))
        self._taken += count // every
        if not count:
            return
        runs = samples_v[: count * frames].reshape(count, frames, -1)[::every]
        # Few enough at once for a processor's nearest memory.
        parts = [self._moments(runs[at : at + _AT_ONCE]) for at in range(0, len(runs), _AT_ONCE)]
        moments = np.concatenate(parts, axis=2)
        starts = first_index + np.arange(0, count, every) * float(frames)
        starts = np.broadcast_to(starts, (1, *moments.shape[1:]))
        stats = np.concatenate([starts, moments], dtype=np.float64)
        stats[:, ~np.isfinite(stats).all(axis=0)] = np.nan
        self._parts.append((first_index, first_index + count * frames, stats))

    def _moments(self, runs: NDArray[np.float32]) -> NDArray[np.float64]:
        """Return what :func:`_runs_of` asks for, float64, shape (7, columns, runs)."""
        values, fitted = self._rooms[:, : len(self._columns) * len(runs) * _RUN]
        for part, column in zip(np.split(values, len(self._columns)), self._columns, strict=True):
            part.reshape(len(runs), -1)[:] = runs[:, :, column]
        explained = values @ self._known
        slow = explained @ self._solve_slow
        values -= np.matmul(slow, self._slow, out=fitted)
        explained -= slow @ self._slow_of_known
        np.multiply(values, values, out=values)
        total = values @ self._ones
        rest = total - np.einsum("ij,ij->i", explained, explained)
        fourth = np.einsum("ij,ij->i", values, values) / self._block
        second = total / self._block
        at_phases = self._sampled_kurtosis(explained @ self._to_tone)
        # Mean and slope have taken two parts of the noise away too.
        noise = rest / self._freedom * (1.0 - 2.0 / self._block)
        # Block by block: where the power changes within a run its mean squared falls short.
        of_blocks = np.stack([slow[:, 0], second, second * second, fourth, at_phases, noise])
        means = of_blocks.reshape(-1, _RUN).astype(np.float64) @ _MEAN_AND_CHANGE
        means = means.reshape(len(of_blocks), len(self._columns), -1, 2)
        return np.concatenate([means[..., 0], means[1:2, ..., 1]])

    def _sampled_kurtosis(self, tone: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the kurtosis of each block's carrier at the places sampled, 1.5 of none."""
        cosine, sine = tone.T
        squares = np.stack([cosine * cosine, cosine * sine, sine * sine])
        square = ((squares[0] + squares[2]) / self._block) ** 2
        fourth = np.einsum("ij,ij->j", self._fourths @ squares, squares)
        return np.divide(fourth, square, out=np.full_like(square, _SINE), where=square > 0.0)

    def forget_before(self, frame: float) -> None:
        """Drop what is older, but for the newest part."""
        kept = [part for part in self._parts if part[0] >= frame]
        self._parts = kept or self._parts[-1:]

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether any of the columns was clipped between two frames."""
        return any(_is_clipped(runs) for runs in self._runs_within([(start_frame, end_frame)]))

    def bend_within(self, stretches: Sequence[tuple[float, float]], ratio: float) -> float:
        """Return the standard uncertainty of the taller lobe from its bending, as a part of it.

        Within stretches alone, from frame to frame: what else lay between them is no lobe.

        What an amplifier takes off the top shows in the tall lobe's kurtosis against the low one's,
        `ratio` as high; what chance does to both is no bending.
        """
        bends = [_bend(runs, ratio) for runs in self._runs_within(stretches)]
        return float(np.mean(bends)) if bends else 0.0

    def _runs_within(self, stretches: Sequence[tuple[float, float]]) -> Iterator[_Runs]:
        near = [
            stats
            for first, end, stats in self._parts
            if any(first < stop and end > start for start, stop in stretches)
        ]
        if not near:
            return
        whole = np.concatenate(near, axis=2)
        for stats in whole.transpose(1, 0, 2):
            inside = np.zeros(stats.shape[1], dtype=np.bool_)
            for start, stop in stretches:
                inside |= (stats[0] >= start) & (stats[0] < stop)
            runs = _runs_of(*stats[1:, inside], block=self._block, step_v=self._step_v)
            if runs is not None:
                yield runs


@dataclass(frozen=True, slots=True)
class _Runs:
    """Runs of one column, the noise taken out.

    Attributes
    ----------
    part, steady, level : numpy.ndarray
        float64, bool and bool, shape (runs,): power over the greatest, whether it stays within a
        run, and whether no part of the run is at the edge of a group.
    fourth, square, shift : numpy.ndarray
        float64, shape (runs,): mean fourth power and squared power, whose sums' ratio is the
        kurtosis; and what an error of the noise moves the first by.
    mean_v : numpy.ndarray
        float64, shape (runs,): what is slow.
    greatest_v2 : float
        Power of the top.
    rounding : float
        What the converter's steps may do to the kurtosis.
    sampled : numpy.ndarray
        float64, shape (runs,): kurtosis of a sine sampled at the same phases.
    """

    part: NDArray[np.float64]
    steady: NDArray[np.bool_]
    level: NDArray[np.bool_]
    fourth: NDArray[np.float64]
    square: NDArray[np.float64]
    shift: NDArray[np.float64]
    mean_v: NDArray[np.float64]
    greatest_v2: float
    rounding: float
    sampled: NDArray[np.float64]

    def kurtosis(self, chosen: NDArray[np.bool_]) -> tuple[float, float] | None:
        """Return kurtosis and its standard uncertainty over chosen runs, None of too few."""
        chosen = chosen & self.steady
        count = int(np.count_nonzero(chosen))
        total = float(self.square[chosen].sum())
        if count < _MIN_COMPARED or total <= 0.0:
            return None
        if float(np.std(self.sampled[chosen])) > _FEW_PHASES:
            return self._by_phases(chosen)
        value = float(self.fourth[chosen].sum()) / total
        rest = self.fourth[chosen] - value * self.square[chosen]
        scatter = float(np.std(rest)) * float(np.sqrt(count))
        return value, float(np.hypot(scatter, self.shift[chosen].sum())) / total

    def going_on(self, chosen: NDArray[np.bool_], part: float) -> tuple[float, float] | None:
        """Return the kurtosis that chosen runs lead one to expect of runs of more power.

        What fills nulls from across the signal, as an azimuth does, has its harmonics at other
        phases: it changes the kurtosis as the inverse of the power. Clipping changes tops alone.
        """
        plain, chosen = self.kurtosis(chosen), chosen & self.steady
        if plain is None or float(np.std(self.sampled[chosen])) > _FEW_PHASES:
            return plain
        square, fourth = self.square[chosen], self.fourth[chosen]
        columns = np.stack([square, square / self.part[chosen]], axis=1)
        inverse = np.linalg.pinv(columns.T @ columns)
        found = inverse @ (columns.T @ fourth)
        variance = np.var(fourth - columns @ found) * inverse
        if found[1] <= _FALL_SIGMAS * float(np.sqrt(variance[1, 1])):
            return plain
        at = np.array([1.0, 1.0 / part])
        return float(found @ at), float(np.hypot(np.sqrt(at @ variance @ at), plain[1]))

    def _by_phases(self, chosen: NDArray[np.bool_]) -> tuple[float, float] | None:
        """Return the same of a carrier near a quarter of the rate.

        Sampled at four phases a third harmonic is none: it lifts the carrier where crests are
        sampled and lowers it between them. So the power is compared from run to run.
        """
        at = np.flatnonzero(chosen[1:-1]) + 1
        at = at[(self.part[at - 1] > 0.0) & (self.part[at + 1] > 0.0)]
        if len(at) < _MIN_COMPARED:
            return None
        level, phase = (
            each[at] - 0.5 * (each[at - 1] + each[at + 1])
            for each in (np.log(np.where(self.part > 0.0, self.part, 1.0)), self.sampled)
        )
        level, phase = level - level.mean(), phase - phase.mean()
        leverage = float(phase @ phase)
        slope = float(level @ phase) / leverage
        rest = float(np.sum((level - slope * phase) ** 2)) / (len(at) - 2)
        u = 0.5 * float(np.sqrt(rest / leverage))
        # In more noise runs are chosen by the very power that is compared.
        return (_SINE + 0.5 * slope, u) if u < _MAX_PHASES_U else None

    def within_tops(self, chosen: NDArray[np.bool_]) -> tuple[float, float] | None:
        """Return the same as :meth:`kurtosis`, also of a carrier whose phases hardly drift.

        From run to run they then stay, and the power over a whole top is compared, less a parabola:
        more than a disk or a lobe makes of a top.
        """
        found, chosen = self.kurtosis(chosen), chosen & self.steady & (self.part > 0.0)
        if found is not None:
            return found
        edges = np.flatnonzero(np.diff(chosen, prepend=False, append=False)).reshape(-1, 2)
        rest: list[NDArray[np.float64]] = []
        for start, end in edges[np.diff(edges)[:, 0] >= _RUNS_OF_A_TOP].tolist():
            both = np.stack([np.log(self.part[start:end]), self.sampled[start:end]], axis=1)
            place = np.linspace(-1.0, 1.0, end - start)
            columns = np.stack([np.ones_like(place), place, place**2], axis=1)
            rest.append(both - columns @ (np.linalg.pinv(columns) @ both))
        free = sum(map(len, rest)) - 3 * len(rest) - 1
        if free < _MIN_COMPARED:
            return None
        level, phase = np.concatenate(rest).T
        leverage = float(phase @ phase)
        if leverage <= 0.0:
            return None
        slope = float(level @ phase) / leverage
        u = 0.5 * float(np.sqrt(np.sum((level - slope * phase) ** 2) / free / leverage))
        return (_SINE + 0.5 * slope, u) if u < _MAX_TOPS_U else None


def _runs_of(
    mean_v: NDArray[np.float64],
    second_v2: NDArray[np.float64],
    square_v4: NDArray[np.float64],
    fourth_v4: NDArray[np.float64],
    sampled: NDArray[np.float64],
    noise_v2: NDArray[np.float64],
    change_v2: NDArray[np.float64],
    *,
    block: int,
    step_v: float,
) -> _Runs | None:
    """Return runs of these moments, noise, and change of power within; None where they say nothing.

    ``sampled`` is the kurtosis of a sine sampled at the same phases.
    """
    if second_v2.size < _MIN_COMPARED:
        return None
    low_v2, greatest = quantile_of(second_v2, _QUIET_PART), quantile_of(second_v2, _TOP_PART)
    # With all that noise alone may lift: the very lowest would be those with the least noise.
    limit_v2 = low_v2 * (1.0 + 4.0 * np.sqrt(2.0 / (_RUN * block)))
    quiet = noise_v2[second_v2 <= limit_v2]
    noise, noise_u = float(np.mean(quiet)), float(np.std(quiet)) / float(np.sqrt(quiet.size))
    power = second_v2 - noise
    greatest -= noise
    if greatest <= _MIN_SNR * noise or greatest <= 0.0:
        return None
    # What noise adds to the moments of a sine is taken out of both.
    fourth = fourth_v4 - 6.0 * power * noise - 3.0 * noise**2
    square = square_v4 - (2.0 + 4.0 / block) * power * noise - (1.0 + 2.0 / block) * noise**2
    rounding = 0.0
    if step_v > 0.0:
        codes = max(np.sqrt(2.0 * greatest) / step_v, 1.0)
        rounding = _ROUNDING * codes**-1.5 * at_least_blurred(step_v, noise)
    return _Runs(
        part=power / greatest,
        steady=(np.abs(change_v2) < _STEADY * second_v2) & (square < _LEVEL * power**2),
        # Noise lets the power of blocks scatter by so much.
        level=square < (1.0 + _LEVEL_GROUP) * power**2 + 4.0 * power * noise / block,
        fourth=fourth,
        # A carrier near a simple part of the rate is sampled at few phases, which drift: that alone
        # moves its kurtosis, and is taken out.
        square=square * sampled / _SINE,
        # An error of the noise moves the moments by so much.
        shift=6.0 * (power + noise) * noise_u,
        mean_v=mean_v,
        greatest_v2=greatest,
        rounding=rounding,
        sampled=sampled,
    )


def _is_clipped(runs: _Runs) -> bool:
    """Judge a column by the kurtosis of its tops against that of what is lower."""
    part = runs.part
    top = runs.steady & (part > _TOP)
    reference = runs.going_on((part > _MIDDLE[0]) & (part < _MIDDLE[1]), _TOP)
    if reference is None:
        # Groups with flat tops have no middle, but one kind of them may be lower than the other.
        reference = runs.kurtosis((part > _MIDDLE[0]) & (part < _SECOND) & runs.level)
    hum = float(np.ptp(runs.mean_v[top])) if top.any() else 0.0
    groups = [top, runs.steady & (part > _VERY_TOP)]
    if hum**2 > _HUM_PART * runs.greatest_v2:
        # On hum only some tops reach the limit: those that it lifts, or lowers, the most.
        edges = np.quantile(runs.mean_v[top], [1.0 / _HUM_GROUPS, 1.0 - 1.0 / _HUM_GROUPS])
        groups += [top & (runs.mean_v <= edges[0]), top & (runs.mean_v >= edges[1])]
    return any(_falls(runs.kurtosis(each), reference, runs.rounding) for each in groups)


def _bend(runs: _Runs, ratio: float) -> float:
    """Return by which part the tall lobe may have lost more than the low one."""
    tall = runs.within_tops(runs.part > _TOP)
    level = runs.part / ratio**2 if ratio > 0.0 else runs.part
    low = runs.within_tops((level > _LOW_BAND[0]) & (level < _LOW_BAND[1]))
    if tall is None:
        # Of few turns there are few tops, and nothing is looked for.
        few = np.count_nonzero(runs.part > _TOP) < _MIN_COMPARED
        return 0.0 if few else untold_bend(ratio)
    peaked = max(tall[0] - _SINE, 0.0)
    slope = float(np.interp(tall[0], *_loss_slopes()))
    if low is None:
        # Whatever bends a sine makes it flatter: a bend may be what is seen of that, and no more.
        flatter = float(np.hypot(max(_SINE - tall[0], 0.0), tall[1]))
        beyond = float(np.sqrt(max(peaked**2 - _CHANCE * tall[1] ** 2, 0.0)))
        gap = _CUBIC_SLOPE * beyond * max(1.0 / ratio - 1.0, 0.0) if ratio > 0.0 else 0.0
        return max(min(untold_bend(ratio), slope * flatter), gap)
    fall, u = max(low[0] - tall[0], 0.0), float(np.hypot(low[1], tall[1]))
    beyond = float(np.sqrt(max(fall**2 - _CHANCE * u**2 - runs.rounding**2, 0.0)))
    if u > _COARSE_U:
        # So coarse a comparison excludes no fall of its own size, but where the low lobe has less
        # of a harmonic than that takes: what bends by the cube bends both as their squares.
        harmonic = max(_SINE - low[0] - _FALL_SIGMAS * low[1], 0.0)
        # Of no low lobe nothing is known of a harmonic.
        taken = harmonic * max(ratio**-2 - 1.0, 0.0) if ratio > 0.0 else u
        beyond = float(np.hypot(beyond, min(u, taken)))
    if ratio > 0.0:
        beyond = max(beyond, min(_fall_of(tall, runs.rounding, ratio), fall + u))
    return float(np.interp(0.5 * (low[0] + tall[0]), *_loss_slopes())) * beyond


def _fall_of(tall: tuple[float, float], rounding: float, ratio: float) -> float:
    """Return by how much the kurtosis would fall from the low lobe to the tall one, beyond chance.

    A curve that bends by the cube makes a sine flatter, as the square of its height; a gap about
    nothing, as a push-pull stage without a current at rest has, more peaked, as one over it. Either
    takes off a sine three times its third harmonic. A harmonic of the recording does not fall.
    """
    away = tall[0] - _SINE
    if abs(away) < _NO_SINE_SIGMAS * tall[1]:
        return 0.0
    beyond = float(np.sqrt(max(away**2 - _CHANCE * tall[1] ** 2 - rounding**2, 0.0)))
    return beyond * max(1.0 - ratio**2 if away < 0.0 else 1.0 / ratio - 1.0, 0.0)


def untold_bend(ratio: float) -> float:
    """Return by which part the tall lobe may have lost more, by the cube, where nothing tells."""
    return _UNTOLD_LOSS * max(1.0 - ratio**2, 0.0)


@lru_cache(maxsize=1)
def _loss_slopes() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return kurtosis, ascending, and how fast a sine clipped to it loses amplitude as it falls.

    Never below what a curve that bends by the cube loses: three times its third harmonic, of which
    the kurtosis falls by twice the part.
    """
    limit = np.linspace(0.05, 1.0, 400)
    # From its middle to this angle the sine is whole, and beyond it stands at the limit.
    whole = np.arcsin(limit)
    beyond, twice, four = 0.5 * np.pi - whole, np.sin(2.0 * whole), np.sin(4.0 * whole)
    second = 0.5 * whole - 0.25 * twice + beyond * limit**2
    fourth = 0.375 * whole - 0.25 * twice + four / 32.0 + beyond * limit**4
    loss = np.log(0.5 * whole + 0.25 * twice)
    kurtosis = 0.5 * np.pi * fourth / second**2
    return kurtosis, np.maximum(np.gradient(loss, kurtosis), _CUBIC_SLOPE)


def _falls(
    top: tuple[float, float] | None, middle: tuple[float, float] | None, rounding: float
) -> bool:
    """Return whether the top's kurtosis lies below the middle's, more than by chance."""
    if top is None:
        return False
    limit = _SQUARE_LIMIT if middle is None else _ANY_SQUARE
    if top[0] < limit - _FALL_SIGMAS * top[1] - rounding:
        return True
    if middle is None:
        return False
    slack = _FALL_SIGMAS * float(np.hypot(top[1], middle[1])) + rounding
    return top[0] < middle[0] * (1.0 - _FALLS_BY) - slack
