"""Calibration on the bench: the disk's scale from known displacements, and how two zeros differ."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.messages import fill
from app.analysis.results import Message, Quantity
from app.analysis.uncertainty import effective_dof, fit

Floats = NDArray[np.float64]

FEW_PLACES = Message("a scale takes balances at four places or more, and there are {0}")
TOO_NEAR = Message(
    "the balance does not change by enough between the places to tell the scale: move the head "
    "farther to both sides"
)
REVERSED = Message(
    "the balance falls as the head goes outward: the gauge counts inward, or the first lobe is the "
    "inner one"
)
BENT = Message(
    "the balance does not go straight with the place: the head leaves the pattern, or the gauge "
    "slipped; stay nearer to the line"
)

_LEAST_PLACES = 4
_LEAST_T = 5.0
"""A slope, or a bend, so many times its u is none of chance."""


@dataclass(frozen=True, slots=True)
class ScaleFinding:
    """The scale of a disk.

    Attributes
    ----------
    scale_um : Quantity
        Displacement for unit balance.
    even_um : float
        Place at which the lobes are even.
    residual_um : float
        Standard deviation of the places about the line.
    """

    scale_um: Quantity
    even_um: float
    residual_um: float


def scale_of(places_um: Sequence[Quantity], balances: Sequence[Quantity]) -> ScaleFinding | Message:
    """Return the scale by least squares, or why it cannot be told.

    The line is that of the balance over the place; a place that is unsure makes its balance as
    unsure as the line is steep. The u of each value and the scatter about the line both count, each
    by its degrees of freedom (see :func:`app.analysis.uncertainty.fit`).

    Parameters
    ----------
    places_um, balances : sequence of Quantity, shape (n,)
        Where the head was displaced to, positive outward, and the balance there.
    """
    x = np.array([each.value for each in places_um], dtype=np.float64)
    y = np.array([each.value for each in balances], dtype=np.float64)
    if np.unique(x).size < _LEAST_PLACES:
        return fill(FEW_PLACES, np.unique(x).size)
    steep = float(np.polyfit(x, y, 1)[0])
    u_x = np.array([each.u for each in places_um], dtype=np.float64)
    u_y = np.array([each.u for each in balances], dtype=np.float64)
    u = np.maximum(np.hypot(u_y, steep * u_x), 1e-9)
    about = float(x.mean())
    line = fit(np.vander(x - about, 2, increasing=True), y, u)
    slope = line.estimate(0.0, 1.0)
    if abs(slope.value) < _LEAST_T * slope.u:
        return TOO_NEAR
    if slope.value < 0.0:
        return REVERSED
    if _is_bent(x - about, y, u):
        return BENT
    scale_um = 1.0 / slope.value
    return ScaleFinding(
        Quantity(scale_um, slope.u * scale_um**2, slope.dof),
        about - float(line.parameters[0]) * scale_um,
        line.residual_sd * scale_um,
    )


def _is_bent(x: Floats, y: Floats, u: Floats) -> bool:
    """Tell whether a curve of the third degree follows the places far better than a line."""
    if x.size < _LEAST_PLACES + 2:
        return False
    # In parts of their reach, so that cubes are of the size of the rest.
    reach = float(np.abs(x).max())
    curve = fit(np.vander(x / reach, 4, increasing=True), y, u)
    bends = (curve.estimate(0.0, 0.0, 1.0, 0.0), curve.estimate(0.0, 0.0, 0.0, 1.0))
    return any(abs(each.value) > _LEAST_T * each.u for each in bends)


def difference_of(first: Sequence[float], second: Sequence[float]) -> Quantity:
    """Return the mean of the first minus that of the second, of two values or more each.

    Its u is by the scatter of each, with Welch's degrees of freedom (JCGM 100, G.4.1).
    """
    both = [np.array(values, dtype=np.float64) for values in (first, second)]
    value = float(both[0].mean() - both[1].mean())
    parts = [(float(each.std(ddof=1)) / math.sqrt(each.size), each.size - 1.0) for each in both]
    dof = effective_dof(parts)
    return Quantity(value, math.hypot(*(u for u, _ in parts)), dof if math.isfinite(dof) else None)


def mean_of(values: Sequence[float]) -> Quantity:
    """Return the mean of two values or more, with u by their scatter (JCGM 100, 4.2)."""
    found = np.array(values, dtype=np.float64)
    u = float(found.std(ddof=1)) / math.sqrt(found.size)
    return Quantity(float(found.mean()), u, found.size - 1.0)
