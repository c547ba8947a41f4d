"""Stretches of samples that a measurement looks at as a whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Captured:
    """One stretch without a gap.

    Attributes
    ----------
    samples_v : numpy.ndarray
        float32, shape (frames, channels), in volts.
    at_index : bool
        The first frame is at an edge of the index.
    clipped : bool
        The source says that it clipped.
    extremes : bool
        Rows are the lowest and the highest value of a stretch in turn.
    """

    samples_v: NDArray[np.float32]
    at_index: bool = False
    clipped: bool = False
    extremes: bool = False
