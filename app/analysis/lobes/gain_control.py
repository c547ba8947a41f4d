"""A gain that an automatic level control steps while lobes pass.

Such a control lowers the gain under a tall lobe and raises it in what comes after, so that both
look more alike than they are. Its steps are all of one size, where a head, a disk or a hand makes
changes of any; and behind a gap, in which it has raised the gain, a group begins too tall.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries, mean_by, median_of
from app.analysis.lobes.layout import Layout
from app.analysis.lobes.turns import Turn, bins_of

_BESIDE = 6
"""Bins on either side from which a step is told. The one between may hold the step."""
_AWAY = np.arange(_BESIDE) - 0.5 * (_BESIDE - 1)
_AWAY2 = float(np.sum(_AWAY**2))
_APART = _BESIDE + 1
_CODES = 3.0
"""So many steps of a converter, and more, are not its own."""
_STRONG = 0.3
"""Below this part of the lobes' height nothing is told."""
_STEEPEST = 0.06
"""A bin's change of the amplitude as a part of itself, beyond which a slope bends too much."""
_BENT = 0.5
"""Two slopes that differ by more than this part of a step make one themselves."""
_UNEVEN, _UNEVEN_SIGMAS = 0.08, 2.0
"""Nor do bins beside one stand off their line, root mean square, by more than this part of it and
what so many times the noise gives."""
_INNER = 0.35
"""Of the way from lobe to lobe, to either side of a middle: what lies beyond may be an edge."""
_SIGMAS, _TOO_SMALL, _LEAST, _MOST = 4.0, 0.02, 0.03, 0.3
"""A step stands out by so many u and the second part; that of a control has the third part to the
fourth, a quarter to 2.6 dB. Published: 0.75 dB (Wolfson WM8976, its automatic
level control); from memory: 0.5 to 2 dB elsewhere."""
_FEWEST, _SHARE, _ENOUGH = 3, 0.6, 200
"""So many steps, and this part of all that there are, are of one size; more than so many tell no
more."""
_ALIKE, _ALIKE_SIGMAS, _VAGUE = 0.08, 2.5, 0.3
"""Two are of one size within this part of it, or so many u; steps whose u is so large a part that
any two are alike tell nothing."""
_TOO_TALL, _TALL_SIGMAS, _LINE_U = 0.03, 5.0, 2.0
_TRAIL, _LEAST_TRAIL = 2.0, 0.01
"""A group begins too tall by this part of its height and so many u above the line of its second
half, which is known there to some two u of a place, and by so many times what it rises to at its
end, and a hundredth more."""
_PLATEAU, _FEWEST_CELLS, _MOST_CELLS = 0.85, 6, 32
"""A group is what stands above this part of its height, in so many places of those from one middle
to the next, which are at most so many."""
_TINY, _TINY_V = 1e-6, 1e-30


def gain_is_controlled(
    series: EnvelopeSeries, turns: Sequence[Turn], layout: Layout, step_v: float
) -> bool:
    """Return whether the gain steps within the lobes, or groups begin too tall.

    `step_v` is the converter's step, 0 where none shows: steps as small are its own.
    """
    bins, place, _ = bins_of(series, turns)
    if layout.windows is not None or bins.size < 2 * _APART:
        return False
    lobes = len(layout.centres)
    # From -0.5 to 0.5, by the spacing of the lobes, from the nearest middle.
    away = ((place[:, None] - layout.centres + 0.5) % 1.0 - 0.5) * lobes
    lobe = np.argmin(np.abs(away), axis=1)
    away = away[np.arange(len(lobe)), lobe]
    if layout.pairs > 1 and _groups_overshoot(series, bins, away, lobe % 2):
        return True
    inner = np.zeros(len(series.ok), dtype=np.bool_)
    reach = _INNER - _APART * lobes * len(turns) / bins.size
    inner[bins] = np.abs(away) < reach
    return _are_of_one_size(*_steps(series, inner, step_v))


def _steps(
    series: EnvelopeSeries, inner: NDArray[np.bool_], step_v: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the sizes of steps, as natural logarithms, and their standard uncertainties.

    Each is the change from straight lines of one slope on either side; of steps that lie within the
    reach of one another the surest stands for all.
    """
    amplitude = np.where(series.ok, series.amplitude_v, 0.0)
    top_v = float(np.quantile(amplitude, 0.9))
    least_v = max(_STRONG * top_v, _TINY_V)
    part = series.sigma_v / np.maximum(amplitude, least_v)
    level = np.log(np.maximum(amplitude, 0.1 * least_v))
    ones = np.ones(_BESIDE)
    mean = np.convolve(level, ones / _BESIDE, mode="valid")
    slope = np.convolve(level, _AWAY[::-1], mode="valid") / _AWAY2
    variance = np.convolve(part**2, ones / _BESIDE, mode="valid")
    square = np.convolve(level**2, ones / _BESIDE, mode="valid")
    rest = (square - mean**2) * _BESIDE - slope**2 * _AWAY2
    told = (amplitude > least_v) & series.ok & ~series.strays_and_edges()
    fit = np.convolve(told, ones, mode="valid") > _BESIDE - 0.5
    fit &= np.abs(slope) < _STEEPEST
    before, after = slice(None, -_APART), slice(_APART, None)
    size = mean[after] - mean[before] - 0.5 * _APART * (slope[after] + slope[before])
    variances = 0.5 * (variance[after] + variance[before])
    u = np.sqrt(variances * (2.0 / _BESIDE + _APART**2 / (2.0 * _AWAY2)))
    middle = slice(_BESIDE, _BESIDE + len(size))
    fit = fit[after] & fit[before] & inner[middle]
    # An edge within the reach of one side alone bends it, a ripple either; no step does.
    fit &= 0.5 * _APART * np.abs(slope[after] - slope[before]) < _BENT * np.abs(size)
    uneven = 0.5 * (rest[after] + rest[before]) / (_BESIDE - 2)
    fit &= uneven < _UNEVEN_SIGMAS**2 * variances + (_UNEVEN * size) ** 2
    fit &= np.abs(size) * amplitude[middle] > _CODES * step_v
    sigmas = np.where(fit, np.abs(size) / np.maximum(u, _TINY), 0.0)
    found: list[int] = []
    for at in np.argsort(-sigmas).tolist():
        if sigmas[at] < _SIGMAS or len(found) == _ENOUGH:
            break
        if all(abs(at - other) > _BESIDE for other in found):
            found.append(at)
    return np.abs(size[found]), u[found]


def _are_of_one_size(size: NDArray[np.float64], u: NDArray[np.float64]) -> bool:
    """Return whether most steps are of one size."""
    seen = size > _TOO_SMALL
    size, u = size[seen], u[seen]
    if len(size) < _FEWEST:
        return False
    tolerance = np.maximum(_ALIKE * float(size.mean()), _ALIKE_SIGMAS * u)
    alike = np.abs(size[:, None] - size) < tolerance
    chosen = alike[np.argmax(alike.sum(axis=1))]
    one = float(size[chosen].mean())
    count = int(chosen.sum())
    return (
        _LEAST < one < _MOST
        and count >= max(_FEWEST, _SHARE * len(size))
        and float(tolerance.mean()) < _VAGUE * one
    )


def _groups_overshoot(
    series: EnvelopeSeries,
    bins: NDArray[np.int64],
    away: NDArray[np.float64],
    kind: NDArray[np.int64],
) -> bool:
    """Return whether groups of either kind begin taller than they go on, and do not end so."""
    ok = (series.ok & ~series.strays_and_edges())[bins]
    amplitude, variance = series.amplitude_v[bins], series.sigma_v[bins] ** 2
    groups = 1 + int(np.count_nonzero(np.diff(away) < 0.0))
    cells = int(np.clip(len(bins) // groups, _FEWEST_CELLS, _MOST_CELLS))
    cell = np.clip(((away + 0.5) * cells).astype(np.int64), 0, cells - 1)
    return any(
        _overshoots(
            mean_by(cell[chosen], amplitude[chosen], cells),
            mean_by(cell[chosen], variance[chosen], cells)
            / np.maximum(np.bincount(cell[chosen], minlength=cells), 1),
        )
        for chosen in (ok & (kind == 0), ok & (kind == 1))
    )


def _overshoots(level_v: NDArray[np.float64], variance_v2: NDArray[np.float64]) -> bool:
    """Return whether the mean of groups, by place from their first to their last, begins too tall.

    Both have shape (cells,); the gaps beside the group are among them.
    """
    if not level_v.max() > 0.0:
        return False
    usual_v = median_of(level_v[level_v > 0.5 * level_v.max()])
    within = np.flatnonzero(level_v > _PLATEAU * usual_v)
    first, end = int(within[0]), int(within[-1]) + 1
    if end - first < _FEWEST_CELLS:
        return False
    third = (end - first) // 3
    # What fades or rises all along does so at its end too.
    late = np.arange((first + end) // 2, end - 1)
    line: list[float] = np.polynomial.polynomial.polyfit(late, level_v[late], 1).tolist()
    begin, last = np.arange(first, first + third), np.arange(end - third, end)
    begins, ends = (
        float(np.max(level_v[at] - line[0] - line[1] * at)) / usual_v for at in (begin, last)
    )
    noise_v2 = float(variance_v2[first:end].max())
    # What swings along the group is no noise, and tells as little.
    away_v2 = float(np.mean((level_v[late] - line[0] - line[1] * late) ** 2))
    u = _LINE_U * float(np.sqrt(noise_v2 + away_v2)) / usual_v
    return begins > max(_TOO_TALL, _TALL_SIGMAS * u, _TRAIL * ends + _LEAST_TRAIL)
