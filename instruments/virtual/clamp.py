"""The clamp: how the disk sits on the spindle, drawn anew each time that it closes."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, hypot, tau

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Seating:
    """One seating of the disk.

    Attributes
    ----------
    shift_um : float
        Distance of the disk's centre from the spindle's axis.
    shift_turns : float
        Direction of the shift, as an angle on the disk in turns from the index.
    oval_um : float
        Amplitude of the ovality: the tracks' radius deviates twice a turn by this much.
    oval_turns : float
        Angle on the disk at which the ovality is largest outward.
    """

    shift_um: float = 0.0
    shift_turns: float = 0.0
    oval_um: float = 0.0
    oval_turns: float = 0.0

    def runout_um(self, turns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far outward the disk's tracks lie from their true radius under the head."""
        runout = self.shift_um * np.cos(tau * (turns - self.shift_turns))
        if self.oval_um:
            runout += self.oval_um * np.cos(2.0 * tau * (turns - self.oval_turns))
        return runout


class Clamp:
    """Draws seatings.

    Parameters
    ----------
    shift_um, oval_um : float
        Root mean square, over many seatings, of the shift and of the ovality's amplitude.
    rng : numpy.random.Generator
        Where the seatings come from.
    """

    def __init__(self, shift_um: float, oval_um: float, rng: np.random.Generator) -> None:
        self._shift_um = shift_um
        self._oval_um = oval_um
        self._rng = rng
        self.seating = self._draw()

    def reseat(self) -> None:
        """Open the clamp and close it again."""
        self.seating = self._draw()

    def _draw(self) -> Seating:
        # Two normal components each: every direction is equally likely.
        x, y, p, q = self._rng.standard_normal(4) * 0.5**0.5
        return Seating(
            shift_um=self._shift_um * hypot(x, y),
            shift_turns=atan2(y, x) / tau,
            oval_um=self._oval_um * hypot(p, q),
            oval_turns=atan2(q, p) / (2.0 * tau),
        )
