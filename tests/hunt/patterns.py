"""What a head sees during one turn of an alignment track, and how high its lobes are.

An amplitude is signed: positive where the lobe belongs to the first kind (the lobe that comes first
after the index), negative where it belongs to the second. Phases are in turns, 0 at the index.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_GRID = np.arange(20_000) / 20_000
_PLATEAU = 0.98
"""Of a flat lobe's height: what is above belongs to its top."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """One recording under one head.

    Attributes
    ----------
    geometry : str
        As a disk's profile names it.
    amplitude : callable
        From phases in turns, 0 to 1, to signed amplitudes.
    first, second : float
        Heights of the two kinds of lobe.
    flat : bool
        Lobes have a level top, whose mean is their height, and not a highest point.
    pairs : int
        Lobes of each kind in a turn.
    bursts : tuple of Window
        Where a disk whose geometry is windows has its bursts.
    """

    geometry: str
    amplitude: Callable[[Floats], Floats] = field(repr=False)
    first: float
    second: float
    flat: bool = False
    pairs: int = 1
    bursts: tuple[Window, ...] = ()

    @property
    def ratio(self) -> float:
        """The smaller height over the larger."""
        return min(self.first, self.second) / max(self.first, self.second)

    @property
    def balance(self) -> float:
        """Difference of the heights over their sum, positive when the first is the taller."""
        return (self.first - self.second) / (self.first + self.second)

    def modulated(self, gain: Callable[[Floats], Floats]) -> Pattern:
        """Return the pattern with a gain that depends on the phase; its heights by a fine grid."""
        amplitude = self.amplitude

        def product(phase: Floats) -> Floats:
            return amplitude(phase) * gain(phase)

        seen, plain = product(_GRID), amplitude(_GRID)
        if self.flat:
            first = float(seen[plain > _PLATEAU * self.first].mean())
            second = -float(seen[plain < -_PLATEAU * self.second].mean())
        else:
            first, second = float(seen.max()), -float(seen.min())
        return replace(self, amplitude=product, first=first, second=second)


def boundary(balance: float, centre: float) -> Pattern:
    """Return two bands in opposite phases that meet at the track line, off centre to the spindle.

    Their overlaps with the head differ by twice the distance of the head from the line, so the
    amplitude is a cosine and a constant: heights 1 + b and 1 − b.
    """

    def amplitude(phase: Floats) -> Floats:
        return np.cos(2 * np.pi * (phase - centre)) + balance

    return Pattern("boundary", amplitude, 1 + balance, 1 - balance)


def two_band(balance: float, centre: float, gap: float, width: float = np.inf) -> Pattern:
    """Return two bands with a bare gap between them, off centre to the spindle.

    Parameters
    ----------
    gap : float
        Half of what is bare, as a part of the eccentricity, under 1.
    width : float
        Way, in eccentricities, over which the overlap with a band grows; beyond it falls again.
    """
    shift = balance * (1 - gap)

    def overlap(way: Floats) -> Floats:
        return np.maximum(np.minimum(way, 2 * width - way), 0.0)

    def amplitude(phase: Floats) -> Floats:
        place = np.cos(2 * np.pi * (phase - centre)) + shift
        return overlap(place - gap) - overlap(-place - gap)

    first, second = (min(1 - gap + way, width) for way in (shift, -shift))
    return Pattern("two-band", amplitude, first, second)


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of the turn with a burst: where it starts, how long it is, whose kind it is."""

    start: float
    length: float
    is_first: bool


def windows(heights: tuple[float, float], burst: Sequence[Window], edge: float) -> Pattern:
    """Return bursts at stated places.

    Parameters
    ----------
    heights : tuple of float
        Of the first kind and of the second.
    burst : sequence of Window
        In their order; they may not overlap, and each is longer than two edges.
    edge : float
        Part of the turn over which a burst rises and falls.
    """
    places: list[float] = []
    values: list[float] = []
    for each in burst:
        top = heights[0] if each.is_first else -heights[1]
        end = each.start + each.length
        places += [each.start, each.start + edge, end - edge, end]
        values += [0.0, top, top, 0.0]

    def amplitude(phase: Floats) -> Floats:
        return np.interp(phase, places, values, period=1.0)

    pairs = sum(each.is_first for each in burst)
    return Pattern("alternating", amplitude, *heights, flat=True, pairs=pairs)


def alternating(balance: float, pairs: int, fill: float, offset: float, edge: float) -> Pattern:
    """Return groups of bursts in turn on either side of the track line, equally spaced.

    Parameters
    ----------
    fill : float
        Part of the way from one group to the next that is recorded.
    offset, edge : float
        Where the first group starts and how fast it rises, as parts of that way.
    """
    way = 0.5 / pairs
    groups = [
        Window((number + offset) * way, fill * way, number % 2 == 0) for number in range(2 * pairs)
    ]
    return windows((1 + balance, 1 - balance), groups, edge * way)


def humps(balance: float, centre: float, width: float, apart: float) -> Pattern:
    """Return two bell-shaped lobes.

    Parameters
    ----------
    width : float
        Standard deviation of each, in turns.
    apart : float
        From the first to the second, in turns.
    """

    def bell(phase: Floats, place: float) -> Floats:
        away = (phase - place + 0.5) % 1.0 - 0.5
        return np.exp(-0.5 * (away / width) ** 2)

    def amplitude(phase: Floats) -> Floats:
        first, second = bell(phase, centre), bell(phase, centre + apart)
        return (1 + balance) * first - (1 - balance) * second

    return Pattern("two-band", amplitude, 1 + balance, 1 - balance)
