"""Whether there is any signal at all: samples that never change, or that are not numbers.

Noise moves the last digit of every converter that hears something. What is cut off (a muted input,
a suspended sound server, a channel that is stuck) repeats one value, and is no envelope of zero.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.results import Message

_STILL_S = 0.3
"""Longer than a turn: a quiet recording of few codes may stand still from one lobe to the next."""
_GLANCES = 64


class StillnessWatch:
    """Watches the signal's columns for samples that move.

    Parameters
    ----------
    columns : sequence of int
        Where the signal is, without the index.
    sample_rate_hz : float
        Frames a second.
    """

    def __init__(self, columns: Sequence[int], sample_rate_hz: float) -> None:
        self._levels_v = dict.fromkeys(columns, np.float32(np.nan))
        self._patience = _STILL_S * sample_rate_hz
        self._still_frames = 0
        self._are_numbers = True

    @property
    def fault(self) -> Message | None:
        """Why there is no signal now, None while there is one."""
        if self._still_frames < self._patience:
            return None
        return messages.NO_SIGNAL if self._are_numbers else messages.NO_SAMPLES

    def push(self, samples_v: NDArray[np.float32]) -> None:
        """Take the next samples, float32, shape (frames, channels), in volts."""
        self._are_numbers, moves = True, False
        for number, level_v in self._levels_v.items():
            column_v = samples_v[:, number]
            # In all but the worst case a glance is enough.
            fine_v = _finite(column_v[:: 1 + len(column_v) // _GLANCES])
            if not np.any(fine_v != level_v):
                fine_v = _finite(column_v)
            if fine_v.size:
                moves |= bool(np.any(fine_v != level_v))
                self._levels_v[number] = fine_v[-1]
            else:
                self._are_numbers = False
        still = not (moves and self._are_numbers)
        self._still_frames = self._still_frames + len(samples_v) if still else 0


def _finite(values_v: NDArray[np.float32]) -> NDArray[np.float32]:
    return values_v[np.isfinite(values_v)]
