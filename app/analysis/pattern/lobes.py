"""Heights of lobes: a cosine and a constant fitted around each lobe's middle.

Over its own span every lobe of the recordings known here is a cosine of the disk's angle with a
constant beneath it: the constant carries the radial offset (two-band, boundary), and a flat top is
a cosine of nothing (alternating). So the height fitted follows the hand without waiting for a
shape to be learned, at a variance within a tenth of that for a known shape. How much of the lobe
obeys this is learned: see :func:`app.analysis.pattern.layout.refine_layout`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.signal.series import EnvelopeSeries

_ROUNDS = 5
_ROUNDS_ABOVE = 6
_ABOVE_SIGMAS = 1.5
_LOW_WEIGHT = 0.03
_HOLE_PART = 0.05
_REJECT_SIGMAS = 4.0
_REJECT_PART = 0.01
"""A cell is a drop-out when it lies below the fit by four of the cells' own standard deviations
and by this part of the lobe's height."""
_LEAST_KEPT = 0.6
"""With fewer of its cells a lobe is not measured."""
_LEAST_COVERED = 0.97


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
    series : EnvelopeSeries
        The envelope.
    centre_frames : numpy.ndarray
        float64, shape (n,): the lobes' middles.
    spacing_frames : numpy.ndarray
        float64, shape (n,): distance from lobe to lobe there; half of it is the way to the null.
    window : Window
        How much of the lobe, and by how many cosines.
    """
    count = len(centre_frames)
    cell = series.frames_a_cell
    reach = 0.5 * window.span * spacing_frames
    if not count:
        none = np.zeros(0)
        return LobeFits(none, none, none, np.zeros(0, dtype=np.bool_))
    width = int(np.ceil(2.0 * reach.max() / cell)) + 1
    lowest = np.ceil((centre_frames - reach + 0.5) / cell - 0.5).astype(np.int64)
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
    covered = there.sum(axis=1) >= np.maximum(_LEAST_COVERED * inside.sum(axis=1), 5)
    there &= covered[:, None]
    solution, inverse, kept, scale = _robust(design, values, sigma, there, dips)
    enough = kept.sum(axis=1) >= _LEAST_KEPT * inside.sum(axis=1)
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
    """Fit by least squares, again and again without the cells that cannot belong to the lobe."""
    kept = there & ~dips
    lowest_scale = np.sqrt(np.sum(sigma**2, axis=1) / np.maximum(there.sum(axis=1), 1))
    kept = _from_above(design, values, kept, lowest_scale)
    for _ in range(_ROUNDS):
        solution, _ = _solve(design, values, kept)
        rest = values - _fitted(design, solution)
        scale = np.maximum(_spread(rest, kept), lowest_scale)
        limit = np.maximum(_REJECT_SIGMAS * scale, _REJECT_PART * np.abs(solution[:, 0]))
        far = there & (np.abs(rest) > limit[:, None])
        new = there & ~_with_neighbours(far)
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
    """Return the cells without those far below a fit that leans on the upper ones.

    Drop-outs only take away: a long one would bend a plain first fit into itself.
    """
    solution, _ = _solve(design, values, kept)
    for _ in range(_ROUNDS_ABOVE):
        slack = np.maximum(_ABOVE_SIGMAS * scale, _REJECT_PART * np.abs(solution[:, 0]))
        low = values - _fitted(design, solution) < -slack[:, None]
        solution, _ = _solve(design, values, np.where(low, _LOW_WEIGHT, 1.0) * kept)
    height = np.abs(solution[:, 0])
    depth = np.maximum(2.0 * _ABOVE_SIGMAS * scale, _HOLE_PART * height)
    return kept & ~_with_neighbours(values - _fitted(design, solution) < -depth[:, None])


def _with_neighbours(cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the cells and those beside them: a drop-out's edges lie within these."""
    wider = cells.copy()
    wider[:, 1:] |= cells[:, :-1]
    wider[:, :-1] |= cells[:, 1:]
    return wider


def _solve(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    kept: NDArray[np.bool_] | NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    weighted: NDArray[np.float64] = design * kept[:, :, None]
    across = weighted.transpose(0, 2, 1)
    normal = across @ design
    # A trace of ridge keeps a lobe with no cells from stopping all the others.
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
