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
from app.analysis.envelope.series import EnvelopeSeries, with_neighbours
from app.analysis.envelope.setup import Setup
from app.analysis.lobes.turns import Turn
from app.analysis.results import Message, Quantity, Reading, Side
from app.analysis.uncertainty import excess_u, judge_within

TURN_BINS = 720
"""Places in a turn: half a degree each."""
_MIN_KNOWN = 48


@dataclass(frozen=True, slots=True)
class MeanTurn:
    """Envelope power averaged over turns by place.

    Attributes
    ----------
    power_v2, u_v2 : numpy.ndarray
        float64, shape (bins,): mean squared amplitude, and the standard deviation of that mean
        from noise.
    """

    power_v2: NDArray[np.float64]
    u_v2: NDArray[np.float64]

    @property
    def amplitude_v(self) -> NDArray[np.float64]:
        """Amplitude by place, shape (bins,)."""
        return np.sqrt(np.maximum(self.power_v2, 0.0))


def mean_turn(series: EnvelopeSeries, turns: Sequence[Turn]) -> MeanTurn | None:
    """Average turns by place, or return None when no bin lies within them."""
    sums = np.zeros(TURN_BINS)
    variance = np.zeros(TURN_BINS)
    counts = np.zeros(TURN_BINS)
    for turn in turns:
        bins = series.bins_between(turn.start_frame, turn.end_frame)
        ok = series.ok[bins]
        place = (series.centres_in(bins) - turn.start_frame) / turn.frames
        where = np.clip((place * TURN_BINS).astype(np.int64), 0, TURN_BINS - 1)[ok]
        power, sigma = series.power_v2[bins][ok], series.sigma_v[bins][ok]
        sums += np.bincount(where, power, TURN_BINS)
        # Variance of a squared amplitude whose two quadratures each have the variance sigma².
        spread = 4.0 * np.maximum(power, 0.0) * sigma**2 + 4.0 * sigma**4
        variance += np.bincount(where, spread, TURN_BINS)
        counts += np.bincount(where, minlength=TURN_BINS)
    known = counts > 0
    if np.count_nonzero(known) < _MIN_KNOWN:
        return None
    every, places = np.arange(TURN_BINS), np.flatnonzero(known)
    power = np.interp(every, places, sums[known] / counts[known], period=TURN_BINS)
    u = np.interp(every, places, np.sqrt(variance[known]) / counts[known], period=TURN_BINS)
    return MeanTurn(power, u)


_ROUNDS = 5
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


@dataclass(frozen=True, slots=True)
class LobeFits:
    """Fits of n lobes.

    Attributes
    ----------
    height_v, u_v : numpy.ndarray
        float64, shape (n,): height at the lobe's middle, and its standard uncertainty from noise.
    lean : numpy.ndarray
        float64, shape (n,): the sine's coefficient over the cosine's: where the top stands.
    ok : numpy.ndarray
        bool, shape (n,): enough of the lobe was there.
    """

    height_v: NDArray[np.float64]
    u_v: NDArray[np.float64]
    lean: NDArray[np.float64]
    ok: NDArray[np.bool_]


def fit_lobes(
    series: EnvelopeSeries,
    centre_frames: NDArray[np.float64],
    spacing_frames: NDArray[np.float64],
    window: Window,
) -> LobeFits:
    """Fit each lobe within the window around its middle.

    Parameters
    ----------
    centre_frames : numpy.ndarray
        float64, shape (n,): the lobes' middles.
    spacing_frames : numpy.ndarray
        float64, shape (n,): distance from lobe to lobe there; half of it is the way to the null.
    """
    count = len(centre_frames)
    reach = 0.5 * window.span * spacing_frames
    if not count:
        none = np.zeros(0)
        return LobeFits(none, none, none, np.zeros(0, dtype=np.bool_))
    width = int(np.ceil(2.0 * reach.max() / series.frames_a_bin)) + 1
    lowest = np.ceil((centre_frames - reach + 0.5) / series.frames_a_bin - 0.5).astype(np.int64)
    numbers = lowest[:, None] + np.arange(width)
    away = series.centre_frame(numbers) - centre_frames[:, None]
    inside = np.abs(away) <= reach[:, None]
    place = numbers - series.first
    there = inside & (place >= 0) & (place < series.ok.size)
    place = np.where(there, place, 0)
    if not series.ok.size:
        there[:] = False
        dips = there
        values = sigma = np.zeros(place.shape)
    else:
        there &= series.ok[place]
        values = np.where(there, series.amplitude_v[place], 0.0)
        sigma = np.where(there, series.sigma_v[place], 0.0)
        dips = there & series.dips_and_edges()[place]
    angle = np.pi * away / spacing_frames[:, None]
    columns = [np.ones_like(angle)]
    if window.cosines:
        columns += [np.cos(angle) - 1.0, np.sin(angle)]
    columns += [np.cos(order * angle) - 1.0 for order in range(2, window.cosines + 1)]
    design = np.stack(columns, axis=2)
    covered = there.sum(axis=1) >= np.maximum(_MIN_COVERED * inside.sum(axis=1), 5)
    there &= covered[:, None]
    solution, inverse, kept, scale = _robust(design, values, sigma, there, dips)
    enough = kept.sum(axis=1) >= _MIN_KEPT * inside.sum(axis=1)
    ok = covered & enough & np.isfinite(solution).all(axis=1)
    u_v = scale * np.sqrt(np.maximum(inverse[:, 0, 0], 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        lean = np.where(ok, solution[:, 2] / solution[:, 1], 0.0) if window.cosines else 0.0 * u_v
    return LobeFits(np.where(ok, solution[:, 0], 0.0), np.where(ok, u_v, 0.0), lean, ok)


def _robust(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    sigma: NDArray[np.float64],
    there: NDArray[np.bool_],
    dips: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
    """Fit by least squares, again and again without the bins that cannot belong to the lobe."""
    kept = there & ~dips
    lowest_scale = np.sqrt(np.sum(sigma**2, axis=1) / np.maximum(there.sum(axis=1), 1))
    kept = _from_above(design, values, kept, lowest_scale)
    for _ in range(_ROUNDS):
        solution, _ = _solve(design, values, kept)
        rest = values - _fitted(design, solution)
        scale = np.maximum(_spread(rest, kept), lowest_scale)
        limit = np.maximum(_REJECT_SIGMAS * scale, _REJECT_PART * np.abs(solution[:, 0]))
        far = there & (np.abs(rest) > limit[:, None])
        new = there & ~with_neighbours(far)
        if np.array_equal(new, kept):
            break
        kept = new
    solution, inverse = _solve(design, values, kept)
    rest = np.where(kept, values - _fitted(design, solution), 0.0)
    freedom = np.maximum(kept.sum(axis=1) - design.shape[2], 1)
    scatter = np.sqrt(np.sum(rest**2, axis=1) / freedom)
    return solution, inverse, kept, np.maximum(scatter, lowest_scale)


def _from_above(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    kept: NDArray[np.bool_],
    scale: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Return the bins without those far below a fit that leans on the upper ones.

    Drop-outs only take away: a long one would bend a plain first fit into itself.
    """
    solution, _ = _solve(design, values, kept)
    for _ in range(_ROUNDS_ABOVE):
        slack = np.maximum(_ABOVE_SIGMAS * scale, _REJECT_PART * np.abs(solution[:, 0]))
        low = values - _fitted(design, solution) < -slack[:, None]
        solution, _ = _solve(design, values, np.where(low, _LOW_WEIGHT, 1.0) * kept)
    height = np.abs(solution[:, 0])
    depth = np.maximum(2.0 * _ABOVE_SIGMAS * scale, _HOLE_PART * height)
    return kept & ~with_neighbours(values - _fitted(design, solution) < -depth[:, None])


def _solve(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    kept: NDArray[np.bool_] | NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    weighted: NDArray[np.float64] = design * kept[:, :, None]
    across = weighted.transpose(0, 2, 1)
    normal = across @ design
    # A trace of ridge keeps a lobe with no bins from stopping all the others.
    normal += 1e-12 * np.maximum(1.0, kept.sum(axis=1))[:, None, None] * np.eye(design.shape[2])
    inverse = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    right = across @ values[:, :, None]
    return (inverse @ right)[:, :, 0], inverse


def _fitted(design: NDArray[np.float64], solution: NDArray[np.float64]) -> NDArray[np.float64]:
    return (design @ solution[:, :, None])[:, :, 0]


def _spread(rest: NDArray[np.float64], kept: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return 1.4826 times the median absolute deviation of each row's kept values."""
    masked = np.where(kept, np.abs(rest), np.nan)
    masked[~kept.any(axis=1)] = 0.0
    masked[~np.isfinite(masked).any(axis=1)] = 0.0
    return 1.4826 * np.nanmedian(masked, axis=1)


MAX_EXPANDED_U = 0.10
"""Largest expanded uncertainty of the difference (k = 2) with which a reading is shown."""
_METHOD_U = 6e-5
"""Standard uncertainty of the balance that the method itself leaves, whatever the noise: from the
accuracy table of tests/benchmarks."""
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


def measure_heights(fits: LobeFits, pairs: int) -> tuple[Heights, int] | None:
    """Return mean heights and balance over all turns of which every lobe was measured.

    Parameters
    ----------
    fits : LobeFits
        All lobes of each turn, turn by turn.
    pairs : int
        Pairs of lobes a turn.

    Returns
    -------
    tuple of Heights and int, or None
        The heights and the number of turns used; None when there is no such turn.
    """
    lobes = 2 * pairs
    whole = fits.ok.reshape(-1, lobes).all(axis=1)
    used = int(np.count_nonzero(whole))
    if not used:
        return None
    height = fits.height_v.reshape(-1, lobes)[whole].reshape(used, -1, 2)
    u = fits.u_v.reshape(-1, lobes)[whole].reshape(used, -1, 2)
    a_turn = height.mean(axis=1)
    u_turn = np.sqrt(np.sum(u**2, axis=1)) / pairs
    mean = a_turn.mean(axis=0)
    u_noise = np.sqrt(np.sum(u_turn**2, axis=0)) / used
    first, second = (
        Quantity(
            float(mean[k]),
            float(
                np.sqrt(
                    u_noise[k] ** 2
                    + excess_u(a_turn[:, k], u_turn[:, k]) ** 2
                    + (_METHOD_U * mean[k]) ** 2
                )
            ),
        )
        for k in (0, 1)
    )
    if first.value + second.value <= 0.0:
        return None
    return Heights(first, second, _balance(a_turn, u_turn, mean, u_noise)), used


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


def _balance(
    a_turn: NDArray[np.float64],
    u_turn: NDArray[np.float64],
    mean: NDArray[np.float64],
    u_noise: NDArray[np.float64],
) -> Quantity:
    """Return the balance of mean heights; scatter that both lobes share does not count."""
    total = a_turn.sum(axis=1)
    each = (a_turn[:, 0] - a_turn[:, 1]) / total
    u_each = 2.0 * np.hypot(a_turn[:, 1] * u_turn[:, 0], a_turn[:, 0] * u_turn[:, 1]) / total**2
    noise = 2.0 * np.hypot(mean[1] * u_noise[0], mean[0] * u_noise[1]) / mean.sum() ** 2
    u = np.sqrt(noise**2 + excess_u(each, u_each) ** 2 + _METHOD_U**2)
    return Quantity(balance_of(float(mean[0]), float(mean[1])), float(u))


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
        set_limit=None,
        check_limit=None,
    )


def far_off(reading: Reading, first_is_left: bool, sense: int | None) -> Reading:
    """Return the reading of a turn with but one lobe, with its side where the sign is known."""
    side = None
    if sense is not None:
        side = Side.OUTWARD if first_is_left == (sense > 0) else Side.INWARD
    return invalid(replace(reading, side=side), _ONE_LOBE[side])


def _side(balance: Quantity, sense: int | None) -> Side | None:
    if sense is None or abs(balance.value) <= 2.0 * balance.u:
        return None
    return Side.OUTWARD if balance.value * sense > 0.0 else Side.INWARD
