"""Heights of lobes, from the envelope to everything that a reading says of them.

Turns are averaged by place. Around each lobe's middle a cosine and a constant are fitted: over its
own span every lobe of the recordings known here is a cosine of the disk's angle with a constant
beneath it. The constant carries the radial offset (two-band, boundary), and a flat top is a cosine
of nothing (alternating). So the height fitted follows the hand without waiting for a shape to be
learned, at a variance within a tenth of that for a known shape. How much of the lobe obeys this is
learned: see :func:`app.analysis.lobes.layout.refine_layout`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.series import (
    EnvelopeSeries,
    amplitude_of,
    extreme_of_runs,
    mean_by,
    middle_of,
    with_neighbours,
)
from app.analysis.envelope.setup import Setup
from app.analysis.lobes.step import BalanceStep, step_in
from app.analysis.lobes.turns import Turn, bins_of
from app.analysis.results import Message, Quantity, Reading, Side
from app.analysis.uncertainty import excess_u, judge_within

TURN_BINS = 720
"""Places in a turn: half a degree each."""
_MIN_KNOWN = 48
_BURST, _FEWEST_OF_A_BURST = 6, 3
"""A burst stands out at so many places in a row, some two milliseconds, and in so many turns."""


@dataclass(frozen=True, slots=True)
class MeanTurn:
    """Envelope power averaged over turns by place.

    Attributes
    ----------
    power_v2, u_v2 : numpy.ndarray
        float64, shape (bins,): mean squared amplitude, and the standard deviation of that mean
        from noise.
    noise_v2 : float
        Power of the noise that was taken out of a bin.
    series, turns : EnvelopeSeries, sequence of Turn
        Of what it is the mean.
    """

    power_v2: NDArray[np.float64]
    u_v2: NDArray[np.float64]
    noise_v2: float
    series: EnvelopeSeries
    turns: Sequence[Turn]

    @property
    def amplitude_v(self) -> NDArray[np.float64]:
        """Amplitude by place, shape (bins,)."""
        return np.sqrt(np.maximum(self.power_v2, 0.0))


def mean_turn(
    series: EnvelopeSeries, turns: Sequence[Turn], *, with_spikes: bool
) -> MeanTurn | None:
    """Average turns by place, or return None when no bin lies within them.

    Bins that stand out are left out; `with_spikes` keeps them, where the pattern has bursts as
    short. What stands out turn by turn at one place, and is no click of the index, is a burst.
    """
    bins, place, _ = bins_of(series, turns)
    where = np.clip((place * TURN_BINS).astype(np.int64), 0, TURN_BINS - 1)
    spikes = with_neighbours(series.spikes() & (not with_spikes))
    fine = series.ok[bins] & ~spikes[bins]
    if len(turns) >= _FEWEST_OF_A_BURST:
        fine |= series.ok[bins] & _is_burst(where, series.spikes()[bins])[where]
    bins, where = bins[fine], where[fine]
    power, variance_v2 = series.power_v2[bins], series.sigma_v[bins] ** 2
    # Variance of a squared amplitude whose two quadratures each have the variance sigma².
    spread = 4.0 * (np.maximum(power, 0.0) + variance_v2) * variance_v2
    sums, variance = (np.bincount(where, each, TURN_BINS) for each in (power, spread))
    counts = np.bincount(where, minlength=TURN_BINS)
    known = counts > 0
    if np.count_nonzero(known) < _MIN_KNOWN:
        return None
    every, places = np.arange(TURN_BINS), np.flatnonzero(known)
    power = np.interp(every, places, sums[known] / counts[known], period=TURN_BINS)
    u = np.interp(every, places, np.sqrt(variance[known]) / counts[known], period=TURN_BINS)
    return MeanTurn(power, u, 2.0 * float(variance_v2.mean()), series, turns)


def _is_burst(where: NDArray[np.int64], spikes: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return at which places most bins stand out, of those with as many such beside them."""
    share = mean_by(where, spikes.astype(np.float64), TURN_BINS)
    counts = np.bincount(where, minlength=TURN_BINS)
    stands_out = (share > 0.5) | (counts == 0)
    around = np.concatenate([stands_out[-_BURST:], stands_out, stands_out[:_BURST]])
    all_out = extreme_of_runs(np.minimum, around, _BURST)
    return extreme_of_runs(np.maximum, all_out, _BURST)[1 : TURN_BINS + 1]


_ROUNDS = 5
_POWER_ROUNDS = 2
_TINY_V2 = 1e-30
_ROUNDS_ABOVE = 6
_ABOVE_SIGMAS = 1.5
_LOW_WEIGHT = 0.03
_HOLE_PART = 0.05
_REJECT_SIGMAS = 4.0
_REJECT_PART = 0.01
"""A bin is a drop-out when it lies below the fit by four of the bins' own standard deviations
and by this part of the lobe's height."""
_MIN_KEPT = 0.6
"""With fewer of its bins a lobe is not measured."""
_MIN_COVERED = 0.97
_FEWEST_BINS, _FEWEST_FLAT_BINS = 5, 3
"""A lobe of fewer bins is not fitted; of 18 pairs a turn a group has four of half a millisecond
that its edges leave alone."""
_WIDE_BINS = 12
"""A window of fewer bins may stand out from the nine around a bin as a spike does."""


@dataclass(frozen=True, slots=True)
class Window:
    """How a lobe is fitted.

    Attributes
    ----------
    span : float
        Part of the way from the lobe's middle to the null, on both sides.
    cosines : int
        Harmonics of the lobe's angle: 1 for a plain cosine, 0 for a flat top.
    """

    span: float
    cosines: int = 1

    @property
    def fall(self) -> float:
        """How far at least a lobe falls within it, as a part of its height."""
        return 1.0 - float(np.cos(0.5 * np.pi * self.span)) if self.cosines else 0.0


@dataclass(frozen=True, slots=True)
class LobeFits:
    """Fits of n lobes.

    Attributes
    ----------
    centre_frame : numpy.ndarray
        float64, shape (n,): the lobes' middles.
    height_v, u_v : numpy.ndarray
        float64, shape (n,): height at the lobe's middle, and its standard uncertainty from noise.
    lean : numpy.ndarray
        float64, shape (n,): the sine's coefficient over the cosine's: where the top stands.
    bend : numpy.ndarray
        float64, shape (n,): the cosine's coefficient over the height; 0 of a flat top.
    ok : numpy.ndarray
        bool, shape (n,): enough of the lobe was there.
    """

    centre_frame: NDArray[np.float64]
    height_v: NDArray[np.float64]
    u_v: NDArray[np.float64]
    lean: NDArray[np.float64]
    bend: NDArray[np.float64]
    ok: NDArray[np.bool_]


def fit_lobes(
    series: EnvelopeSeries,
    centre_frames: NDArray[np.float64],
    spacing_frames: NDArray[np.float64],
    window: Window,
    widths: NDArray[np.float64] | float = 1.0,
) -> LobeFits:
    """Fit each lobe within the window around its middle.

    Parameters
    ----------
    centre_frames : numpy.ndarray
        float64, shape (n,): the lobes' middles.
    spacing_frames : numpy.ndarray
        float64, shape (n,): distance from lobe to lobe there; half of it is the way to the null.
    widths : numpy.ndarray or float
        float64, shape (n,): each lobe's own half width as a part of that way.
    """
    reach = 0.5 * window.span * widths * spacing_frames
    if not len(centre_frames):
        none = np.zeros(0)
        return LobeFits(none, none, none, none, none, np.zeros(0, dtype=np.bool_))
    numbers, away = _bins_around(series, centre_frames, reach)
    inside = np.abs(away) <= reach[:, None]
    angle = np.pi * away / spacing_frames[:, None]
    terms = [np.ones_like(angle)]
    if window.cosines:
        terms += [np.cos(angle) - 1.0, np.sin(angle)]
    terms += [np.cos(order * angle) - 1.0 for order in range(2, window.cosines + 1)]
    design = np.stack(terms, axis=1)
    least = _FEWEST_BINS if window.cosines else _FEWEST_FLAT_BINS
    solution, u_v, ok = _fit_bins(series, numbers, inside, design, least)
    with np.errstate(divide="ignore", invalid="ignore"):
        lean = np.where(ok, solution[:, 2] / solution[:, 1], 0.0) if window.cosines else 0.0 * u_v
        bend = np.where(ok, solution[:, 1] / solution[:, 0], 0.0) if window.cosines else 0.0 * u_v
    height_v = np.where(ok, solution[:, 0], 0.0)
    return LobeFits(centre_frames, height_v, np.where(ok, u_v, 0.0), lean, bend, ok)


def fit_level(
    series: EnvelopeSeries, centre_frames: NDArray[np.float64], reach_frames: NDArray[np.float64]
) -> LobeFits:
    """Fit one level to the bins within `reach_frames` of each middle; both have shape (n,)."""
    numbers, away = _bins_around(series, centre_frames, reach_frames)
    inside = np.abs(away) <= reach_frames[:, None]
    design = np.ones((len(inside), 1, inside.shape[1]))
    # What is as short as a spike is none here.
    wide = inside.sum(axis=1) >= _WIDE_BINS
    solution, u_v, ok = _fit_bins(series, numbers, inside, design, least=1, with_strays=~wide)
    none = np.zeros(len(centre_frames))
    height_v = np.where(ok, solution[:, 0], 0.0)
    return LobeFits(centre_frames, height_v, np.where(ok, u_v, 0.0), none, none, ok)


def _bins_around(
    series: EnvelopeSeries, centre_frames: NDArray[np.float64], reach: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the numbers of the bins around each middle, and how far away they are in frames."""
    width = int(np.ceil(2.0 * reach.max() / series.frames_a_bin)) + 1
    lowest = np.ceil((centre_frames - reach + 0.5) / series.frames_a_bin - 0.5).astype(np.int64)
    numbers = lowest[:, None] + np.arange(width)
    return numbers, series.centre_frame(numbers) - centre_frames[:, None]


def _fit_bins(
    series: EnvelopeSeries,
    numbers: NDArray[np.int64],
    inside: NDArray[np.bool_],
    design: NDArray[np.float64],
    least: int,
    with_strays: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Return each row's solution, the u of its first coefficient, and whether it was all there.

    `design` has shape (rows, terms, bins). A row has `least` bins or is not fitted; `with_strays`
    marks rows in which bins that stand out from their neighbours may belong to the signal.
    """
    place = numbers - series.first
    there = inside & (place >= 0) & (place < series.ok.size)
    place = np.where(there, place, 0)
    if not series.ok.size:
        there[:] = False
        strays = there
        values = power = sigma = np.zeros(place.shape)
    else:
        there &= series.ok[place]
        power = np.where(there, series.power_v2[place], 0.0)
        sigma = np.where(there, series.sigma_v[place], 0.0)
        values = amplitude_of(power, sigma)
        strays = there & series.strays_and_edges()[place]
        if with_strays is not None:
            strays &= ~with_strays[:, None]
    covered = there.sum(axis=1) >= np.maximum(_MIN_COVERED * inside.sum(axis=1), least)
    there &= covered[:, None]
    solution, kept, lowest_scale = _robust(design, values, sigma, there, strays)
    solution, inverse, scale = _by_power(design, power, sigma, solution, kept, lowest_scale)
    enough = kept.sum(axis=1) >= _MIN_KEPT * inside.sum(axis=1)
    ok = covered & enough & np.isfinite(solution).all(axis=1)
    return solution, scale * np.sqrt(np.maximum(inverse[:, 0, 0], 0.0)), ok


def _robust(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    sigma: NDArray[np.float64],
    there: NDArray[np.bool_],
    strays: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
    """Fit by least squares, again and again without the bins that cannot belong to the lobe.

    Returns the fit, the bins kept, and the deviation of a bin that noise alone gives.
    """
    kept = there & ~strays
    lowest_scale = np.sqrt(np.sum(sigma**2, axis=1) / np.maximum(there.sum(axis=1), 1))
    kept, solution = _from_above(design, values, kept, lowest_scale)
    for _ in range(_ROUNDS):
        rest = values - _fitted(design, solution)
        scale = np.maximum(_spread(rest, kept), lowest_scale)
        limit = np.maximum(_REJECT_SIGMAS * scale, _REJECT_PART * np.abs(solution[:, 0]))
        far = there & (np.abs(rest) > limit[:, None])
        new = there & ~with_neighbours(far)
        if np.array_equal(new, kept):
            break
        kept, solution = new, _solve(design, values, new)[0]
    return solution, kept, lowest_scale


def _by_power(
    design: NDArray[np.float64],
    power_v2: NDArray[np.float64],
    sigma_v: NDArray[np.float64],
    solution: NDArray[np.float64],
    kept: NDArray[np.bool_],
    lowest_scale: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Fit once more, to the power; returns the fit, its normal inverse, and a bin's deviation.

    An amplitude near a null is biased by noise, its power is not. With the fit m so far, the power
    P is in amplitudes (P + m²)/2m, and its variance 4m²σ² + 4σ⁴ gives its weight.
    """
    weight, values = kept.astype(np.float64), np.zeros(kept.shape)
    inverse = np.zeros((len(kept), design.shape[1], design.shape[1]))
    for _ in range(_POWER_ROUNDS):
        fitted = _fitted(design, solution)
        above = kept & (fitted > 0.0)
        weight = above * fitted**2 / np.maximum(fitted**2 + sigma_v**2, _TINY_V2)
        values = (power_v2 + fitted**2) / np.where(above, 2.0 * fitted, 1.0)
        solution, inverse = _solve(design, values, weight)
    rest = values - _fitted(design, solution)
    freedom = np.maximum(kept.sum(axis=1) - design.shape[1], 1)
    scatter = np.sqrt(np.sum(weight * rest**2, axis=1) / freedom)
    return solution, inverse, np.maximum(scatter, lowest_scale)


def _from_above(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    kept: NDArray[np.bool_],
    scale: NDArray[np.float64],
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Return the bins without those far below a fit that leans on the upper ones, and their fit.

    Drop-outs only take away: a long one would bend a plain first fit into itself.
    """
    weight = kept.astype(np.float64)
    solution, _ = _solve(design, values, weight)
    for _ in range(_ROUNDS_ABOVE):
        slack = np.maximum(_ABOVE_SIGMAS * scale, _REJECT_PART * np.abs(solution[:, 0]))
        low = values - _fitted(design, solution) < -slack[:, None]
        before, weight = weight, np.where(low, _LOW_WEIGHT, 1.0) * kept
        if np.array_equal(weight, before):
            break
        solution, _ = _solve(design, values, weight)
    height = np.abs(solution[:, 0])
    depth = np.maximum(2.0 * _ABOVE_SIGMAS * scale, _HOLE_PART * height)
    # What lies beside the row's own bins is no hole.
    holes = kept & (values - _fitted(design, solution) < -depth[:, None])
    above = kept & ~with_neighbours(holes)
    if not np.array_equal(weight, above):
        solution, _ = _solve(design, values, above)
    return above, solution


def _solve(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    kept: NDArray[np.bool_] | NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    weighted: NDArray[np.float64] = design * kept[:, None, :]
    normal = weighted @ design.transpose(0, 2, 1)
    # A trace of ridge keeps a lobe with no bins from stopping all the others.
    diagonal = normal.reshape(len(normal), -1)[:, :: design.shape[1] + 1]
    diagonal += 1e-12 * np.maximum(1.0, kept.sum(axis=1))[:, None]
    inverse = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    right = weighted @ values[:, :, None]
    return (inverse @ right)[:, :, 0], inverse


def _fitted(design: NDArray[np.float64], solution: NDArray[np.float64]) -> NDArray[np.float64]:
    return (solution[:, None, :] @ design)[:, 0, :]


def _spread(rest: NDArray[np.float64], kept: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return 1.4826 times the median absolute deviation of each row's kept values, 0 of none."""
    middle = middle_of(np.where(kept, np.abs(rest), np.nan))
    return 1.4826 * np.where(np.isfinite(middle), middle, 0.0)


MAX_EXPANDED_U = 0.10
"""Largest expanded uncertainty of the difference (k = 2) with which a reading is shown."""
_METHOD_U = 6e-5
"""Standard uncertainty of the balance that the method itself leaves, whatever the noise: from the
accuracy table of tests/benchmarks."""
_NEIGHBOURS = 1.2
"""Lobes this many of the usual distances apart are not neighbours any more."""
_OUT_SIGMAS, _OUT_LEAST = 5.0, 2e-3
"""A comparison so far from the middle one holds a gain that jumped, or a lobe that was hit."""
_FEW_LOBES, _BESIDE_ONE = 6, 3
"""Of no more lobes a turn it may lie at any place, and of more at so many, for one that is hit."""
_FEWEST_OF_A_PLACE = 2
"""So many turns tell what is usual at a place."""
_FEW_TURNS = 4
_OF_A_JUMP, _FEWEST_TO_TELL, _APART_SIGMAS = 2, 5, 2.0
"""A gain that jumps spoils so many comparisons, and is told by no fewer than the second; lobes of
one kind differ beyond noise by more than so many u."""
_FEWEST_PART = 0.125
"""Fewer of the lobes of a kind tell nothing of how they scatter."""
_EVEN_SIGMAS = 4.0
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


def measure_heights(fits: LobeFits, pairs: int) -> tuple[Heights, Message | None] | None:
    """Return mean heights and balance over all lobes that were measured.

    Each lobe is compared with the mean of its two neighbours in time, which are of the other kind:
    what goes up or down with time does not then count. A single pair is compared as it is.

    Parameters
    ----------
    fits : LobeFits
        Lobes of whole turns, first and second in turn, in order of time.
    pairs : int
        Pairs of lobes a turn.

    Returns
    -------
    tuple of Heights and Message or None, or None
        The heights, and what is to be said of a capture in whose midst they changed; None when no
        two neighbours were measured.
    """
    seen = _compare(fits, 2 * pairs)
    if seen is None:
        return None
    first, second = (
        Quantity(
            float(seen.mean_v[kind]),
            float(
                np.linalg.norm(
                    [
                        seen.u_v[kind],
                        excess_u(fits.height_v[kind::2][ok], fits.u_v[kind::2][ok]),
                        _METHOD_U * seen.mean_v[kind],
                    ]
                )
            ),
        )
        for kind, ok in ((0, fits.ok[::2]), (1, fits.ok[1::2]))
    )
    total = first.value + second.value
    if total <= 0.0:
        return None
    value = balance_of(first.value, second.value)
    noise = balance_u(Quantity(first.value, seen.u_v[0]), Quantity(second.value, seen.u_v[1]))
    moved = seen.step.u if seen.step is not None else 0.0
    u = float(np.linalg.norm([noise, seen.excess_u(2 * pairs), _METHOD_U, moved]))
    return Heights(first, second, Quantity(value, u)), seen.note(2 * pairs)


def are_ragged(fits: LobeFits, pairs: int) -> bool:
    """Return whether hardly a lobe of one kind could be measured, of whole turns and two beside."""
    of_a_kind = len(fits.ok) // 2 - 2 * pairs
    return min(fits.ok[::2].sum(), fits.ok[1::2].sum()) < _FEWEST_PART * of_a_kind


@dataclass(frozen=True, slots=True)
class _Compared:
    """Lobes beside their neighbours: means and u of both kinds, and each comparison's balance.

    A step of the head is told apart, and taken from the balances.
    """

    mean_v: NDArray[np.float64]
    u_v: NDArray[np.float64]
    number: NDArray[np.int64]
    balance: NDArray[np.float64]
    balance_u: NDArray[np.float64]
    step: BalanceStep | None = None
    jump_u: float = 0.0
    """What a gain that may have jumped leaves, where too few comparisons can show it."""

    def excess_u(self, lobes: int) -> float:
        """Return what the scatter from turn to turn adds to u.

        Neighbouring comparisons share lobes: with white noise three of the four parts of a
        comparison's variance come back in the next one, and a sixth in the one after that.
        """
        if self._are_few(lobes):
            # Of so few turns the comparisons themselves tell more.
            return max(excess_u(self.balance, self.balance_u), self.jump_u)
        turn, count, full = self._by_turn(lobes)
        if len(full) < 2:
            return 0.0
        values = np.bincount(turn, self.balance)[full] / count[full]
        sums = 1.5 * lobes + 2.0 * (lobes - 1) + 0.5 * (lobes - 2)
        part = sums / (1.5 * lobes**2)
        u = np.sqrt(part * np.bincount(turn, self.balance_u**2)[full] / count[full])
        return float(np.sqrt(4.0 * lobes / sums)) * excess_u(values, u)

    def note(self, lobes: int) -> Message | None:
        """Return what is to be said of lobes that changed within the capture."""
        if self.step is not None:
            places = self.step.before, self.step.after
            return messages.fill(messages.HEAD_MOVED, *(f"{each:+.3f}" for each in places))
        own_u = float(np.linalg.norm(self.balance_u)) / max(len(self.balance_u), 1)
        unsteady = self._are_few(lobes) and excess_u(self.balance, self.balance_u) > own_u
        return messages.UNSTEADY if unsteady else None

    def _are_few(self, lobes: int) -> bool:
        return lobes == 2 and len(self._by_turn(lobes)[2]) < _FEW_TURNS

    def _by_turn(
        self, lobes: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        """Return each comparison's turn, how many a turn has, and which turns have enough."""
        turn = self.number // lobes
        count = np.bincount(turn)
        return turn, count, np.flatnonzero(count >= max(1, lobes - 1))


def _compare(fits: LobeFits, lobes: int) -> _Compared | None:
    """Compare every lobe with those before and after it, and leave out what falls out.

    `lobes` is their number in a turn.
    """
    height, at = fits.height_v, fits.centre_frame
    middle = np.arange(1, len(height) - 1)
    period = at[2:] - at[:-2]
    there = fits.ok[1:-1] & fits.ok[:-2] & fits.ok[2:]
    for number in range(lobes):
        same = middle % lobes == number
        if (there & same).any():
            # Where turns are missing the neighbours are no neighbours.
            there &= ~same | (period < _NEIGHBOURS * np.median(period[there & same]))
    middle = middle[there]
    if not middle.size:
        return _one_pair(fits)
    early = (at[middle + 1] - at[middle]) / period[there]
    around = early * height[middle - 1] + (1.0 - early) * height[middle + 1]
    around_u = np.hypot(early * fits.u_v[middle - 1], (1.0 - early) * fits.u_v[middle + 1])
    sign = np.where(middle % 2 == 0, 1.0, -1.0)
    total = height[middle] + around
    balance = sign * (height[middle] - around) / total
    u = 2.0 * np.hypot(around * fits.u_v[middle], height[middle] * around_u) / total**2
    step = step_in(balance, u, total, middle % lobes)
    balance = balance if step is None else step.taken_from(balance)
    place = middle % lobes
    fine = _are_usual(balance, u, np.full_like(balance, np.median(balance)))
    if _differ_all_over(place[~fine], lobes):
        fine = _are_usual(balance, u, _usual(balance, place, lobes))
    # A jump of the gain is in two comparisons: of few those are the most.
    fine |= len(middle) < _FEWEST_TO_TELL
    jump_u = 0.0
    if len(middle) <= _OF_A_JUMP:
        apart = np.abs(height[middle + 1] - height[middle - 1])
        apart_u = np.hypot(fits.u_v[middle + 1], fits.u_v[middle - 1])
        beyond = np.sqrt(np.maximum(apart**2 - (_APART_SIGMAS * apart_u) ** 2, 0.0))
        # The gain may have changed at once or evenly, so that it is within half of it either way.
        jump_u = float(np.mean(beyond / total)) / (2.0 * np.sqrt(3.0))
    middle, early = middle[fine], early[fine]
    share = _shares(middle % lobes, lobes)
    weight = np.bincount(middle, share, len(height))
    weight += np.bincount(middle - 1, share * early, len(height))
    weight += np.bincount(middle + 1, share * (1.0 - early), len(height))
    mean_v = np.array([(weight * height)[kind::2].sum() for kind in (0, 1)]) / middle.size
    u_v = np.array([np.linalg.norm((weight * fits.u_v)[kind::2]) for kind in (0, 1)]) / middle.size
    return _Compared(mean_v, u_v, middle, balance[fine], u[fine], step, jump_u)


def _shares(place: NDArray[np.int64], lobes: int) -> NDArray[np.float64]:
    """Return how much each comparison counts, 1 on average: its place as much as any other.

    On an uneven disk the places differ, and those at either end were seen once less.
    """
    if lobes <= 2 or not place.size:
        return np.ones(place.shape)
    count = np.bincount(place, minlength=lobes)
    share: NDArray[np.float64] = 1.0 / np.maximum(count, 0.5 * count.max())[place]
    return share * (place.size / share.sum())


def _are_usual(
    balance: NDArray[np.float64], u: NDArray[np.float64], usual: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return which comparisons do not stand out from what they usually are."""
    away = np.abs(balance - usual)
    scatter = np.maximum(1.4826 * np.median(away), u)
    return away <= np.maximum(_OUT_SIGMAS * scatter, _OUT_LEAST)


def _differ_all_over(places: NDArray[np.int64], lobes: int) -> bool:
    """Return whether comparisons that stand out lie at more places than one lobe that is hit.

    On an uneven disk two of three pairs are alike and the third is not, and of six every third
    place differs, turn by turn: those are no outliers, and without them the mean would be off. A
    lobe that is hit each turn stands out itself and beside both its neighbours.
    """
    if lobes <= 2 or not places.size:
        return False
    if lobes <= _FEW_LOBES:
        return True
    gaps = np.diff(np.unique(places), append=places.min() + lobes)
    return lobes - int(gaps.max()) + 1 > _BESIDE_ONE


def _usual(
    balance: NDArray[np.float64], place: NDArray[np.int64], lobes: int
) -> NDArray[np.float64]:
    """Return for each comparison the median at its place, or of all where it has too few."""
    usual = np.full_like(balance, np.median(balance))
    for number in range(lobes):
        same = place == number
        if same.sum() >= _FEWEST_OF_A_PLACE:
            usual[same] = np.median(balance[same])
    return usual


def _one_pair(fits: LobeFits) -> _Compared | None:
    both = np.flatnonzero(fits.ok[1:] & fits.ok[:-1])
    if not both.size:
        return None
    pair = np.sort(np.array([both[0], both[0] + 1]) % 2)
    place = both[0] + (pair if both[0] % 2 == 0 else 1 - pair)
    none = np.zeros(0)
    return _Compared(fits.height_v[place], fits.u_v[place], none.astype(np.int64), none, none)


def with_effects(heights: Heights, effects_v: NDArray[np.float64]) -> Heights:
    """Return heights and balance with the uncertainty of what moves both lobes, each by its own.

    Parameters
    ----------
    effects_v : numpy.ndarray
        float64, shape (causes, 2): by how much one standard uncertainty of each independent cause
        moves first and second height (JCGM 100, 5.2: within one cause they are correlated).
    """
    first, second, balance = heights.first_v, heights.second_v, heights.balance
    moved = second.value * effects_v[:, 0] - first.value * effects_v[:, 1]
    moved *= 2.0 / (first.value + second.value) ** 2

    def wider(quantity: Quantity, by: NDArray[np.float64]) -> Quantity:
        return Quantity(quantity.value, float(np.sqrt(quantity.u**2 + by @ by)))

    return Heights(
        wider(first, effects_v[:, 0]), wider(second, effects_v[:, 1]), wider(balance, moved)
    )


def of_recording(heights: Heights, filling: float, u: float, even_u: float) -> Heights:
    """Return heights as the recording has them: without what fills the nulls, and less certain.

    Parameters
    ----------
    filling : float
        Power, over that of the mean height, that stands across what the head reads of the lobes.
    u, even_u : float
        More parts of the balance's uncertainty, the second where the lobes are as even as those of
        a beat.
    """
    first, second, balance = heights.first_v, heights.second_v, heights.balance
    if filling:
        power_v2 = filling * (0.5 * (first.value + second.value)) ** 2
        first, second = (_without(height, power_v2) for height in (first, second))
        balance = replace(balance, value=balance_of(first.value, second.value))
    even = abs(balance.value) <= _EVEN_SIGMAS * balance.u
    parts = [balance.u, u, even_u if even else 0.0]
    return Heights(first, second, replace(balance, u=float(np.linalg.norm(parts))))


def _without(height: Quantity, power_v2: float) -> Quantity:
    return replace(height, value=float(np.sqrt(max(height.value**2 - power_v2, 0.0))))


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
    expanded_u = 2.0 * difference.u
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
        set_limit=judge_within(difference.value, expanded_u, high=setup.set_limit),
        check_limit=judge_within(difference.value, expanded_u, high=setup.check_limit),
    )
    if expanded_u > MAX_EXPANDED_U or not np.isfinite(expanded_u):
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
        side=None,
        set_limit=None,
        check_limit=None,
    )


def far_off(reading: Reading, first_is_left: bool, sense: int | None) -> Reading:
    """Return the reading of a turn with but one lobe, with its side where the sign is known."""
    side = None
    if sense is not None:
        side = Side.OUTWARD if first_is_left == (sense > 0) else Side.INWARD
    return replace(invalid(reading, _ONE_LOBE[side]), side=side)


def _side(balance: Quantity, sense: int | None) -> Side | None:
    if sense is None or abs(balance.value) <= 2.0 * balance.u:
        return None
    return Side.OUTWARD if balance.value * sense > 0.0 else Side.INWARD
