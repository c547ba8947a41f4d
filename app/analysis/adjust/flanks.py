"""Where the middle of an ordinary isolated track lies, by the head's amplitude to both sides of it.

A head of width W over a track of width T reads what they have in common: all of the narrower one
while they are no farther apart than half of what the widths differ by. There the amplitude does not
change, so its peak is blind; its flanks are straight and steep, and at half of the amplitude they
are half of the wider width from the middle. The middle lies between these two places, whatever the
widths are.
"""

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

FEW_PLACES = Message(
    "each flank needs amplitudes at three places between three and eight tenths of the largest: "
    "move the head in smaller steps"
)
NO_FLANK = Message(
    "the amplitude falls to half of its largest on neither side, so no flank was reached: move the "
    "head farther, or look whether this track stands alone"
)
ONE_SIDE = Message(
    "the amplitude falls to half of its largest on the {0} side alone: move the head to the other "
    "side of the track too"
)
NOT_MONOTONIC = Message(
    "beside the track the amplitude rises again at {0} µm: a neighbouring track is read, or a "
    "place is wrong; stay nearer, or take a track that stands alone"
)

LOW = 0.3
"""Part of the plateau down to which a flank is straight: fringes bend its foot, and neighbouring
tracks begin there (common practice)."""
HIGH = 0.8
"""Part of the plateau up to which it is: edges that are not sharp bend its shoulder (common
practice)."""
_PLATEAU = 0.95
_LEAST_PLACES = 3
_RISE_PART, _RISE_U = 0.05, 4.0
"""So much of the plateau, and so many times its u, is no noise."""
_LEAST_U_PART = 1e-4
"""Of the plateau: no amplitude is known better."""


@dataclass(frozen=True, slots=True)
class FlankFinding:
    """The middle of a track between its flanks.

    Attributes
    ----------
    centre_um : Quantity
        Displacement at which the head is over the middle of the track.
    wider_um, narrower_um : Quantity, float
        The wider and the narrower of head and track.
    blind_um : float
        Width over which the amplitude is the same: what a search for the peak cannot tell.
    """

    centre_um: Quantity
    wider_um: Quantity
    narrower_um: float
    blind_um: float


def centre_of(
    displaced_um: Sequence[Quantity], amplitude_v: Sequence[Quantity]
) -> FlankFinding | Message:
    """Return the middle of a track, or what is missing to tell it.

    Parameters
    ----------
    displaced_um : sequence of Quantity, shape (n,)
        How far the head was displaced for each amplitude, positive outward, in any order; each
        with the u of that place alone, 0 where it is known.
    amplitude_v : sequence of Quantity, shape (n,)
        The amplitudes.
    """
    order = np.argsort([each.value for each in displaced_um], kind="stable")
    x, u_x = _columns(displaced_um, order)
    y, u_y = _columns(amplitude_v, order)
    on_top = y >= _PLATEAU * y.max()
    top = float(np.median(y[on_top]))
    u_y = np.maximum(u_y, _LEAST_U_PART * top)
    middle = float(x[on_top].mean())
    inward, outward = x < middle, x > middle
    if (fault := _fault(x, y, u_y, top, inward, outward)) is not None:
        return fault
    straight = (y > LOW * top) & (y < HIGH * top)
    sides = [side & straight for side in (inward, outward)]
    if any(np.unique(x[side]).size < _LEAST_PLACES for side in sides):
        return FEW_PLACES
    slopes = [float(np.polyfit(x[side], y[side], 1)[0]) for side in sides]
    if not slopes[0] > 0.0 > slopes[1]:
        return FEW_PLACES
    low, high = (_Flank.of(x[side], u_x[side], y[side], u_y[side], top / 2.0) for side in sides)
    u_top = float(u_y[on_top].mean())
    if np.count_nonzero(on_top) < _LEAST_PLACES:
        # The top may lie between the places, up to where the flanks meet.
        u_top = math.hypot(u_top, (_apex(low, high, top) - top) / math.sqrt(12.0))
    return _between(low, high, u_top, top)


def _columns(found: Sequence[Quantity], order: NDArray[np.intp]) -> tuple[Floats, Floats]:
    values, u = ([getattr(each, name) for each in found] for name in ("value", "u"))
    return np.array(values, dtype=np.float64)[order], np.array(u, dtype=np.float64)[order]


def _fault(
    x: Floats,
    y: Floats,
    u_y: Floats,
    top: float,
    inward: NDArray[np.bool_],
    outward: NDArray[np.bool_],
) -> Message | None:
    """Return why there are no two flanks, None where there are."""
    falls = [bool((y[side] < top / 2.0).any()) for side in (inward, outward)]
    if not any(falls):
        return NO_FLANK
    if not all(falls):
        return fill(ONE_SIDE, "inner" if falls[0] else "outer")
    # Each side from the top down.
    for places in (np.flatnonzero(inward)[::-1], np.flatnonzero(outward)):
        lowest = np.minimum.accumulate(y[places])
        allowed = _RISE_PART * top + _RISE_U * math.sqrt(2.0) * u_y[places]
        rises = np.flatnonzero(y[places] - lowest > allowed)
        if rises.size:
            return fill(NOT_MONOTONIC, f"{x[places[rises[0]]]:+.0f}")
    return None


@dataclass(frozen=True, slots=True)
class _Flank:
    """Where a flank is at half of the plateau, and its slope in volts a micrometre."""

    half_um: Quantity
    slope: float

    @classmethod
    def of(cls, x: Floats, u_x: Floats, y: Floats, u_y: Floats, half: float) -> _Flank:
        """Return the straight line through places on a flank, at half of the amplitude."""
        about = float(x.mean())
        # A place that is unsure makes its amplitude as unsure as the flank is steep.
        steep = float(np.polyfit(x - about, y, 1)[0])
        columns = np.stack([np.ones(x.size), x - about], axis=1)
        line = fit(columns, y, np.hypot(u_y, steep * u_x))
        level, slope = line.parameters
        away = (half - level) / slope
        u_um = abs(line.u(np.array([1.0, away])) / slope)
        return cls(Quantity(float(about + away), float(u_um), line.dof), float(slope))


def _apex(low: _Flank, high: _Flank, top: float) -> float:
    """Return the height at which two flanks meet."""
    apart_um = high.half_um.value - low.half_um.value
    return top / 2.0 + apart_um / (1.0 / abs(low.slope) + 1.0 / abs(high.slope))


def _between(low: _Flank, high: _Flank, u_top: float, top: float) -> FlankFinding:
    parts = [(each.half_um.u, each.half_um.dof or math.inf) for each in (low, high)]
    dof = effective_dof(parts)
    known = dof if math.isfinite(dof) else None
    u_um = math.hypot(low.half_um.u, high.half_um.u)
    # The height of the top moves both flanks by as much to opposite sides: not the middle.
    flat = 1.0 / abs(low.slope) + 1.0 / abs(high.slope)
    wider_um = high.half_um.value - low.half_um.value
    narrower_um = min(top * flat / 2.0, wider_um)
    return FlankFinding(
        Quantity((low.half_um.value + high.half_um.value) / 2.0, u_um / 2.0, known),
        Quantity(wider_um, math.hypot(u_um, u_top * flat / 2.0), known),
        narrower_um,
        wider_um - narrower_um,
    )
