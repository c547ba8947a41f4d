"""The alignment disk: its recording, its carrier and its drop-outs."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, pi

import numpy as np
from numpy.typing import NDArray

from instruments.virtual.recording import Recording

_RAMP = 0.3
"""Length of a drop-out's ramps, as a fraction of half its length."""


def cycles_per_turn(density_ftprad: float) -> int:
    """Return the whole cycles a turn of an all-ones track.

    Parameters
    ----------
    density_ftprad : float
        Transition density in flux transitions per radian; two transitions make a cycle. The
        number is rounded, since a track closes on itself.
    """
    return round(pi * density_ftprad)


@dataclass(frozen=True, slots=True)
class DropOuts:
    """Short losses of amplitude.

    Attributes
    ----------
    places_turns : numpy.ndarray or None
        float64, shape (n,): middles of the drop-outs that are fixed on the disk. None when they
        fall anywhere, anew each turn.
    count : int
        Drop-outs a turn.
    length_turns : float
        Length of each.
    depth : float
        Fraction of the amplitude that is lost.
    seed : int
        Where places that are not fixed come from.
    """

    places_turns: NDArray[np.float64] | None
    count: int
    length_turns: float
    depth: float
    seed: int

    def apply(self, turns: NDArray[np.float64], amplitude: NDArray[np.float64]) -> None:
        """Weaken `amplitude` in place where `turns`, rising, lie within drop-outs."""
        if not self.count:
            return
        half = self.length_turns / 2.0
        for number in range(floor(turns[0] - half), floor(turns[-1] + half) + 1):
            for middle in number + self._places(number):
                begin, end = np.searchsorted(turns, (middle - half, middle + half))
                inward = 1.0 - np.abs(turns[begin:end] - middle) / half
                amplitude[begin:end] *= 1.0 - self.depth * np.minimum(inward / _RAMP, 1.0)

    def _places(self, number: int) -> NDArray[np.float64]:
        if self.places_turns is not None:
            return self.places_turns
        # A stream of its own for each turn: any turn can be asked for in any order.
        return np.random.default_rng((self.seed, number % 2**32)).random(self.count)


@dataclass(frozen=True, slots=True)
class Disk:
    """An alignment disk.

    Attributes
    ----------
    recording : Recording
        The pattern of its radial alignment track.
    cycles_per_turn : int
        Carrier of the recording.
    drop_outs : DropOuts
        Its flaws.
    """

    recording: Recording
    cycles_per_turn: int
    drop_outs: DropOuts
