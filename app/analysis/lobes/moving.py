"""Where the head goes inside a lobe, before the lobe is complete: for the needle alone.

A head that moves adds the same to every place of one lobe and takes it from every place of the
other, over two bands and over a boundary alike (see :mod:`app.analysis.lobes.heights`); what is
left of a lobe's amplitude, its shape, stays. So once the shapes are known, each bin of envelope is
an estimate of the balance, and the median is taken of the newest ones that agree with one another:
a drop-out of a few bins does not move it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries, median_of
from app.analysis.lobes.heights import TURN_BINS, MeanTurn
from app.analysis.lobes.layout import Layout
from app.analysis.lobes.turns import Turn
from app.analysis.results import Quantity

_LOOK_BACK_S = 0.15
"""As far back as this: a lobe, the gap before it, and the lobe before that."""
_FEWEST = 8
_GROWTH = 1.4
_AGREE_SIGMAS = 3.5
_MEDIAN_U = float(np.sqrt(np.pi / 2.0))
"""Standard deviation of the median of many normal values over that of their mean."""
_SHAPE_U = 0.004
"""By so much the balance of single bins may be off because a shape is not quite the lobe's own."""
_LOW_PART = 0.3
"""A bin below this part of the mean height is no longer in the lobe."""


@dataclass(frozen=True, slots=True)
class LobeShapes:
    """What each lobe's amplitude falls by, away from its middle.

    Attributes
    ----------
    layout : Layout
        Places of the lobes, and the window within which the shapes hold.
    falls : numpy.ndarray
        float64, shape (lobes, terms): coefficients of the window's cosines and of a sine, as parts
        of the sum of both heights.
    """

    layout: Layout
    falls: NDArray[np.float64]


def learn_shapes(turn: MeanTurn, layout: Layout) -> LobeShapes:
    """Learn the shapes from an averaged turn."""
    lobes = len(layout.centres)
    place = (np.arange(TURN_BINS) + 0.5) / TURN_BINS
    found: list[list[float]] = []
    for centre in layout.centres:
        angle = np.pi * lobes * ((place - centre + 0.5) % 1.0 - 0.5)
        inside = np.abs(angle) <= 0.5 * np.pi * layout.window.span
        design = np.column_stack([np.ones(TURN_BINS), _terms(angle, layout)])[inside]
        found.append(np.linalg.lstsq(design, turn.amplitude_v[inside], rcond=None)[0].tolist())
    solution = np.array(found)
    total_v = 2.0 * float(np.mean(solution[:, 0]))
    return LobeShapes(layout, solution[:, 1:] / total_v)


def _terms(angle: NDArray[np.float64], layout: Layout) -> NDArray[np.float64]:
    """Return what a lobe falls by at each angle, one column a coefficient."""
    cosines = [np.cos(order * angle) - 1.0 for order in range(1, layout.window.cosines + 1)]
    return np.stack([*cosines, np.sin(angle)], axis=-1)


def balance_now(
    series: EnvelopeSeries,
    turns: Sequence[Turn],
    shapes: LobeShapes,
    total_v: float,
    rate_hz: float,
) -> Quantity | None:
    """Return the balance by the newest bins, None where there are too few.

    Parameters
    ----------
    turns : sequence of Turn
        The last ones, that under way included.
    total_v : float
        Sum of both heights: what the head does not change.
    """
    start_frame = series.end_frame - _LOOK_BACK_S * rate_hz
    bins = series.bins_between(start_frame, series.end_frame)
    frames = series.centres_in(bins)
    centres, spacings = (each.ravel() for each in shapes.layout.frames_of(turns))
    lobe = np.abs(frames[:, None] - centres).argmin(axis=1)
    angle = np.pi * (frames - centres[lobe]) / spacings[lobe]
    which = lobe % len(shapes.layout.centres)
    fall = np.sum(_terms(angle, shapes.layout) * shapes.falls[which], axis=1)
    amplitude_v = series.amplitude_in(bins)
    in_lobe = np.abs(angle) <= 0.5 * np.pi * shapes.layout.window.span
    in_lobe &= series.ok[bins] & (amplitude_v > 0.5 * _LOW_PART * total_v)
    sense = np.where(which % 2 == 0, 1.0, -1.0)
    balance = sense * (2.0 * (amplitude_v / total_v - fall) - 1.0)
    u = 2.0 * series.sigma_v[bins] / total_v
    return _newest_that_agree(balance[in_lobe][::-1], u[in_lobe][::-1])


def _newest_that_agree(values: NDArray[np.float64], u: NDArray[np.float64]) -> Quantity | None:
    """Return the median of the first values, of as many as agree with all fewer."""
    if len(values) < _FEWEST:
        return None
    sizes = [_FEWEST]
    while sizes[-1] * _GROWTH < len(values):
        sizes.append(math.ceil(sizes[-1] * _GROWTH))
    power = np.cumsum(u**2)
    found: list[Quantity] = []
    for size in [*sizes, len(values)]:
        more = Quantity(median_of(values[:size]), _MEDIAN_U * math.sqrt(power[size - 1]) / size)
        for fewer in found:
            own_u = math.sqrt(max(fewer.u**2 - more.u**2, 0.0))
            if abs(more.value - fewer.value) > _AGREE_SIGMAS * own_u + _SHAPE_U:
                return _with_shape(found[-1])
        found.append(more)
    return _with_shape(found[-1])


def _with_shape(balance: Quantity) -> Quantity:
    return Quantity(balance.value, float(np.hypot(balance.u, _SHAPE_U)))
