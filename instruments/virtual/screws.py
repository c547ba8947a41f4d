"""The clamp screws of the stepper's body: what they lock, they move."""

from __future__ import annotations

import numpy as np


class Screws:
    """Screws that hold the stepper's body.

    Parameters
    ----------
    creep_um : float
        Shift of the head by tightening, the drive's own part.
    scatter_um : float
        The most by which one tightening differs from that.
    rng : numpy.random.Generator
        Where the differences come from.
    tight : bool
        How they stand at first.
    """

    def __init__(
        self, creep_um: float, scatter_um: float, rng: np.random.Generator, *, tight: bool
    ) -> None:
        self._creep_um = creep_um
        self._scatter_um = scatter_um
        self._rng = rng
        self.tight = tight

    def loosen(self) -> None:
        """Loosen them."""
        self.tight = False

    def tighten(self) -> float:
        """Tighten them, and return by how much that shifts the head; nothing if they were."""
        if self.tight:
            return 0.0
        self.tight = True
        return self._creep_um + self._scatter_um * float(self._rng.uniform(-1.0, 1.0))
